"""A reading as plain values: the object of `readings.jsonl` and the row of `summary.csv`."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from typing import Any

from pipeline.knee.reading import PICTURES_ONLY, Reading

DECIMALS = 5

NOTICE = "proposal for human review, not for guidance"
SUMMARY_COLUMNS = (
    "source",
    "frame",
    "knee",
    "view",
    "view_probability",
    "side",
    "side_from",
    "square",
    "square_probability",
    "score",
    "rotation_deg",
    "rotation_90_low",
    "rotation_90_high",
    "tilt_deg",
    "tilt_90_low",
    "tilt_90_high",
    "roll_deg",
    "flexion_deg",
    "move",
    "proposals_shown",
    "proposals_withheld",
    "mm_per_px_knee",
    "scale_rule",
    "refused",
    "cautions",
    "notice",
)


def to_dict(reading: Reading) -> dict[str, Any]:
    """The object of `readings.jsonl`: keys in the documented order, None for what is unknown."""
    fields = dataclasses.fields(reading)
    row = {
        field.name: plain(getattr(reading, field.name))
        for field in fields
        if field.name not in PICTURES_ONLY
    }
    row["side"] = {key.rstrip("_"): value for key, value in row["side"].items()}
    return row


def plain(value: Any) -> Any:
    """What JSON can hold: dataclasses by field, numbers rounded, None for what is no number."""
    if dataclasses.is_dataclass(value):
        return {
            field.name: plain(getattr(value, field.name)) for field in dataclasses.fields(value)
        }
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [plain(item) for item in value]
    if value is None or isinstance(value, bool | str):
        return value
    if isinstance(value, int):
        return int(value)
    if hasattr(value, "tolist"):  # numpy scalars and arrays
        return plain(value.tolist())
    number = float(value)
    return round(number, DECIMALS) if math.isfinite(number) else None


def summary_row(row: Mapping[str, Any]) -> dict[str, Any]:
    """The chief numbers of one object of `readings.jsonl`, keys `SUMMARY_COLUMNS`."""
    alignment = row["alignment"] or {}
    rotation_90 = alignment.get("rotation_90") or [None, None]
    tilt_90 = alignment.get("tilt_90") or [None, None]
    status = [proposal["status"] for proposal in row["proposals"]]
    values = (
        row["film"]["source"],
        row["film"]["frame"],
        row["knee"]["index"],
        row["view"]["name"],
        row["view"]["probability"],
        row["side"]["name"],
        row["side"]["from"],
        alignment.get("square"),
        alignment.get("square_probability"),
        alignment.get("score"),
        alignment.get("rotation_deg"),
        *rotation_90,
        alignment.get("tilt_deg"),
        *tilt_90,
        alignment.get("roll_deg"),
        alignment.get("flexion_deg"),
        " / ".join(move["text"] for move in row["moves"]),
        status.count("proposal"),
        status.count("withheld"),
        row["scale"]["mm_per_px_knee"],
        row["scale"]["rule"],
        row["refused"],
        " / ".join(row["cautions"]),
        NOTICE,
    )
    return dict(zip(SUMMARY_COLUMNS, values, strict=True))
