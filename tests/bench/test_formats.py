"""Predictions made elsewhere: what is right is read, and what is wrong is explained."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from pipeline.bench.formats import predictions_of, read_predictions, unmatched
from pipeline.bench.handout import check_file
from pipeline.knee.errors import Problem

GOOD = {"film": "a.png", "view": "AP", "landmarks": {"fibular_head": [1, 2]}}


def lines(tmp: Path, *rows: object) -> Path:
    path = tmp / "p.jsonl"
    path.write_text("".join(json.dumps(row) + "\n" for row in rows))
    return path


@pytest.mark.parametrize(
    ("change", "field", "what"),
    [
        ({"view": "ap"}, "view", "is no view"),
        ({"film": ""}, "film", "missing"),
        ({"rotation_deg": "12"}, "rotation_deg", "without the other"),
        ({"rotation_deg": "x", "tilt_deg": 1}, "rotation_deg", "no finite number"),
        ({"rotation_deg": 3e3, "tilt_deg": 1}, "rotation_deg", "does not lie between"),
        ({"rotation_deg": 1, "tilt_deg": 1, "tilt_sd": 0}, "tilt_sd", "does not lie between"),
        ({"landmarks": {"fibula_head": [1, 2]}}, "fibula_head", "no such landmark"),
        ({"landmarks": {"tibial_tuberosity": [1, 2]}}, "tibial_tuberosity", "no landmark of view"),
        ({"landmarks": {"fibular_head": [1, float("nan")]}}, "fibular_head", "two finite"),
        ({"landmarks": {"fibular_head": [1]}}, "fibular_head", "one x and one y"),
        ({"landmarks": {}}, "landmarks", "neither a landmark nor a box"),
        ({"box": [5, 5, 1, 9]}, "box", "wrong way round"),
        ({"lateral_to_right": "left"}, "lateral_to_right", "neither true nor false"),
        ({"rotatoin_deg": 4}, "rotatoin_deg", "no such field"),
        ({"hypotheses": [[1, 1, 1, 1, 0.4]], "rotation_deg": 1, "tilt_deg": 1}, "hypotheses", "1"),
        ({"tips": [[1]]}, "tips", "2 finite numbers"),
    ],
)
def test_every_fault_says_where_and_what(
    change: dict[str, object], field: str, what: str, tmp_path: Path
) -> None:
    read = read_predictions(lines(tmp_path, GOOD, {**GOOD, **change}))
    assert [fault.where for fault in read.faults] == ["line 2"] * len(read.faults)
    assert any(fault.field == field and what in fault.what for fault in read.faults), read.faults
    assert len(read.rows) == 1


def test_a_misspelt_name_meets_its_nearest(tmp_path: Path) -> None:
    row = {**GOOD, "landmarks": {"fibula_head": [1, 2]}}
    (fault, *_) = read_predictions(lines(tmp_path, row)).faults
    assert "fibular_head" in fault.do


def test_csv_with_blanks_and_marks(tmp_path: Path) -> None:
    path = tmp_path / "p.csv"
    path.write_text(
        "film,view,lateral_to_right,rotation_deg,tilt_deg,fibular_head_x,fibular_head_y\n"
        "a.png,AP,true,1.5,-2,10,20\n"
        "b.png,none,,,,,\n"
        "c.png,lateral,0,,,10,\n"
    )
    read = read_predictions(path)
    assert read.rows[0] == {
        "film": "a.png",
        "view": "AP",
        "lateral_to_right": True,
        "rotation_deg": 1.5,
        "tilt_deg": -2.0,
        "landmarks": {"fibular_head": [10.0, 20.0]},
    }
    assert read.rows[1] == {"film": "b.png", "view": "none"}
    assert [str(f.where) for f in read.faults] == ["row 3", "row 3"]
    assert read.faults[0].field == "fibular_head"


def test_csv_columns_are_checked(tmp_path: Path) -> None:
    path = tmp_path / "p.csv"
    path.write_text("film,vew,fibular_hed_x\na.png,AP,1\n")
    told = [str(fault) for fault in read_predictions(path).faults]
    assert any("vew" in one and "nearest is view" in one for one in told)
    assert any("the column is missing" in one for one in told)
    assert any("fibular_head_x" in one for one in told)


def test_coco_faults(tmp_path: Path) -> None:
    path = tmp_path / "p.json"
    data = {
        "images": [{"id": 1, "file_name": "a.png"}],
        "categories": [{"id": 1, "name": "knee, AP", "keypoints": ["fibular_head"]}],
        "annotations": [
            {"image_id": 1, "category_id": 1, "keypoints": [1, 2, 2]},
            {"image_id": 9, "category_id": 1, "keypoints": [1, 2, 2]},
            {"image_id": 1, "category_id": 1, "keypoints": [1, 2]},
            {"image_id": 1, "category_id": 1, "keypoints": [1, 2, 0], "bbox": [0, 0, 4, 4]},
        ],
    }
    path.write_text(json.dumps(data))
    read = read_predictions(path)
    assert [row.get("landmarks") for row in read.rows] == [{"fibular_head": [1.0, 2.0]}, None]
    assert read.rows[1]["box"] == [-0.5, -0.5, 3.5, 3.5]
    assert [fault.where for fault in read.faults] == ["annotation 2", "annotation 3"]
    path.write_text(json.dumps(data["annotations"]))
    with pytest.raises(Problem, match=r"films\.json"):
        read_predictions(path)
    (tmp_path / "films.json").write_text(json.dumps({**data, "annotations": []}))
    assert len(read_predictions(path).rows) == 2


def test_films_and_rows_must_meet() -> None:
    faults = unmatched([{"film": "x/film-1.png"}, {"film": "flim-2"}], ["film-1.png", "film-2.png"])
    assert faults[0].what == "there is no film of that name"
    assert "film-2" in faults[0].do
    assert "1 of 2 films have no row" in faults[1].what


@pytest.mark.parametrize(
    ("name", "text", "match"),
    [
        ("p.csv", "", "is empty"),
        ("p.txt", "film", "no known form"),
        ("p.json", "{", "is no JSON"),
        ("p.json", "{}", "no COCO data set"),
    ],
)
def test_files_that_cannot_be_read(name: str, text: str, match: str, tmp_path: Path) -> None:
    path = tmp_path / name
    path.write_text(text)
    with pytest.raises(Problem, match=match):
        read_predictions(path)
    with pytest.raises(Problem, match="does not exist"):
        read_predictions(tmp_path / "none.csv")
    path.write_bytes(b"\xff\xfe")
    with pytest.raises(Problem, match="no text in UTF-8"):
        read_predictions(path)


def test_a_faulty_file_is_not_scored(tmp_path: Path) -> None:
    path = lines(tmp_path, GOOD, {**GOOD, "view": "front"}, {**GOOD, "view": "back"})
    with pytest.raises(Problem, match=r"line 2, view: .*and 1 more.*bench check"):
        predictions_of(path)
    told, sound = check_file(path, None)
    assert not sound
    assert "line 2, view" in told
    assert "1 sound row " in told
    assert "Wrong: 2 things" in told


def test_many_faults_are_counted(tmp_path: Path) -> None:
    path = lines(tmp_path, *[{**GOOD, "view": "front"} for _ in range(60)])
    told, _ = check_file(path, None)
    assert "and 20 more: view 20" in told
