"""A round: one learner with one exercise, from the first film to the last word."""

from __future__ import annotations

import secrets
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from pipeline.contracts import Aim, Patient
from pipeline.knee.angles import ANGLES
from pipeline.knee.errors import Problem
from pipeline.knee.film import Film
from pipeline.knee.truth import KneeTruth
from pipeline.language import mark
from pipeline.practise.exercise import Exercise, Rules, code_of
from pipeline.practise.table import Moves, Stand, aim_of, base_aim, first_stand, needed
from pipeline.records.deep import FULL

OFF_MM = 10.0
"""From here on the knee counts as off centre: a design choice, 0.8 degrees at a C-arm."""

SAID = ("plus", "minus", "fine")
Ending = Literal["square", "stopped", "time", "films"]
Clock = Callable[[], float]


@dataclass(frozen=True)
class Answer:
    """What a learner says of a film: per angle `plus`, `minus` or `fine`, None = not said."""

    rotation: str | None = None
    tilt: str | None = None
    centring: str | None = None

    @property
    def said(self) -> bool:
        """Whether anything was said."""
        return self != Answer()


def answer_of(value: Any) -> Answer:
    """An answer from what a page sent. Raises `Problem` for anything that cannot be meant."""
    if not isinstance(value, Mapping) or set(value) - {"rotation", "tilt", "centring"}:
        raise Problem("answer", "it is no answer", "load the page again")
    for name, said in value.items():
        known = ("off", "fine") if name == "centring" else SAID
        if said is not None and said not in known:
            raise Problem("answer", f"{name} cannot be {said!r}", f"say {', '.join(known)}")
    return Answer(**value)


@dataclass
class Exposure:
    """One film of a round.

    Attributes:
        number: from 0.
        stand, aim, truth: how it was taken, what is true.
        film: what it shows; None once the next one is taken, which nobody needs again.
        answer: what the learner said of it; None so far.
        moves: what was done after it; None so far.
    """

    number: int
    stand: Stand
    aim: Aim
    truth: KneeTruth
    film: Film | None
    answer: Answer | None = None
    moves: Moves | None = None


def judged(answer: Answer, exposure: Exposure, tolerance_deg: float) -> dict[str, dict[str, Any]]:
    """Per thing asked: what was said, what is true, and whether it counts as right.

    An angle within the tolerance is fine; its direction also counts as right from half of it.
    """
    found: dict[str, dict[str, Any]] = {}
    for name in ANGLES:
        said, value = getattr(answer, name), float(getattr(exposure.truth, f"{name}_deg"))
        side = "plus" if value > 0 else "minus"
        true = side if abs(value) > tolerance_deg else "fine"
        right = said == true or (said == side and abs(value) > tolerance_deg / 2)
        found[name] = {"said": said, "true": true, "right": None if said is None else right}
    true = "off" if off_centre(exposure) > OFF_MM else "fine"
    said = answer.centring
    found["centring"] = {
        "said": said,
        "true": true,
        "right": None if said is None else said == true,
    }
    return found


def off_centre(exposure: Exposure) -> float:
    """mm from the knee's middle to the central ray, at the knee."""
    return float(np.hypot(*exposure.aim.off_centre_mm))


def is_square(exposure: Exposure, tolerance_deg: float) -> bool:
    """Whether both angles truly lie within the tolerance."""
    truth = exposure.truth
    return max(abs(truth.rotation_deg), abs(truth.tilt_deg)) <= tolerance_deg


@dataclass
class Round:
    """A round being played, or over.

    Attributes:
        learner: a name of the learner's choosing.
        exercise, rules, patient: what is played.
        timed: whether the clock runs.
        group: title of the teacher's set it belongs to, or "".
        clock: seconds, for tests.
        kept: whether it stands in the book.
    """

    learner: str
    exercise: Exercise
    rules: Rules
    patient: Patient
    timed: bool = False
    group: str = ""
    clock: Clock = time.monotonic
    id: str = field(default_factory=lambda: secrets.token_urlsafe(9))
    exposures: list[Exposure] = field(default_factory=list)
    wrong_claims: int = 0
    ended: Ending | None = None
    began: float | None = None
    over: float | None = None
    kept: bool = False

    @property
    def last(self) -> Exposure:
        """The newest film."""
        return self.exposures[-1]

    @property
    def seconds_left(self) -> float | None:
        """Of the clock; None where none runs."""
        if not self.timed or self.rules.seconds is None:
            return None
        spent = 0.0 if self.began is None else self.clock() - self.began
        return max(0.0, self.rules.seconds - spent)

    def start(self) -> Exposure:
        """Takes the first film."""
        exposure = self._take(first_stand(self.patient, self.exercise))
        self.began = self.clock()
        return exposure

    def expose(self, answer: Answer, moves: Moves) -> Exposure:
        """Notes what was said and done, and takes the next film. Raises `Problem` when over."""
        self._playing()
        if len(self.exposures) >= self.rules.most:
            what = mark("all films are taken")
            raise Problem(mark("exercise"), what, mark("say whether the last one is square"))
        before = self.last
        exposure = self._take(before.stand.after(moves))
        before.answer, before.moves, before.film = answer, moves, None
        return exposure

    def claim(self, answer: Answer) -> bool:
        """The learner says that the last film is square; whether it is. Ends the round if so."""
        self._playing()
        self.last.answer = answer
        if is_square(self.last, self.rules.tolerance_deg):
            self._end("square")
            return True
        self.wrong_claims += 1
        if len(self.exposures) >= self.rules.most:
            self._end("films")
        return False

    def stop(self, ending: Ending = "stopped") -> None:
        """Ends the round unsolved."""
        if self.ended is None:
            self._end(ending)

    def may_explain(self, number: int) -> bool:
        """Whether a film may be explained by now."""
        if not 0 <= number < len(self.exposures):
            return False
        if self.ended is not None or self.rules.explain == "at once":
            return True
        return self.rules.explain == "after each film" and self.chosen(number)

    def chosen(self, number: int) -> bool:
        """Whether the learner has chosen what to do about a film."""
        return self.ended is not None or number < len(self.exposures) - 1

    @property
    def fewest(self) -> int:
        """Films that cannot be done without."""
        return 1 if is_square(self.exposures[0], self.rules.tolerance_deg) else 2

    def record(self) -> dict[str, Any]:
        """What is kept of a round that is over."""
        right, asked = 0, 0
        for exposure in self.exposures:
            if exposure.answer is not None:
                marks = judged(exposure.answer, exposure, self.rules.tolerance_deg).values()
                asked += sum(mark["right"] is not None for mark in marks)
                right += sum(mark["right"] is True for mark in marks)
        timed = self.timed and self.rules.seconds is not None
        spent = None if self.began is None or self.over is None else self.over - self.began
        return {
            "learner": self.learner,
            "code": code_of(self.exercise),
            "group": self.group,
            "level": self.exercise.level,
            "view": self.exercise.view,
            "tolerance_deg": self.rules.tolerance_deg,
            "films": len(self.exposures),
            "fewest": self.fewest,
            "ended": self.ended,
            "solved": self.ended == "square",
            "wrong_claims": self.wrong_claims,
            "named_right": right,
            "named": asked,
            "seconds": round(spent, 1) if timed and spent is not None else None,
            "angles": [
                [round(e.truth.rotation_deg, 2), round(e.truth.tilt_deg, 2)] for e in self.exposures
            ],
        }

    def needed(self, exposure: Exposure) -> Moves:
        """The beam's moves that would have made the next film square and centred."""
        return needed(exposure.stand, self.patient, self.exercise)

    def had_it_been(self, number: int, moves: Moves, *, centred: bool = False) -> dict[str, Any]:
        """Angles of the film that other moves would have led to after a film, and if it is square.

        `centred`: the knee brought into the central ray as well.
        """
        before = self.exposures[number].stand
        if centred:
            moves = replace(moves, across=before.off_centre_mm[0], along=before.off_centre_mm[1])
        truth = self.patient.truth(aim_of(before.after(moves), self.exercise))
        worst = max(abs(truth.rotation_deg), abs(truth.tilt_deg))
        return {
            "rotation_deg": truth.rotation_deg,
            "tilt_deg": truth.tilt_deg,
            "square": worst <= self.rules.tolerance_deg,
        }

    def square_direction(self) -> NDArray[np.float64]:
        """(3,) unit vector toward the near end along the ray of a square film, knee's axes."""
        centred = replace(base_aim(self.exercise), off_centre_mm=(0.0, 0.0))
        camera = self.patient.camera(self.patient.aimed(centred, 0.0, 0.0))
        ray = camera.ray(self.patient.frames.femur.origin)
        return -ray if centred.source_at_near_end else ray

    def _playing(self) -> None:
        if self.ended is not None:
            raise Problem(mark("exercise"), mark("it is over"), mark("begin another one"))
        if self.seconds_left == 0.0:
            self._end("time")
            do = mark("begin another one, or without the clock")
            raise Problem(mark("exercise"), mark("the time is up"), do)

    def _take(self, stand: Stand) -> Exposure:
        number = len(self.exposures)
        aim = aim_of(stand, self.exercise)
        film = self.patient.film(aim, number)
        exposure = Exposure(number, stand, aim, self.patient.truth(aim), film)
        self.exposures.append(exposure)
        return exposure

    def _end(self, ending: Ending) -> None:
        self.ended, self.over = ending, self.clock()


# ---- pixels for the page -----------------------------------------------------------------------

NOTE = mark("INVENTED FILM - for practice only, never for guidance")
"""Plain letters only, in every language: the font of the films has no others."""


@lru_cache(maxsize=4)
def _note(note: str, columns: int) -> NDArray[np.float32]:
    """`note` as white on black, 0 to 1, for a film so many pixels wide."""
    import cv2

    font, size = cv2.FONT_HERSHEY_SIMPLEX, columns / 1500.0
    (width, height), _ = cv2.getTextSize(note, font, size, 1)
    strip = np.zeros((2 * height + 2, min(width + 2 * height, columns)), np.uint8)
    cv2.putText(strip, note, (height, height + height // 2), font, size, 255, 1, cv2.LINE_AA)
    return strip.astype(np.float32) / np.float32(255.0)


def levels_of(film: Film, note: str = NOTE) -> NDArray[np.uint16]:
    """(rows, columns) grey levels 0 to 65535 of the film, with `note` written along its foot."""
    levels = np.rint(film.pixels * np.float32(FULL)).astype("<u2")
    strip = _note(note, levels.shape[1])
    foot = levels[-strip.shape[0] :, : strip.shape[1]]
    foot[:] = (foot / 3.0) * (1.0 - strip) + 0.92 * FULL * strip
    return levels
