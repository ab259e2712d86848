"""Footprints of a lesion for the page: asked for, drawn, never stored.

What a reviewer sets here is a way of looking, no change of the reading: a decision does not hold
it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.knee.errors import Problem
from pipeline.knee.film import Film
from pipeline.knee.reading import Reading
from pipeline.propose.lesion import ELEVATION_DEG, KINDS, Lesion
from pipeline.records.footprint import (
    LOOKING_BACK,
    NO_SCALE,
    about,
    footprints_of,
    sentences,
)
from pipeline.registry import check_options


def kinds() -> list[dict[str, Any]]:
    """The kinds of lesion with their usual ranges, for the page's fields."""
    return [
        {
            "kind": name,
            "width_mm": list(sizes.width_mm),
            "length_mm": list(sizes.length_mm),
            "projection_mm": list(sizes.projection_mm),
            "elevation_deg": {view: list(usual) for view, usual in ELEVATION_DEG.items()},
            "source": sizes.source,
        }
        for name, sizes in KINDS.items()
    ]


def lesion_of(value: Mapping[str, Any]) -> Lesion:
    """A lesion from what a page sent. Raises `Problem` for what cannot be meant."""
    return Lesion(**check_options(Lesion, value, "lesion"))


def footprints_told(
    film: Film, reading: Reading, lesion: Lesion, behind: Mapping[str, Any]
) -> dict[str, Any]:
    """Footprints at the tips of `reading`, as plain values.

    Args:
        behind: tip's number, from 0, to [x, y] on its shaft behind the tip, where a person marked
            one.
    """
    tips = [np.asarray(each.tip) for each in reading.found.instruments]
    ahead = {}
    for key, place in behind.items():
        number = int(key) if key.isdecimal() else -1
        if not 0 <= number < len(tips):
            raise Problem("behind", f"there is no tip {key}", "load the page again")
        ahead[number] = _direction(tips[number], place)
    found = footprints_of(film, reading, lesion, ahead)
    view = reading.view.name
    return {
        "caution": LOOKING_BACK,
        "why": None if found or not tips else _why(reading),
        "about": about(lesion, view) if view in ELEVATION_DEG else [],
        "shapes": [
            {
                "outer": np.round(one.outer, 2).tolist(),
                "inner": np.round(one.inner, 2).tolist(),
                "ahead": None if one.ahead is None else np.round(one.ahead, 4).tolist(),
                "marked": i in ahead,
                "words": sentences(i + 1, one),
            }
            for i, one in enumerate(found)
        ],
    }


def _why(reading: Reading) -> str:
    if reading.view.name not in ELEVATION_DEG:
        return "footprints are drawn on AP and lateral films only"
    return NO_SCALE


def _direction(tip: NDArray[np.float64], place: Any) -> NDArray[np.float64]:
    good = isinstance(place, list | tuple) and len(place) == 2
    if not good or any(isinstance(v, bool) or not isinstance(v, int | float) for v in place):
        raise Problem("behind", "a place is not two numbers", "load the page again")
    step = tip - np.asarray(place, dtype=np.float64)
    length = float(np.linalg.norm(step))
    if not math.isfinite(length) or length < 1.0:
        raise Problem(
            "direction", "that is the tip itself", "mark a point of the shaft farther behind it"
        )
    return step / length
