"""Rows: the documented keys in their order, null for what is unknown, valid by the schema."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path

import jsonschema
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from squareon_fakes import reading_of_fake

from pipeline.records.jsonl import JsonLinesWriter, dump, load_rows
from pipeline.records.rows import SUMMARY_COLUMNS, summary_row, to_dict
from pipeline.records.schema import reading_schema
from pipeline.records.table import csv_text

ROOT = Path(__file__).parents[2]
SCHEMA = ROOT / "docs/reference/reading.schema.json"

DOCUMENTED = {
    "film": [
        "source",
        "sha256",
        "frame",
        "rows",
        "columns",
        "sop_instance",
        "series_digest",
        "study_digest",
    ],
    "knee": ["index", "box"],
    "scale": ["mm_per_px_detector", "mm_per_px_knee", "rule"],
    "view": ["name", "probability"],
    "side": ["name", "probability", "from"],
    "landmarks": ["name", "x", "y", "sd_major", "sd_minor", "sd_angle_deg", "seen"],
    "alignment": [
        "rotation_deg",
        "rotation_90",
        "tilt_deg",
        "tilt_90",
        "roll_deg",
        "flexion_deg",
        "off_centre_deg",
        "square",
        "square_probability",
        "score",
        "hypotheses",
        "criteria",
    ],
    "moves": ["angle", "hypothesis", "move", "toward", "degrees", "limb", "text"],
    "proposals": [
        "target",
        "shape",
        "points",
        "radius_90_px",
        "heights_from",
        "basis",
        "status",
        "why",
    ],
    "warnings": ["name", "polygon"],
    "found": ["implant", "hardware", "instruments"],
    "refused": None,
    "cautions": None,
    "made_by": ["version", "weights", "config_sha256", "seed"],
}
"""Keys and their order as docs/explanation/conventions.md gives them, written down by hand."""


def test_keys_are_the_documented_ones_in_their_order(tmp_path: Path) -> None:
    row = to_dict(reading_of_fake(tmp_path))
    assert list(row) == list(DOCUMENTED)
    for key, inner in DOCUMENTED.items():
        if inner is not None:
            value = row[key][0] if isinstance(row[key], list) else row[key]
            assert list(value) == inner, key


def test_written_schema_is_the_generated_one() -> None:
    assert json.loads(SCHEMA.read_text()) == reading_schema()


@pytest.mark.parametrize("facts", [{}, {"view": "lateral"}, {"view": "none"}, {"scale": False}])
def test_readings_are_valid_by_the_schema(tmp_path: Path, facts: dict) -> None:
    schema = json.loads(SCHEMA.read_text())
    row = json.loads(dump(to_dict(reading_of_fake(tmp_path, **facts))))
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.validate(row, schema)
    row["film"]["extra"] = 1
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(row, schema)


@given(st.sampled_from([math.nan, math.inf, -math.inf, np.float32(np.nan), np.float64(3.25), 7.0]))
def test_no_nan_ever_reaches_a_file(number: float) -> None:
    reading = reading_of_fake()
    scale = replace(reading.scale, mm_per_px_knee=number)
    text = dump(to_dict(replace(reading, scale=scale)))
    assert "NaN" not in text
    assert "Infinity" not in text
    got = json.loads(text)["scale"]["mm_per_px_knee"]
    assert got == (float(number) if math.isfinite(number) else None)


def test_outline_stays_out_of_the_file(tmp_path: Path) -> None:
    reading = reading_of_fake(tmp_path)
    assert reading.outline
    assert "outline" not in to_dict(reading)


def test_summary_has_one_value_per_column_also_when_refused(tmp_path: Path) -> None:
    full = summary_row(to_dict(reading_of_fake(tmp_path)))
    refused = summary_row(to_dict(reading_of_fake(tmp_path, view="none")))
    assert tuple(full) == tuple(refused) == SUMMARY_COLUMNS
    assert full["rotation_deg"] == 1.0
    assert full["rotation_90_low"] < 1.0 < full["rotation_90_high"]
    assert refused["rotation_deg"] is None
    assert refused["refused"] == "no knee was found on the film"


@pytest.mark.parametrize("text", ["=1+1", "@x", "-a", "+b"])
def test_no_cell_of_text_is_a_formula(text: str) -> None:
    assert f"'{text}" in csv_text(["a"], [{"a": text}])
    assert "\n-1.5\n" in csv_text(["a"], [{"a": -1.5}])


def test_rows_of_old_content_and_doubles_are_dropped(tmp_path: Path) -> None:
    reading = reading_of_fake(tmp_path)
    writer = JsonLinesWriter()
    second_knee = replace(reading, knee=replace(reading.knee, index=1))
    writer.write(tmp_path, None, [reading, second_knee])  # type: ignore[arg-type]
    writer.write(tmp_path, None, [reading, second_knee])  # type: ignore[arg-type]
    assert [row["knee"]["index"] for row in load_rows(tmp_path)] == [0, 1]
    changed = replace(reading, film=replace(reading.film, sha256="other content"))
    writer.write(tmp_path, None, [changed])  # type: ignore[arg-type]
    writer.finish(tmp_path)
    (row,) = [json.loads(line) for line in (tmp_path / "readings.jsonl").read_text().splitlines()]
    assert row["film"]["sha256"] == "other content"
