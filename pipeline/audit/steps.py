"""What was moved between two films of one view of one knee."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.align.beam import angles, near_end, turned, turns_between
from pipeline.align.moves import lie_of, turn_of
from pipeline.align.options import AlignOptions
from pipeline.align.square import Z90
from pipeline.audit.model import FilmRead, Step, TurnMade
from pipeline.audit.positioner import TABLE_STILL_DEG, near_end_of, table_moved
from pipeline.knee.angles import ANGLES
from pipeline.language import mark

Array = NDArray[np.float64]

HEADER_HALF_DEG = 1.0
"""Half width of a header's turn: angles are often written as whole degrees, so that a difference
of two may be 1 off (design value)."""


SHARED = {"AP": 0.85, "lateral": 0.65}
"""Correlation of the errors of two readings of one knee in one view. Measured on invented hunts
(tests/audit/bench_audit.py, 1026 steps): independent errors would need 0.35 (AP) and 0.55 (lateral)
of their interval for a change, which is a correlation of 0.88 and 0.70; a little less is taken."""

SURE = 2.5758293035489004 / Z90
"""From 90 % intervals to 99 %: a header is said to be contradicted only where that is sure."""
POSSIBLE = 0.1
"""Probability from which the other naming of the condyles counts: moves are given for both then."""

ONE_ALONE = mark("only one of the two films states the positioner's angles")
TABLE_MOVED = mark(
    "the table was turned too, which not all equipment counts in the positioner's angles"
)


def step_between(
    before: FilmRead, after: FilmRead, side: str | None, options: AlignOptions
) -> Step:
    """The step from one film to the next of a knee of that side; both have angles.

    The header's turn is given as the move that was made where both films state the positioner's
    angles; else that of the change of pose.
    """
    view = after.view
    a, b = before.angles, after.angles
    read = np.array([poses(a), poses(b)])
    half = np.array([half_widths(a), half_widths(b)])
    bends = [row["flexion_deg"] for row in (a, b) if row.get("flexion_deg") is not None]
    lying = after.shot.lying_on_side
    flexion, lie, known = lie_of(float(np.mean(bends)) if bends else None, lying, options)
    change = read[1] - read[0]
    width = np.sqrt(half[0] ** 2 + half[1] ** 2 - 2 * SHARED[view] * half[0] * half[1])
    unnamed = np.array([naming_half(a), naming_half(b)])
    width = np.sqrt(width**2 + (unnamed**2).sum(axis=0))
    pose = turns_of_pose(view, read, half, unnamed, flexion, lie)
    if not known:
        # Only the angles themselves can be compared.
        pose = (-float(change[0]), -float(change[1])), (float(width[0]), float(width[1]))
    by_pose = _made(view, *pose)
    by_header, notes = _by_header(before, after, side)
    agree = None
    if by_header:
        agree = all(
            abs(one.degrees - other.degrees) <= SURE * np.hypot(one.half_width, other.half_width)
            for one, other in zip(by_pose, by_header, strict=True)
        )
    return Step(
        change=(float(change[0]), float(change[1])),
        change_half=(float(width[0]), float(width[1])),
        by_pose=by_pose,
        by_header=by_header,
        source="header" if by_header else "pose",
        agree=agree,
        degrees_known=known,
        flexion_change=bends[1] - bends[0] if len(bends) == 2 else None,
        notes=notes,
    )


def poses(alignment: Mapping[str, Any]) -> tuple[float, float]:
    """(rotation, tilt) of the likelier reading."""
    return float(alignment["rotation_deg"]), float(alignment["tilt_deg"])


def half_widths(alignment: Mapping[str, Any]) -> tuple[float, float]:
    """Half the 90 % intervals of (rotation, tilt) of the likelier reading."""
    found = (alignment.get("hypotheses") or (alignment,))[0]
    low = [0.5 * (found[f"{angle}_90"][1] - found[f"{angle}_90"][0]) for angle in ANGLES]
    return float(low[0]), float(low[1])


def naming_half(alignment: Mapping[str, Any]) -> tuple[float, float]:
    """What it adds to the half widths of (rotation, tilt) that the condyles may be the other's.

    As if normal, with the variance of the other explanation about the likelier one; nothing where
    it is hardly possible.
    """
    every = alignment.get("hypotheses") or ()
    others = [other for other in every[1:] if other["probability"] >= POSSIBLE]
    first = np.array(poses(alignment))
    variance = sum(
        (other["probability"] * (np.array(poses(other)) - first) ** 2 for other in others),
        np.zeros(2),
    )
    half = Z90 * np.sqrt(variance)
    return float(half[0]), float(half[1])


def turns_of_pose(
    view: str, read: Array, half: Array, unnamed: Array, flexion: float, lie: float
) -> tuple[tuple[float, float], tuple[float, float]]:
    """(orbital, other) degrees between two poses, and the half widths of their 90 % intervals.

    Args:
        read: (2, 2) rotation and tilt before and after; half: the half widths of each. Errors of
            one angle go together by `SHARED`, those of naming, `unnamed` (2, 2), do not; to
            first order.
    """

    def turns(values: Array) -> Array:
        ends = [near_end(view, r, t, flexion, lie) for r, t in values.reshape(2, 2)]
        return np.array(turns_between(view, ends[0], ends[1]))

    flat = read.ravel()
    middle, step = turns(flat), 0.05
    slopes = np.stack(
        [(turns(flat + step * axis) - turns(flat - step * axis)) / (2 * step) for axis in np.eye(4)]
    )
    scaled = slopes * half.ravel()[:, None]
    variance = (scaled**2).sum(axis=0) + 2 * SHARED[view] * (scaled[:2] * scaled[2:]).sum(axis=0)
    variance += ((slopes * unnamed.ravel()[:, None]) ** 2).sum(axis=0)
    width = np.sqrt(variance)
    return (float(middle[0]), float(middle[1])), (float(width[0]), float(width[1]))


def pose_after(
    view: str, pose: tuple[float, float], turn: tuple[float, float], flexion: float, lie: float
) -> tuple[float, float]:
    """(rotation, tilt) that a beam shows after (orbital, other) turns."""
    return angles(view, turned(view, near_end(view, *pose, flexion, lie), *turn), flexion, lie)


def sd_of(half: float) -> float:
    """Standard deviation of a 90 % interval's half width."""
    return half / Z90


def _made(view: str, turn: tuple[float, float], half: tuple[float, float]) -> tuple[TurnMade, ...]:
    return tuple(
        TurnMade(angle, degrees, width, turn_of(view, angle, degrees))
        for angle, degrees, width in zip(ANGLES, turn, half, strict=True)
    )


def _by_header(
    before: FilmRead, after: FilmRead, side: str | None
) -> tuple[tuple[TurnMade, ...], tuple[str, ...]]:
    """The turns of the beam by the header, and what to say about them."""
    first, second = before.shot.positioner, after.shot.positioner
    if first is None or second is None:
        return (), () if first is None and second is None else (ONE_ALONE,)
    ends = []
    for film, positioner in ((before, first), (after, second)):
        end, why = near_end_of(positioner, film.view, side)
        if end is None:
            return (), (why,)
        ends.append(end)
    moved = table_moved(first, second) > TABLE_STILL_DEG
    notes = (TABLE_MOVED,) if moved else ()
    made = _made(
        after.view, turns_between(after.view, ends[0], ends[1]), (HEADER_HALF_DEG, HEADER_HALF_DEG)
    )
    return made, notes
