"""Tables for researchers say who accepted what, and keep proposed and reviewed apart."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import jsonschema
import pytest
from export_cases import film_dataset, moved, reading_of, record, save

from pipeline.knee.landmarks import names_of
from pipeline.records.export.tables import coco_of, write_coco, write_tables
from pipeline.records.schema import reading_schema


@pytest.fixture
def reading(tmp_path: Path) -> dict:
    return reading_of(save(film_dataset(), tmp_path / "film.dcm"), full=True, view="AP")


def rows_of(folder: Path) -> list[dict[str, str]]:
    with open(folder / "readings.csv", encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_one_row_a_knee_with_state_reviewer_and_both_angles(reading: dict, tmp_path: Path) -> None:
    final = moved(reading, "notch_apex", (4.0, 0.0))
    final["alignment"]["rotation_deg"] = 6.5
    write_tables(tmp_path, [record(reading, "changed", current=final), record(reading, "proposed")])
    changed, proposed = rows_of(tmp_path)
    assert (changed["state"], changed["reviewer"], changed["mark"]) == (
        "changed",
        "Example Reviewer A",
        "",
    )
    assert float(changed["rotation_deg"]) == 6.5
    assert float(changed["original_rotation_deg"]) == reading["alignment"]["rotation_deg"]
    assert changed["landmarks_moved"] == "notch_apex"
    assert proposed["mark"] == "UNREVIEWED"
    assert all("Not for guidance" in row["notice"] for row in (changed, proposed))


def test_a_formula_in_a_name_is_harmless(reading: dict, tmp_path: Path) -> None:
    write_tables(tmp_path, [record(reading, "accepted", reviewer="=cmd()")])
    assert rows_of(tmp_path)[0]["reviewer"] == "'=cmd()"


def test_json_lines_hold_both_readings(reading: dict, tmp_path: Path) -> None:
    final = moved(reading, "notch_apex", (4.0, 0.0))
    records = [record(reading, "changed", current=final), record(reading, "rejected")]
    write_tables(tmp_path, records)
    first, second = (
        json.loads(line) for line in (tmp_path / "readings.jsonl").read_text().splitlines()
    )
    assert first["original"] == reading
    assert first["reviewed"] == final
    assert second["reviewed"] is None  # rejected: nothing was accepted
    assert second["review"]["mark"] == "UNREVIEWED, REJECTED"
    for each in (first["original"], first["reviewed"]):
        jsonschema.validate(each, reading_schema())


def test_coco_keypoints(reading: dict, tmp_path: Path) -> None:
    reading["landmarks"][2] |= {"x": None, "y": None, "seen": False}
    lateral = reading_of(Path(reading["film"]["source"]), full=True, view="lateral")
    other = reading_of(Path(reading["film"]["source"]), view="other", header={"view": "other"})
    write_coco(tmp_path / "coco.json", [record(reading), record(lateral), record(other)])
    coco = json.loads((tmp_path / "coco.json").read_text())
    assert [category["keypoints"] for category in coco["categories"]] == [
        list(names_of("AP")),
        list(names_of("lateral")),
    ]
    (image,) = coco["images"]  # both knees on one film
    assert (image["width"], image["height"]) == (
        reading["film"]["columns"],
        reading["film"]["rows"],
    )
    first, second = coco["annotations"]
    assert (first["category_id"], second["category_id"]) == (1, 2)
    assert {first["image_id"], second["image_id"]} == {image["id"]}
    triples = list(zip(*[iter(first["keypoints"])] * 3, strict=True))
    assert len(triples) == len(names_of("AP"))
    assert triples[2] == (0, 0, 0)
    assert first["num_keypoints"] == len(triples) - 1
    for name, triple in zip(names_of("AP"), triples, strict=True):
        mark = next(m for m in reading["landmarks"] if m["name"] == name)
        if mark["x"] is not None:
            assert triple == (mark["x"], mark["y"], 2)
    x0, y0, x1, y1 = reading["knee"]["box"]
    assert first["bbox"] == [x0, y0, x1 - x0, y1 - y0]
    assert first["area"] == pytest.approx((x1 - x0) * (y1 - y0))
    assert len({each["id"] for each in coco["annotations"]}) == 2


def test_coco_of_nothing_is_valid() -> None:
    assert coco_of([])["annotations"] == []
