"""What a person changed in a reading: sent by the page, found again between two versions.

Changes always count from the original reading, so that sending them twice does no harm and a
decision can be opened again where it was left.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal, cast

from pipeline.knee.errors import Problem
from pipeline.knee.landmarks import BY_NAME, names_of

Point = tuple[float, float]
SIDES = ("right", "left")
VIEWS = ("AP", "lateral", "other", "none")
MOST_INSTRUMENTS = 12
SAME_PX = 1e-4
"""Readings are written with five decimals: nearer places are the same place."""


@dataclass(frozen=True)
class Changes:
    """Changes of one reading against its original.

    Attributes:
        landmarks: name to the (x, y) pixels where a person put it, or None: not visible. Names
            count after `swap` and `view`.
        swap: medial and lateral exchanged.
        view, side: as a person sees them; None = as read.
        instruments: (x, y) pixels of all instrument tips; None = as read.
    """

    landmarks: Mapping[str, Point | None] = field(default_factory=dict)
    swap: bool = False
    view: Literal["AP", "lateral", "other", "none"] | None = None
    side: Literal["right", "left"] | None = None
    instruments: tuple[Point, ...] | None = None

    @property
    def none(self) -> bool:
        """Whether nothing was changed."""
        return self == Changes()

    def as_dict(self) -> dict[str, Any]:
        """Plain values for the page."""
        tips = self.instruments
        return {
            "landmarks": {n: None if p is None else list(p) for n, p in self.landmarks.items()},
            "swap": self.swap,
            "view": self.view,
            "side": self.side,
            "instruments": tips if tips is None else [list(point) for point in tips],
        }


def changes_of(value: Any) -> Changes:
    """Changes from what a page sent. Raises `Problem` for anything that cannot be meant."""
    if not isinstance(value, Mapping):
        raise _wrong("they are no object")
    unknown = set(value) - {"landmarks", "swap", "view", "side", "instruments"}
    if unknown:
        raise _wrong(f"{sorted(unknown)[0]!r} is no change")
    view, side, swap = value.get("view"), value.get("side"), value.get("swap", False)
    if view not in (None, *VIEWS) or side not in (None, *SIDES) or not isinstance(swap, bool):
        raise _wrong("view, side or swap is no valid value")
    placed = value.get("landmarks") or {}
    tips = value.get("instruments")
    if not isinstance(placed, Mapping) or not (tips is None or isinstance(tips, list)):
        raise _wrong("landmarks or instruments are no collection")
    if tips is not None and len(tips) > MOST_INSTRUMENTS:
        raise _wrong(f"more than {MOST_INSTRUMENTS} instruments")
    for name in placed:
        if name not in BY_NAME:
            raise _wrong(f"{name!r} is no landmark")
    landmarks = {n: None if p is None else _point(p) for n, p in placed.items()}
    points = None if tips is None else tuple(_point(tip) for tip in tips)
    return Changes(landmarks, swap, view, side, points)


def _point(value: Any) -> Point:
    good = isinstance(value, list | tuple) and len(value) == 2
    if not good or any(isinstance(v, bool) or not isinstance(v, int | float) for v in value):
        raise _wrong("a place is not two numbers")
    x, y = float(value[0]), float(value[1])
    if not (math.isfinite(x) and math.isfinite(y) and max(abs(x), abs(y)) < 1e6):
        raise _wrong("a place is not two ordinary numbers")
    return round(x, 5), round(y, 5)


def _wrong(what: str) -> Problem:
    return Problem("changes", what, "load the page again")


def swapped_name(name: str) -> str:
    """The landmark on the knee's other side; the same one where it has no twin."""
    words = name.split("_")
    turned = {"medial": "lateral", "lateral": "medial"}
    other = "_".join(turned.get(word, word) for word in words)
    return other if other in BY_NAME else name


def changes_between(original: Mapping[str, Any], current: Mapping[str, Any]) -> Changes:
    """The changes that lead from one object of `readings.jsonl` to a later version of it."""
    view = current["view"]["name"]
    side = current["side"]["name"]
    new_view = None if view == original["view"]["name"] else view
    before = _places(original)
    now = _places(current)
    swap = False
    if new_view is None and view == "lateral":
        swap = _agreeing(before, now, swap=True) > _agreeing(before, now, swap=False)
    elif new_view is None and view == "AP":
        swap = _facing(before) * _facing(now) < 0
    moved: dict[str, Point | None] = {}
    for name, place in now.items():
        old = before.get(swapped_name(name) if swap else name)
        if new_view is not None or (swap and view == "AP"):
            # The film was looked at anew there: all that stands in it was settled by a person.
            moved[name] = place
        elif not _same(old, place):
            moved[name] = place
    tips = _tips(current)
    as_read = _tips(original)
    kept = len(tips) == len(as_read) and all(map(_same, tips, as_read))
    return Changes(
        landmarks=moved,
        swap=swap,
        view=cast(Any, new_view),
        side=cast(Any, None if side == original["side"]["name"] else side),
        instruments=None if kept else tips,
    )


def _tips(row: Mapping[str, Any]) -> tuple[Point, ...]:
    return tuple(_point(each["tip"]) for each in row["found"]["instruments"])


def _places(row: Mapping[str, Any]) -> dict[str, Point | None]:
    """Name to place; None where not seen. Every name of the view is there."""
    view = row["view"]["name"]
    names = names_of(view) if view in ("AP", "lateral") else ()
    found: dict[str, Point | None] = dict.fromkeys(names)
    for each in row["landmarks"]:
        if each["seen"] and each["x"] is not None:
            found[each["name"]] = (each["x"], each["y"])
    return found


def _same(one: Point | None, other: Point | None) -> bool:
    if one is None or other is None:
        return one is other
    return max(abs(one[0] - other[0]), abs(one[1] - other[1])) < SAME_PX


def _agreeing(
    before: Mapping[str, Point | None], now: Mapping[str, Point | None], swap: bool
) -> int:
    """How many paired landmarks lie where they lay, read straight or exchanged."""
    count = 0
    for name, place in now.items():
        other = swapped_name(name)
        if place is not None and other != name:
            count += _same(before.get(other if swap else name), place)
    return count


def _facing(places: Mapping[str, Point | None]) -> float:
    """Mean x of the lateral landmarks less that of their medial twins, pixels."""
    steps = []
    for name, place in places.items():
        other = places.get(swapped_name(name))
        if name.startswith("medial_") and place is not None and other is not None:
            steps.append(other[0] - place[0])
    return sum(steps) / len(steps) if steps else 0.0
