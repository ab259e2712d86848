"""Truth of labelled films in plain form: one JSON object a film, and COCO keypoints.

The fields are those of docs/reference/dataset.md.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.knee.landmarks import names_of
from pipeline.knee.truth import KneeTruth, LabelledFilm

PLACES = 4
"""Decimals kept of pixels and degrees: far below what a film shows, and alike everywhere."""

Row = Mapping[str, Any]


def film_row(labelled: LabelledFilm, *, index: int, seed: int, file: str) -> dict[str, Any]:
    """The truth of one film as plain values; `file` is its name inside the shard."""
    film = labelled.film
    return {
        "index": index,
        "seed": seed,
        "file": file,
        "rows": film.rows,
        "columns": film.columns,
        "pixels_sha256": film.sha256,
        "mm_per_px_detector": _number(film.scale.mm_per_px_detector),
        "mm_per_px_knee": _number(film.scale.mm_per_px_knee),
        "header": {key: _plain(value) for key, value in vars(film.header).items()},
        "knees": [_knee(knee) for knee in labelled.knees],
    }


def _knee(knee: KneeTruth) -> dict[str, Any]:
    return {
        "view": knee.view,
        "side": knee.side,
        "lateral_to_right": bool(knee.lateral_to_right),
        "rotation_deg": _number(knee.rotation_deg),
        "tilt_deg": _number(knee.tilt_deg),
        "roll_deg": _number(knee.roll_deg),
        "flexion_deg": _number(knee.flexion_deg),
        "off_centre_deg": _pair(knee.off_centre_deg),
        "width_px": _number(knee.width_px),
        "width_mm": _number(knee.width_mm),
        "mm_per_px_knee": _number(knee.mm_per_px_knee),
        "centre": _pair(knee.centre),
        "up": _pair(knee.up),
        "landmarks": {
            name: {"xy": _pair(xy), "normal": _pair(normal), "seen": bool(seen)}
            for name, xy, normal, seen in zip(
                knee.names, knee.xy, knee.normal, knee.seen, strict=True
            )
        },
        "instrument_tips": [_pair(tip) for tip in knee.tips],
        "instruments": [
            {
                "mm": _pair(mm),
                "bone": bone,
                "depth_percent": _number(depth),
                "depth_shown_percent": _number(shown),
                "ahead_shown": _pair(ahead),
                "elevation_deg": _number(rise),
            }
            for mm, bone, depth, shown, ahead, rise in zip(
                knee.tips_truth.mm,
                knee.tips_truth.bones,
                knee.tips_truth.depth,
                knee.tips_truth.depth_shown,
                knee.tips_truth.ahead_shown,
                knee.tips_truth.elevation_deg,
                strict=True,
            )
        ],
        "found": {name: float(share) for name, share in sorted(knee.found.items())},
        "facts": {name: _plain(value) for name, value in sorted(knee.facts.items())},
    }


def _number(value: float | None) -> float | None:
    return None if value is None or not np.isfinite(value) else round(float(value), PLACES)


def _pair(values: Iterable[float]) -> list[float | None]:
    return [_number(value) for value in values]


def _plain(value: Any) -> Any:
    if value is None or isinstance(value, str | bool):
        return value
    if isinstance(value, tuple | list | np.ndarray):
        return [_plain(item) for item in value]
    return _number(value)


def line_of(row: Row) -> str:
    """One line of JSON, plain ASCII; refuses NaN."""
    return json.dumps(row, allow_nan=False, separators=(",", ":"))


# ---- COCO keypoints -----------------------------------------------------------------------------

CATEGORIES = ({"id": 1, "name": "knee, AP"}, {"id": 2, "name": "knee, lateral"})
_CATEGORY = {"AP": 1, "lateral": 2}
MARGIN = 0.06
"""By how much a box stands out beyond the seen landmarks, as a share of its longer side."""


def coco(rows: Iterable[Row]) -> dict[str, Any]:
    """COCO keypoints of films given by their rows; knees in another view are left out."""
    images, annotations = [], []
    for row in rows:
        if "knees" not in row:
            continue
        images.append(
            {
                "id": row["index"],
                "file_name": row["file"],
                "width": row["columns"],
                "height": row["rows"],
            }
        )
        for number, knee in enumerate(row["knees"]):
            if knee["view"] in _CATEGORY:
                # Films are numbered through all shards and hold at most two knees.
                annotations.append({"id": 2 * row["index"] + number + 1, **_annotation(row, knee)})
    return {
        "info": {"description": "Synthetic knee films; nobody was X-rayed."},
        "images": images,
        "annotations": annotations,
        "categories": [
            {
                **category,
                "supercategory": "knee",
                "keypoints": list(names_of(view)),  # type: ignore[arg-type]
                "skeleton": [],
            }
            for view, category in zip(_CATEGORY, CATEGORIES, strict=True)
        ],
    }


def _annotation(row: Row, knee: Row) -> dict[str, Any]:
    view = knee["view"]
    points: list[float] = []
    seen: list[list[float]] = []
    for name in names_of(view):
        mark = knee["landmarks"][name]
        x, y = mark["xy"]
        if x is None or y is None:
            points += [0, 0, 0]
            continue
        on_film = -0.5 <= x <= row["columns"] - 0.5 and -0.5 <= y <= row["rows"] - 0.5
        if mark["seen"]:
            seen.append([x, y])
        # 0: not on the picture; 1: there but not to be seen; 2: seen.
        points += [x, y, 2 if mark["seen"] else 1] if on_film else [0, 0, 0]
    box = _box(np.array(seen), row["columns"], row["rows"]) if seen else [0.0, 0.0, 0.0, 0.0]
    return {
        "image_id": row["index"],
        "category_id": _CATEGORY[view],
        "keypoints": points,
        "num_keypoints": sum(1 for shown in points[2::3] if shown > 0),
        "bbox": box,
        "area": round(box[2] * box[3], PLACES),
        "iscrowd": 0,
    }


def _box(points: NDArray[np.float64], columns: int, rows: int) -> list[float]:
    """(x, y, width, height) around the points, by edges: the first pixel begins at 0."""
    low, high = points.min(axis=0), points.max(axis=0)
    room = MARGIN * float((high - low).max())
    low = np.maximum(low + 0.5 - room, 0.0)
    high = np.minimum(high + 0.5 + room, (columns, rows))
    return [round(float(v), PLACES) for v in (*low, *np.maximum(high - low, 0.0))]
