"""Reviewed readings for researchers: CSV, JSON Lines, COCO keypoints."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from pipeline.knee.landmarks import View, names_of
from pipeline.records.export.record import NOTICE, Record
from pipeline.records.files import write_atomic
from pipeline.records.jsonl import dump
from pipeline.records.rows import SUMMARY_COLUMNS, summary_row
from pipeline.records.table import csv_text

REVIEW_COLUMNS = ("reading", "revision", "state", "mark", "reviewer", "at", "reason")
ORIGINAL_COLUMNS = (
    "original_square",
    "original_rotation_deg",
    "original_tilt_deg",
    "landmarks_moved",
)
COLUMNS = (*REVIEW_COLUMNS, *SUMMARY_COLUMNS[:-1], *ORIGINAL_COLUMNS, SUMMARY_COLUMNS[-1])
VIEWS: tuple[View, ...] = ("AP", "lateral")


def write_tables(folder: Path, records: Sequence[Record]) -> list[Path]:
    """`readings.csv` (one row per knee) and `readings.jsonl` (everything) under `folder`."""
    table, lines = folder / "readings.csv", folder / "readings.jsonl"
    write_atomic(table, csv_text(COLUMNS, [row_of(record) for record in records]))
    write_atomic(lines, "".join(dump(object_of(record)) + "\n" for record in records))
    return [table, lines]


def row_of(record: Record) -> dict[str, Any]:
    """One line of the table: what was decided, the current numbers, the original ones."""
    before = record.original["alignment"] or {}
    moved = [m["name"] for m in record.current["landmarks"] if record.origin(m["name"]) != KEPT]
    row = {
        **_review(record),
        **summary_row(record.current),
        "original_square": before.get("square"),
        "original_rotation_deg": before.get("rotation_deg"),
        "original_tilt_deg": before.get("tilt_deg"),
        "landmarks_moved": " ".join(moved),
        "notice": NOTICE,
    }
    return {column: row[column] for column in COLUMNS}


KEPT = "as proposed"


def object_of(record: Record) -> dict[str, Any]:
    """One line of `readings.jsonl`: `reviewed` is null unless a person has accepted it."""
    return {
        "review": _review(record),
        "original": dict(record.original),
        "reviewed": dict(record.current) if record.reviewed else None,
        "notice": NOTICE,
    }


def _review(record: Record) -> dict[str, Any]:
    values = (
        record.number,
        record.revision,
        record.state,
        record.mark,
        record.reviewer,
        record.at.isoformat(),
        record.reason,
    )
    return dict(zip(REVIEW_COLUMNS, values, strict=True))


def write_coco(path: Path, records: Sequence[Record]) -> None:
    """COCO keypoints: one picture per film and frame, one annotation per knee."""
    write_atomic(path, json.dumps(coco_of(records), indent=1, allow_nan=False) + "\n")


def coco_of(records: Sequence[Record]) -> dict[str, Any]:
    """The object of COCO's keypoint format (Lin et al. 2014, arXiv 1405.0312; layout of the
    file from memory).

    Coordinates are pixels with the centre of the first pixel at (0, 0). A keypoint's third number
    is 2 where it is marked and 0 where it is not (then x and y are 0); 1, hidden but marked, does
    not occur. A box is x, y, width, height. Keys outside COCO's own begin with `squareon_`.
    """
    images: dict[tuple[str, int], dict[str, Any]] = {}
    annotations: list[dict[str, Any]] = []
    for record in records:
        reading = record.current
        view = reading["view"]["name"]
        if view not in VIEWS:
            continue
        film = reading["film"]
        image = images.setdefault(
            (film["source"], film["frame"] or 0),
            {
                "id": len(images) + 1,
                "file_name": film["source"],
                "width": film["columns"],
                "height": film["rows"],
                "squareon_frame": film["frame"],
            },
        )
        annotations.append(_annotation(record, len(annotations) + 1, image["id"], view))
    return {
        "info": {"description": "Knee landmarks read by Squareon and reviewed", "notice": NOTICE},
        "licenses": [],
        "images": list(images.values()),
        "annotations": annotations,
        "categories": [
            {
                "id": number,
                "name": f"knee {view}",
                "supercategory": "knee",
                "keypoints": list(names_of(view)),
                "skeleton": [],
            }
            for number, view in enumerate(VIEWS, start=1)
        ],
    }


def _annotation(record: Record, number: int, image: int, view: View) -> dict[str, Any]:
    reading: Mapping[str, Any] = record.current
    at = {mark["name"]: mark for mark in reading["landmarks"]}
    keypoints: list[float] = []
    for name in names_of(view):
        mark = at.get(name)
        if mark is None or mark["x"] is None:
            keypoints += [0, 0, 0]
        else:
            keypoints += [mark["x"], mark["y"], 2]
    x0, y0, x1, y1 = reading["knee"]["box"] or (0.0, 0.0, 0.0, 0.0)
    return {
        "id": number,
        "image_id": image,
        "category_id": VIEWS.index(view) + 1,
        "keypoints": keypoints,
        "num_keypoints": keypoints[2::3].count(2),
        "bbox": [x0, y0, x1 - x0, y1 - y0],
        "area": (x1 - x0) * (y1 - y0),
        "iscrowd": 0,
        "squareon_side": reading["side"]["name"],
        "squareon_state": record.state,
        "squareon_mark": record.mark,
    }
