"""A limb on the table and a beam: what each move does to how they stand to one another.

Directions are in the table's axes of `pipeline.align.beam`: up, long (toward the head), lateral
of the knee. A move's number is positive where it takes a positive angle (or a positive distance
from the central ray) away, by docs/explanation/conventions.md. The beam turns about the middle
of the knee; limb moves turn the whole limb about it, as one piece.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.align.beam import assumed_lie, femur_axes, turned, turns_between
from pipeline.align.moves import Turn, turn_of
from pipeline.contracts import Aim, Patient
from pipeline.knee.angles import ANGLES
from pipeline.knee.errors import Problem
from pipeline.language import Speech, mark
from pipeline.practise.exercise import Exercise

Array = NDArray[np.float64]

MOST_TURN_DEG, MOST_SHIFT_MM = 40.0, 80.0


@dataclass(frozen=True)
class Moves:
    """What is done between two films, in this order.

    Attributes:
        limb_turn, limb_other: degrees; the limb turned about its length, and raised at the heel
            (AP) or swung (lateral).
        orbital, other: degrees; the beam's orbital turn, then its tilt (AP) or wig-wag (lateral).
        across, along: mm at the knee; the central ray brought toward lateral (AP) or anterior
            (lateral film), and toward the head.
    """

    limb_turn: float = 0.0
    limb_other: float = 0.0
    orbital: float = 0.0
    other: float = 0.0
    across: float = 0.0
    along: float = 0.0

    @property
    def none(self) -> bool:
        """Whether nothing is done."""
        return self == Moves()

    def as_dict(self) -> dict[str, float]:
        """Plain values."""
        return {each.name: getattr(self, each.name) for each in fields(self)}


NAMES = tuple(each.name for each in fields(Moves))
SHIFTS = ("across", "along")


def moves_of(value: Any) -> Moves:
    """Moves from what a page sent. Raises `Problem` for anything that cannot be meant."""
    if not isinstance(value, Mapping):
        raise Problem("moves", "they are no object", "load the page again")
    for name, number in value.items():
        if name not in NAMES:
            raise Problem("moves", f"{name!r} is no move", f"choose among {', '.join(NAMES)}")
        most, unit = (MOST_SHIFT_MM, "mm") if name in SHIFTS else (MOST_TURN_DEG, "degrees")
        good = isinstance(number, int | float) and not isinstance(number, bool)
        if not good or not abs(number) <= most:
            what = f"{name} is no number of {unit} up to {most:g}"
            raise Problem("moves", what, f"give one from {-most:g} to {most:g}")
    return Moves(**{name: float(number) for name, number in value.items()})


@dataclass(frozen=True)
class Stand:
    """How limb and beam stand.

    Attributes:
        view: AP or lateral.
        limb: (3, 3) the femur's X_f, Y_f, Z_f in the table's axes, one a row.
        beam: (3,) the central ray's direction toward the near end, in the table's axes.
        off_centre_mm: as in `Aim`.
    """

    view: str
    limb: Array
    beam: Array
    off_centre_mm: tuple[float, float]

    def toward(self) -> tuple[float, float, float]:
        """The beam's direction in the femur's axes."""
        x, y, z = self.limb @ self.beam
        return float(x), float(y), float(z)

    def after(self, moves: Moves) -> Stand:
        """How they stand once the moves are made."""

        def limb(orbital: float, other: float, axes: Array) -> Array:
            # What the beam's turn would do to the angles, a turn of the limb the other way does.
            return np.stack([turned(self.view, axis, -orbital, -other) for axis in axes])

        axes = limb(moves.limb_turn, 0.0, self.limb)
        axes = limb(0.0, moves.limb_other, axes)
        return replace(
            self,
            limb=axes,
            beam=turned(self.view, self.beam, moves.orbital, moves.other),
            off_centre_mm=(
                self.off_centre_mm[0] - moves.across,
                self.off_centre_mm[1] - moves.along,
            ),
        )


def base_aim(exercise: Exercise) -> Aim:
    """Distances and field; a C-arm's receptor and a Bucky's tube stand at the near end.

    Common practice, no source: C-arm 1000 mm with the knee 260 mm from the receptor, radiography
    1150 mm with the knee 80 mm from it.
    """
    c_arm = exercise.style == "c_arm"
    return Aim(
        view=exercise.view,
        toward=(1.0, 0.0, 0.0) if exercise.view == "AP" else (0.0, 0.0, 1.0),
        off_centre_mm=exercise.off_centre_mm,
        sid_mm=1000.0 if c_arm else 1150.0,
        sod_mm=740.0 if c_arm else 1070.0,
        source_at_near_end=not c_arm,
        field_mm=190.0 if c_arm else 230.0,
    )


def first_stand(patient: Patient, exercise: Exercise) -> Stand:
    """The limb lies as its flexion tips it; the beam is off by what the exercise says."""
    limb = np.stack(femur_axes(assumed_lie(float(max(exercise.flexion_deg, 0)))))
    centred = replace(base_aim(exercise), off_centre_mm=(0.0, 0.0))
    aim = patient.aimed(centred, exercise.rotation_deg, exercise.tilt_deg)
    return Stand(exercise.view, limb, limb.T @ np.array(aim.toward), exercise.off_centre_mm)


def aim_of(stand: Stand, exercise: Exercise) -> Aim:
    """The aim of a film taken now."""
    return replace(base_aim(exercise), toward=stand.toward(), off_centre_mm=stand.off_centre_mm)


def needed(stand: Stand, patient: Patient, exercise: Exercise) -> Moves:
    """The beam's moves that make the film square and centred, exactly."""
    goal = patient.aimed(replace(base_aim(exercise), off_centre_mm=(0.0, 0.0)), 0.0, 0.0)
    orbital, other = turns_between(stand.view, stand.beam, stand.limb.T @ np.array(goal.toward))
    across, along = stand.off_centre_mm
    return Moves(orbital=orbital, other=other, across=across, along=along)


# ---- words -------------------------------------------------------------------------------------

CENTRING = {
    "AP": (
        (mark("ray toward lateral"), mark("ray toward medial")),
        (mark("ray toward the head"), mark("ray toward the feet")),
    ),
    "lateral": (
        (mark("ray toward the front"), mark("ray toward the back")),
        (mark("ray toward the head"), mark("ray toward the feet")),
    ),
}
LIMB = {
    "AP": (
        (mark("turn"), mark("turn the limb"), mark("outward"), mark("inward")),
        (
            *(mark("raise"), mark("raise the limb")),
            *(mark("the heel up"), mark("the knee up, on a bolster")),
        ),
    ),
    "lateral": (
        (mark("turn"), mark("turn the limb"), mark("inward"), mark("outward")),
        (
            *(mark("swing"), mark("swing the limb")),
            *(mark("the foot outward"), mark("the foot inward")),
        ),
    ),
}
"""Per view and move: its title, the same in full, and both directions, positive first; as the
conventions have them. A whole limb is turned, its bend is not changed."""


def choices(t: Speech, view: str) -> list[dict[str, str]]:
    """The moves to choose from, each with its two directions in words, positive first.

    `title` stands beside what it moves, `what` alone.
    """
    found = []
    for name, angle in zip(("orbital", "other"), ANGLES, strict=True):
        plus, minus = turn_of(view, angle, 1.0), turn_of(view, angle, -1.0)
        title = t(plus.move)
        words = {"title": title, "what": title, "plus": _end(t, plus), "minus": _end(t, minus)}
        found.append({"name": name, "group": "beam", **words, "unit": "degrees"})
    for name, (title, what, more, less) in zip(
        ("limb_turn", "limb_other"), LIMB[view], strict=True
    ):
        words = {"title": t(title), "what": t(what), "plus": t(more), "minus": t(less)}
        found.append({"name": name, "group": "limb", **words, "unit": "degrees"})
    titles = mark("across"), mark("along")
    for name, title, (more, less) in zip(SHIFTS, titles, CENTRING[view], strict=True):
        words = {"title": t(title), "what": t(title), "plus": t(more), "minus": t(less)}
        found.append({"name": name, "group": "centring", **words, "unit": "mm"})
    return found


def _end(t: Speech, turn: Turn) -> str:
    end, toward = t.within("end", turn.end), t.within("toward", turn.toward)
    return t("{end} end toward {toward}", end=end, toward=toward)
