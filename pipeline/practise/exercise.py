"""An exercise: who lies there, how far the first film is off, and a short code that says it all."""

from __future__ import annotations

import zlib
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from pipeline.knee.errors import Problem
from pipeline.language import mark

FINDINGS = ("osteoarthritis", "arthroplasty", "osteopenia", "plate", "screws", "fabella")
"""What a virtual patient may have: plugins of the stage `finding`. The order is part of a code."""

STYLES = ("c_arm", "radiography")
SIDES = ("right", "left")
VIEWS = ("AP", "lateral")
SEEDS = 1 << 24
MOST_ROTATION, MOST_TILT, MOST_OFF, MOST_FLEXION, MOST_AP_FLEXION = 25.0, 20.0, 40.0, 90, 45
STEP_DEG, STEP_MM = 0.5, 2.0
ALPHABET = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"
"""Base 32 after D. Crockford (crockford.com/base32, from memory): without I, L, O and U."""

VERSION = 1
STOUT = 42.0
"""Body mass index of a big limb, kg/m2: a design value."""

View = Literal["AP", "lateral"]
Side = Literal["right", "left"]


@dataclass(frozen=True)
class Exercise:
    """One exercise; a code carries exactly this.

    Attributes:
        seed: of the virtual patient, below 2 to the power of 24.
        view, side: of the film that is wanted.
        style: c_arm or radiography.
        level: 1 to 5; 0 = a teacher's own.
        findings: some of `FINDINGS`.
        big_limb: whether the limb is stout.
        flexion_deg: of the knee, whole degrees; up to 45 for an AP film, which cannot be judged
            beyond.
        rotation_deg, tilt_deg: what the first film shows with the knee centred, in half degrees.
        off_centre_mm: where the knee lies from the central ray, at the knee, in steps of 2 mm:
            across (lateral on AP, anterior on a lateral film) and proximal.
    """

    seed: int
    view: View
    side: Side = "right"
    style: str = "c_arm"
    level: int = 0
    findings: tuple[str, ...] = ()
    big_limb: bool = False
    flexion_deg: int = 5
    rotation_deg: float = 0.0
    tilt_deg: float = 0.0
    off_centre_mm: tuple[float, float] = (0.0, 0.0)

    def __post_init__(self) -> None:
        if self.view not in VIEWS or self.side not in SIDES or self.style not in STYLES:
            known = f"view {VIEWS}, side {SIDES}, style {STYLES}"
            raise _wrong("view, side or style is unknown", f"choose among {known}")
        unknown = [name for name in self.findings if name not in FINDINGS]
        if unknown:
            raise _wrong(f"no finding {unknown[0]!r}", f"choose among {', '.join(FINDINGS)}")
        most_flexion = MOST_AP_FLEXION if self.view == "AP" else MOST_FLEXION
        for name, value, least, most, step in (
            ("seed", self.seed, 0, SEEDS - 1, 1),
            ("level", self.level, 0, 7, 1),
            ("flexion_deg", self.flexion_deg, 0, most_flexion, 1),
            ("rotation_deg", self.rotation_deg, -MOST_ROTATION, MOST_ROTATION, STEP_DEG),
            ("tilt_deg", self.tilt_deg, -MOST_TILT, MOST_TILT, STEP_DEG),
            ("off_centre_mm", self.off_centre_mm[0], -MOST_OFF, MOST_OFF, STEP_MM),
            ("off_centre_mm", self.off_centre_mm[1], -MOST_OFF, MOST_OFF, STEP_MM),
        ):
            if not least <= value <= most or value != round(value / step) * step:
                span = f"from {least:g} to {most:g} in steps of {step:g}"
                raise _wrong(f"{name} is {value:g}", f"give a number {span}")


def _wrong(what: str, do: str) -> Problem:
    return Problem("exercise", what, do)


# ---- codes -------------------------------------------------------------------------------------


def _fields(exercise: Exercise) -> Iterator[tuple[int, int]]:
    """(bits, value) of everything in a code, in order."""
    yield 3, VERSION
    yield 24, exercise.seed
    yield 1, VIEWS.index(exercise.view)
    yield 1, SIDES.index(exercise.side)
    yield 1, STYLES.index(exercise.style)
    yield 3, exercise.level
    for name in FINDINGS:
        yield 1, int(name in exercise.findings)
    yield 1, int(exercise.big_limb)
    yield 7, exercise.flexion_deg
    yield 7, round((exercise.rotation_deg + MOST_ROTATION) / STEP_DEG)
    yield 7, round((exercise.tilt_deg + MOST_TILT) / STEP_DEG)
    for mm in exercise.off_centre_mm:
        yield 6, round((mm + MOST_OFF) / STEP_MM)


PAYLOAD_BITS, CHECK_BITS = 73, 7


def code_of(exercise: Exercise) -> str:
    """Sixteen characters in groups of four; the last bits guard against slips of the pen."""
    number = 0
    for bits, value in _fields(exercise):
        number = number << bits | value
    number = number << CHECK_BITS | _check(number)
    plain = "".join(ALPHABET[number >> shift & 31] for shift in range(75, -1, -5))
    return "-".join(plain[at : at + 4] for at in range(0, 16, 4))


def _check(payload: int) -> int:
    return zlib.crc32(payload.to_bytes(10, "big")) & (1 << CHECK_BITS) - 1


def exercise_of(code: str) -> Exercise:
    """The exercise of a code, however it was typed. Raises `Problem` where it cannot be one."""
    plain = "".join(c for c in code.upper() if c not in " -\t\n")
    plain = plain.translate(str.maketrans("OIL", "011"))
    shown = code.strip()[:40]
    source, again = f"code {shown!r}", mark("copy it again: sixteen letters and digits")
    if len(plain) != 16 or any(c not in ALPHABET for c in plain):
        raise Problem(source, mark("is not an exercise's code"), again)
    number = 0
    for character in plain:
        number = number << 5 | ALPHABET.index(character)
    payload = number >> CHECK_BITS
    if _check(payload) != number & (1 << CHECK_BITS) - 1:
        raise Problem(source, mark("has a wrong character"), again)
    left = PAYLOAD_BITS

    def take(bits: int) -> int:
        nonlocal left
        left -= bits
        return payload >> left & (1 << bits) - 1

    if take(3) != VERSION:
        raise Problem(
            source, mark("comes from another version of the program"), mark("update the program")
        )
    seed, view, side, style, level = take(24), take(1), take(1), take(1), take(3)
    found = tuple(name for name in FINDINGS if take(1))
    big, flexion = bool(take(1)), take(7)
    rotation, tilt = take(7) * STEP_DEG - MOST_ROTATION, take(7) * STEP_DEG - MOST_TILT
    off = take(6) * STEP_MM - MOST_OFF, take(6) * STEP_MM - MOST_OFF
    try:
        return Exercise(
            seed=seed,
            view="AP" if view == 0 else "lateral",
            side="right" if side == 0 else "left",
            style=STYLES[style],
            level=level,
            findings=found,
            big_limb=big,
            flexion_deg=flexion,
            rotation_deg=rotation,
            tilt_deg=tilt,
            off_centre_mm=off,
        )
    except Problem as problem:
        raise Problem(source, problem.what, again) from None


# ---- levels ------------------------------------------------------------------------------------

EXPLAIN = ("at once", "after each film", "at the end")


@dataclass(frozen=True)
class Rules:
    """How an exercise is played.

    Attributes:
        tolerance_deg: both angles within it count as square; 5 and 2 are those of a reading.
        explain: one of `EXPLAIN`: with the film, once the next one is taken, or at the end.
        seconds: time for the exercise, None = as long as it takes.
        most: films, the first included.
    """

    tolerance_deg: float = 5.0
    explain: str = "after each film"
    seconds: int | None = None
    most: int = 8


@dataclass(frozen=True)
class Level:
    """What exercises of a level are like; all amounts are design choices.

    Attributes:
        name, about: for the learner.
        rules: how they are played.
        both: share of exercises with both angles off; the others have one.
        off_deg: (least, most) of an angle that is off.
        off_centre_mm: most along either axis.
        findings: names to draw from, and the share of patients that have one.
        big_limb: share.
        flexion: most on a lateral film, degrees; AP films at most 20.
        square: share of first films that are square already.
    """

    name: str
    about: str
    rules: Rules
    both: float
    off_deg: tuple[float, float]
    off_centre_mm: float = 0.0
    findings: tuple[tuple[str, ...], float] = ((), 0.0)
    big_limb: float = 0.0
    flexion: int = 20
    square: float = 0.0


LEVELS: dict[int, Level] = {
    1: Level(
        mark("One thing off"),
        mark(
            "One angle is off, the knee is healthy and centred. Outlines are shown with every film."
        ),
        Rules(explain="at once"),
        both=0.0,
        off_deg=(8.0, 16.0),
    ),
    2: Level(
        mark("Two things off"),
        mark("Both angles are off. Each film is explained once you have chosen your moves."),
        Rules(),
        both=0.8,
        off_deg=(6.5, 16.0),
        flexion=30,
    ),
    3: Level(
        mark("As in practice"),
        mark("The knee may lie off centre, be bent, worn or stout; some first films are square."),
        Rules(),
        both=0.7,
        off_deg=(6.0, 18.0),
        off_centre_mm=24.0,
        findings=(("osteoarthritis", "osteopenia", "fabella"), 0.5),
        big_limb=0.2,
        flexion=60,
        square=0.1,
    ),
    4: Level(
        mark("Hard knees"),
        mark("Disease, metal or a stout limb in every patient."),
        Rules(tolerance_deg=3.0),
        both=0.8,
        off_deg=(4.5, 18.0),
        off_centre_mm=30.0,
        findings=(("osteoarthritis", "arthroplasty", "plate", "screws"), 1.0),
        big_limb=0.4,
        flexion=80,
        square=0.1,
    ),
    5: Level(
        mark("On your own"),
        mark("Anything may be off; everything is explained at the end."),
        Rules(tolerance_deg=2.0, explain="at the end", seconds=180, most=6),
        both=0.8,
        off_deg=(3.5, 18.0),
        off_centre_mm=30.0,
        findings=(FINDINGS, 0.6),
        big_limb=0.3,
        flexion=80,
        square=0.15,
    ),
}


def rules_of(exercise: Exercise) -> Rules:
    """The rules of the exercise's level."""
    level = LEVELS.get(exercise.level)
    return Rules() if level is None else level.rules


def draw(number: int, rng: np.random.Generator, view: View | None = None) -> Exercise:
    """A new exercise of a level; `view` None = drawn. Raises `Problem` for an unknown level."""
    if number not in LEVELS:
        raise Problem(f"level {number}", "there is none", f"choose 1 to {max(LEVELS)}")
    level = LEVELS[number]
    chosen: View = view or ("AP" if rng.random() < 0.5 else "lateral")
    names, share = level.findings
    found = (str(rng.choice(names)),) if names and rng.random() < share else ()
    flexion = int(rng.integers(0, 21 if chosen == "AP" else level.flexion + 1))
    exercise = Exercise(
        seed=int(rng.integers(SEEDS)),
        view=chosen,
        side="right" if rng.random() < 0.5 else "left",
        style=str(rng.choice(STYLES, p=(0.7, 0.3))),
        level=number,
        findings=found,
        big_limb=bool(rng.random() < level.big_limb),
        flexion_deg=flexion,
    )
    if rng.random() < level.square:
        return exercise
    off = [bool(rng.random() < 0.5)] * 2
    off[1] = not off[0]
    if rng.random() < level.both:
        off = [True, True]
    most = (MOST_ROTATION, MOST_TILT)
    angles = [
        _on_grid(rng.choice((-1, 1)) * rng.uniform(*level.off_deg), STEP_DEG, most[k])
        if off[k]
        else 0.0
        for k in range(2)
    ]
    reach = level.off_centre_mm
    away = [_on_grid(rng.uniform(-reach, reach), STEP_MM, MOST_OFF) for _ in range(2)]
    return replace(
        exercise,
        rotation_deg=angles[0],
        tilt_deg=angles[1],
        off_centre_mm=(away[0], away[1]) if reach else (0.0, 0.0),
    )


def _on_grid(value: float, step: float, most: float) -> float:
    return float(np.clip(round(value / step) * step, -most, most))
