"""What is drawn over a film: the same marks for presentation states and for pages.

Coordinates are the film's pixels, the centre of the first pixel at (0, 0)
(docs/explanation/conventions.md); each format converts at its own border.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from pipeline.knee.landmarks import BY_NAME

Kind = Literal["fixed", "contour", "outline", "target", "band", "circle", "zone"]
Array = NDArray[np.float64]


@dataclass(frozen=True)
class Mark:
    """One thing to draw.

    Attributes:
        kind: what it is; `circle` holds 90 % of a target's uncertainty.
        name: of the landmark, bone, target or zone.
        points: (N, 2) pixels, x then y; the centre alone for points and circles.
        radius: of a circle, pixels.
        doubtful: drawn dashed where the format can.
    """

    kind: Kind
    name: str
    points: Array
    radius: float = 0.0
    doubtful: bool = False


def marks_of(reading: Mapping[str, Any], outline: Mapping[str, Array] | None = None) -> list[Mark]:
    """Everything to draw of one reading (an object of `readings.jsonl`), back to front.

    Args:
        outline: the fitted knee's outline, bone to (N, 2) pixels; not part of a reading.
    """
    marks = [Mark("zone", w["name"], _xy(w["polygon"])) for w in reading["warnings"]]
    marks += [Mark("outline", bone, _xy(points)) for bone, points in (outline or {}).items()]
    for landmark in reading["landmarks"]:
        if landmark["x"] is None or landmark["y"] is None:
            continue
        name = landmark["name"]
        kind: Kind = "fixed" if name in BY_NAME and BY_NAME[name].kind == "fixed" else "contour"
        marks.append(Mark(kind, name, _xy([[landmark["x"], landmark["y"]]])))
    for proposal in reading["proposals"]:
        if proposal["status"] != "proposal" or not proposal["points"]:
            continue
        points, doubtful = _xy(proposal["points"]), bool(proposal["why"])
        kind = "band" if proposal["shape"] == "band" else "target"
        marks.append(Mark(kind, proposal["target"], points, doubtful=doubtful))
        if proposal["radius_90_px"]:
            middle, radius = points.mean(axis=0, keepdims=True), float(proposal["radius_90_px"])
            marks.append(Mark("circle", proposal["target"], middle, radius, doubtful))
    return marks


def ring(mark: Mark, corners: int = 48) -> Array:
    """(corners + 1, 2) closed polygon of a circle."""
    around = np.linspace(0.0, 2 * np.pi, corners + 1)
    return mark.points[0] + mark.radius * np.stack([np.cos(around), np.sin(around)], axis=1)


def inside(points: Array, rows: int, columns: int) -> NDArray[np.bool_]:
    """(N,) which points lie on the picture, edges of the outermost pixels included."""
    low, high = (-0.5, -0.5), (columns - 0.5, rows - 0.5)
    return np.asarray(np.all((points >= low) & (points <= high), axis=1))


def clip_line(points: Array, rows: int, columns: int) -> list[Array]:
    """The pieces of an open line that lie on the picture (Liang and Barsky 1984, from memory)."""
    pieces: list[list[Array]] = []
    low, high = np.array([-0.5, -0.5]), np.array([columns - 0.5, rows - 0.5])
    for start, end in pairwise(points):
        step = end - start
        enter, leave = 0.0, 1.0
        for axis in (0, 1):
            for room, speed in (
                (start[axis] - low[axis], -step[axis]),
                (high[axis] - start[axis], step[axis]),
            ):
                if abs(speed) < 1e-12:  # along this edge; dividing would overflow
                    leave = leave if room >= 0 else -1.0
                elif speed > 0:
                    leave = min(leave, room / speed)
                else:
                    enter = max(enter, room / speed)
        if enter > leave:
            continue
        first, last = start + enter * step, start + leave * step
        if pieces and enter == 0.0 and np.array_equal(pieces[-1][-1], start):
            pieces[-1].append(last)
        else:
            pieces.append([first, last])
    return [np.clip(np.array(piece), low, high) for piece in pieces]


def clip_polygon(points: Array, rows: int, columns: int) -> Array:
    """The part of a polygon on the picture, (N, 2) without the closing point; N may be 0.

    Sutherland and Hodgman 1974 (from memory): one edge of the picture after the other.
    """
    corners = list(points)
    for axis, limit, sign in (
        (0, -0.5, 1.0),
        (0, columns - 0.5, -1.0),
        (1, -0.5, 1.0),
        (1, rows - 0.5, -1.0),
    ):
        kept: list[Array] = []
        for before, now in zip(corners[-1:] + corners[:-1], corners, strict=True):
            was, is_ = sign * (before[axis] - limit), sign * (now[axis] - limit)
            if (was >= 0) != (is_ >= 0):
                kept.append(before + (now - before) * was / (was - is_))
            if is_ >= 0:
                kept.append(now)
        corners = kept
    return np.array(corners).reshape(-1, 2)


def _xy(points: Sequence[Sequence[float]] | Array) -> Array:
    return np.asarray(points, dtype=np.float64).reshape(-1, 2)
