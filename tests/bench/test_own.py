"""The suite of the user's own films: marks in a form of predictions, films in any form read."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from toy_exam import ToyFilms

from pipeline.bench.exam import BenchSettings, examine
from pipeline.bench.figures import figures_of
from pipeline.bench.report import write_report
from pipeline.knee.errors import Problem

ENTRY = {
    "detector": {"name": "toy_exam:ToyDetector", "sigma_mm": 1.0},
    "pose": {"name": "toy_exam:ToyPose"},
}


def write_own(folder: Path, count: int = 8, **marks: Any) -> Path:
    """16-bit PNGs of toys and their marks; every second person has two films."""
    (folder / "films").mkdir(parents=True)
    lines = []
    for k in range(count):
        labelled = ToyFilms().make(1000 + k)
        deep = np.rint(labelled.film.pixels * 65535).astype(np.uint16)
        cv2.imwrite(str(folder / "films" / f"knee-{k}.png"), deep)
        truth = labelled.knees[0]
        row = {
            "film": f"knee-{k}.png",
            "view": truth.view,
            "lateral_to_right": truth.lateral_to_right,
            "rotation_deg": truth.rotation_deg,
            "tilt_deg": truth.tilt_deg,
            "subject": f"person {k // 2}",
            "landmarks": {n: list(xy) for n, xy in zip(truth.names, truth.xy, strict=True)},
            "box": [18, 18, 78, 78],
            **marks,
        }
        lines.append(json.dumps({key: value for key, value in row.items() if value is not None}))
    path = folder / "marks.jsonl"
    path.write_text("\n".join(lines) + "\n")
    return path


def settings(tmp: Path) -> BenchSettings:
    return BenchSettings(
        suites=["own"],
        entries={"toy": ENTRY},
        reference="toy",
        own={"films": str(tmp / "films"), "marks": str(tmp / "marks.jsonl")},
        cache=str(tmp / "cache"),
        workers=1,
    )


@pytest.fixture
def toy_reader(monkeypatch: pytest.MonkeyPatch) -> None:
    """A reader that leaves the grey values of a PNG as they are: they hold the toy's seed."""
    from pipeline.bench import own
    from pipeline.knee.film import Film

    def read(path: Path) -> Film:
        deep = cv2.imread(str(path), cv2.IMREAD_UNCHANGED)
        return Film(deep.astype(np.float32) / np.float32(65535), str(path), "0")

    monkeypatch.setattr(own, "_read", read)


@pytest.mark.usefixtures("toy_reader")
def test_errors_in_mm_where_the_marks_give_the_scale(tmp_path: Path) -> None:
    write_own(tmp_path, mm_per_px=0.5)
    exam = examine(settings(tmp_path), tmp_path / "out")
    figures = figures_of(exam)["toy"]["own"]
    assert figures["persons"] == 4
    assert figures["view_right"]["share"] == 1.0
    for view in ("AP", "lateral"):
        mean = figures["views"][view]["radial"]["mean"]["value"]
        assert mean == pytest.approx(1.2533, abs=0.2)  # isotropic Gaussian errors of 1 mm
        chief = figures["views"][view]["chief"]["mean"]["value"]
        assert chief == pytest.approx(mean)  # marks say nothing of outlines: radial throughout
        marks = figures["views"][view]["landmarks"].values()
        assert not any(mark.get("normal", {}).get("n") for mark in marks)
    assert figures["both"]["angles"]["n"] == 16
    write_report(exam, tmp_path / "out")
    page = (tmp_path / "out" / "report.html").read_text()
    assert "INVENTED" not in page
    assert exam.made_by["suites"]["own"]["digest"]


@pytest.mark.usefixtures("toy_reader")
def test_without_a_scale_a_film_counts_for_angles_and_views(tmp_path: Path) -> None:
    write_own(tmp_path)
    figures = figures_of(examine(settings(tmp_path), tmp_path / "out"))["toy"]["own"]
    assert figures["view_right"]["share"] == 1.0
    assert figures["both"]["landmarks"] == {"n": 0}
    assert figures["both"]["angles"]["n"] == 16


@pytest.mark.usefixtures("toy_reader")
def test_marks_without_angles(tmp_path: Path) -> None:
    write_own(tmp_path, mm_per_px=0.5, rotation_deg=None, tilt_deg=None)
    figures = figures_of(examine(settings(tmp_path), tmp_path / "out"))["toy"]["own"]
    assert figures["both"]["angles"] == {"n": 0}
    assert figures["both"]["landmarks"]["n"] > 100


def test_a_png_is_read_by_the_readers_that_read_archives(tmp_path: Path) -> None:
    from pipeline.bench.own import own_films

    write_own(tmp_path, count=2)
    own = own_films({"films": str(tmp_path / "films"), "marks": str(tmp_path / "marks.jsonl")})
    labelled = own.labelled(1)
    assert labelled.film.source == "knee-1"
    assert labelled.film.pixels.shape == (96, 96)
    assert labelled.film.pixels.max() > 0.5
    assert not own.labelled(1, black=True).film.pixels.any()


@pytest.mark.parametrize(
    ("wrong", "match"),
    [
        ("folder", "is no folder"),
        ("film", "there is no film of that name"),
        ("twice", "has the name of"),
        ("unset", "is not set"),
    ],
)
def test_what_is_wrong_is_told(wrong: str, match: str, tmp_path: Path) -> None:
    from pipeline.bench.own import own_films

    marks = write_own(tmp_path, count=2)
    section = {"films": str(tmp_path / "films"), "marks": str(marks)}
    if wrong == "folder":
        section["films"] = str(tmp_path / "none")
    if wrong == "film":
        marks.write_text(marks.read_text().replace("knee-1.png", "knee-9.png"))
    if wrong == "twice":
        (tmp_path / "films" / "more").mkdir()
        (tmp_path / "films" / "more" / "knee-0.png").write_bytes(b"x")
    if wrong == "unset":
        section["marks"] = ""
    with pytest.raises(Problem, match=match):
        own_films(section)
