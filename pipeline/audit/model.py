"""What an audit says, as plain dataclasses; angles in degrees, doses in Gy cm2.

An audit looks back at archived and training films. It suggests nothing.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

from pipeline.align.moves import Turn
from pipeline.readers.dicom_shot import Shot

SURE_SIDE = 0.9
"""Probability from which a side that the picture alone shows is believed (design value)."""


@dataclass(frozen=True)
class FilmRead:
    """One reading of a study.

    Attributes:
        id: its number in the store, or where it stands among the readings.
        name: enough for a person to know the film.
        row: the object of `readings.jsonl`, a person's changes included.
        state: of the store; `proposed` where there is none.
        shot: what the header says of the circumstances.
        path: where the film lies; None where it is gone.
        operator: the operator's code; None where the header is silent.
    """

    id: int
    name: str
    row: Mapping[str, Any]
    state: str
    shot: Shot
    path: Path | None = None
    operator: str | None = None

    @property
    def picture(self) -> tuple[str, int]:
        """File and frame: two knees on one film share them."""
        return self.row["film"]["source"], self.row["film"]["frame"] or 0

    @property
    def view(self) -> str:
        return str(self.row["view"]["name"])

    @property
    def side(self) -> str | None:
        return self.row["side"]["name"]  # type: ignore[no-any-return]

    @property
    def sure_side(self) -> bool:
        """Whether the side comes from more than a guess at the picture."""
        side = self.row["side"]
        return side.get("from") != "image" or side["probability"] >= SURE_SIDE

    @property
    def alignment(self) -> Mapping[str, Any] | None:
        """None where no angle was read."""
        return self.row["alignment"]  # type: ignore[no-any-return]

    @property
    def angles(self) -> Mapping[str, Any]:
        """The alignment of a film that has one."""
        if self.alignment is None:
            raise ValueError(f"{self.name} has no angles")
        return self.alignment

    @property
    def square(self) -> str:
        """The verdict; `cannot tell` where no angle was read."""
        return "cannot tell" if self.alignment is None else str(self.alignment["square"])

    @property
    def instruments(self) -> bool:
        """Whether the film shows instruments: then it was taken for more than the view."""
        return bool(self.row.get("found", {}).get("instruments"))


@dataclass(frozen=True)
class Dose:
    """Area dose product of some pictures together.

    What no header states is not zero: `gy_cm2` is the sum of what is stated, so with
    `stated` below `pictures` it is a least value, and None where nothing is stated.

    Attributes:
        gy_cm2: sum of what is stated.
        stated: pictures whose dose is stated.
        pictures: pictures asked about.
        undivided: of those not stated, pictures of runs whose dose is stated only as a whole.
    """

    gy_cm2: float | None
    stated: int
    pictures: int
    undivided: int = 0

    @property
    def complete(self) -> bool:
        return self.pictures > 0 and self.stated == self.pictures


@dataclass(frozen=True)
class TurnMade:
    """A turn between two films about one of the table's axes.

    Attributes:
        angle: the angle that it changes.
        degrees: signed; positive takes a positive angle away.
        half_width: of its 90 % interval.
        words: its name.
    """

    angle: str
    degrees: float
    half_width: float
    words: Turn

    @property
    def clear(self) -> bool:
        """Whether it is more than the readings' uncertainty."""
        return abs(self.degrees) > self.half_width


@dataclass(frozen=True)
class Order:
    """By what pictures were ordered.

    Attributes:
        by: time of acquisition; time, then Instance Number where times are equal; Instance Number;
            file name.
        left: pictures that do not state it, which stand at the end.
    """

    by: Literal["time", "time and number", "number", "name"]
    left: int = 0


Source = Literal["header", "pose"]


@dataclass(frozen=True)
class Step:
    """What happened between two consecutive films of one view of one knee.

    Attributes:
        change: (rotation, tilt) after minus before; `change_half` the half widths of their 90 %
            intervals.
        by_pose: the turns that the change of pose tells; of beam or limb, films cannot say which.
        by_header: the turns of the beam alone by the positioner's angles; () without them.
        source: which of the two is given as the move that was made.
        agree: whether both tell the same within their uncertainty; None without both.
        degrees_known: False where the thigh's lie is unknown and only angles are compared.
        flexion_change: of the knee, None where unknown.
        notes: sentences about what the header could or could not tell.
    """

    change: tuple[float, float]
    change_half: tuple[float, float]
    by_pose: tuple[TurnMade, ...]
    by_header: tuple[TurnMade, ...]
    source: Source
    agree: bool | None
    degrees_known: bool
    flexion_change: float | None
    notes: tuple[str, ...] = ()

    @property
    def turns(self) -> tuple[TurnMade, ...]:
        """The move that was made."""
        return self.by_header if self.source == "header" else self.by_pose

    @property
    def chief(self) -> TurnMade:
        """The larger turn."""
        return max(self.turns, key=lambda turn: abs(turn.degrees))


@dataclass(frozen=True)
class Advice:
    """What the first film already showed.

    Attributes:
        texts: its moves in words.
        turns: signed degrees by angle; {} where no degrees are named.
        pose: (rotation, tilt) that the knee would then show; `pose_90` the intervals.
        square_probability: of a square film after it, the turns missed by a hand's error.
        films: exposures that it would have needed, the first included; None where it would not
            clearly have led to a square film.
        saved: exposures up to the first square one, less `films`; None as above.
        saved_dose: of the films between the first and the first square one.
        borne_out: whether the change that in fact led to the square film was the one advised, to
            within the first film's interval; None where that cannot be asked.
        why_not: why nothing is counted; "" where something is.
    """

    texts: tuple[str, ...]
    turns: Mapping[str, float] = field(default_factory=dict)
    pose: tuple[float, float] | None = None
    pose_90: tuple[tuple[float, float], tuple[float, float]] | None = None
    square_probability: float | None = None
    films: int | None = None
    saved: int | None = None
    saved_dose: Dose | None = None
    borne_out: bool | None = None
    why_not: str = ""


@dataclass(frozen=True)
class Hunt:
    """The films of one view of one knee, in time order.

    Attributes:
        side: None where nothing but pictures tells it.
        films: those with angles.
        numbers: their places among all pictures of the study, from 1.
        steps: between each film and the next.
        first_square: index of the film that is likeliest to be the first square one; None where
            it is likelier that there is none. `first_chance`: how likely.
        earliest, latest: indices between which the first square film lies with 99 %; None: there
            may be none.
        lost: pictures without an angle between the first film and the first square one.
        after: films after the first square one, those with instruments left out.
        after_instruments: those with instruments.
        before_dose, after_dose: of the films before the first square one (of all films where
            none is), and of those counted in `after`.
        advice: what the first film's moves would have done.
    """

    view: str
    side: str | None
    films: tuple[FilmRead, ...]
    numbers: tuple[int, ...]
    steps: tuple[Step, ...]
    first_square: int | None
    first_chance: float
    earliest: int | None
    latest: int | None
    lost: int
    after: int
    after_instruments: int
    before_dose: Dose
    after_dose: Dose
    advice: Advice

    @property
    def exposures(self) -> int | None:
        """Films up to the first square one; None where none is."""
        return None if self.first_square is None else self.first_square + 1

    @property
    def exposures_range(self) -> tuple[int | None, int | None]:
        """(least, most) films up to the first square one; None: none is, as far as is known."""
        low, high = self.earliest, self.latest
        return (None if low is None else low + 1, None if high is None else high + 1)

    @property
    def recognised(self) -> bool | None:
        """Whether the first square film was the last of its view; None where none is square."""
        return None if self.first_square is None else self.after == 0


@dataclass(frozen=True)
class Study:
    """One study.

    Attributes:
        key: its digest, or what stands for one.
        films: all readings in time order; a picture of two knees gives two.
        numbers: of each, its picture's place, from 1.
        order: by what they were ordered.
        pictures, runs: pictures (exposures), and files of more than one.
        dose: of all pictures.
        hunts: one for each view of each knee of which a film was read.
        operator: the one code that films state, `several`, or None where none does.
        day: the first that films state, YYYY-MM-DD.
        invented: the headers say that the films were made up.
    """

    key: str
    films: tuple[FilmRead, ...]
    numbers: tuple[int, ...]
    order: Order
    pictures: int
    runs: int
    dose: Dose
    hunts: tuple[Hunt, ...]
    operator: str | None
    day: str | None
    invented: bool = False


@dataclass(frozen=True)
class Total:
    """Hunts of one operator code in one period.

    Attributes:
        hunts: views of knees hunted for; `films` their films.
        first: of these, square on the first film; `reached`: that became square.
        median: films up to the first square one, among those that became square; `median_90`
            its exact 90 % interval by order statistics. None with too few.
        after: films after the first square one.
        before_dose: of films before the first square one.
        few: too few hunts to say anything about a person or a period.
    """

    operator: str
    period: str
    studies: int
    hunts: int
    films: int
    first: int
    reached: int
    median: float | None
    median_90: tuple[float, float] | None
    after: int
    before_dose: Dose
    few: bool

    @property
    def first_95(self) -> tuple[float, float]:
        """Exact 95 % interval of the share square on the first film (Clopper, Pearson 1934)."""
        from scipy.stats import binomtest

        span = binomtest(self.first, self.hunts).proportion_ci(0.95, "exact")
        return float(span.low), float(span.high)
