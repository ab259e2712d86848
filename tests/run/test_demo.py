"""The demonstration: invented throughout, the same every time, its pairs are one knee each."""

from __future__ import annotations

import csv
from dataclasses import replace
from pathlib import Path

import pytest

from pipeline.bench.hunts import hunt_of
from pipeline.cli import main
from pipeline.demo import FILES, HUNT, HUNT_FILMS, SHOTS, Shot, write_shot
from pipeline.knee.truth import LabelledFilm
from pipeline.registry import build


@pytest.fixture(scope="module")
def made() -> dict[str, LabelledFilm]:
    return {
        shot.file: build("scenario", "knee_films", shot.options).make(shot.seed) for shot in SHOTS
    }


def test_views_of_a_study_show_one_knee(made: dict[str, LabelledFilm]) -> None:
    pairs = [shot.study for shot in SHOTS if shot.file.endswith("lateral.dcm")]
    assert len(pairs) == 4
    for study in pairs:
        ap, lateral = (made[f"{study}/{view}.dcm"] for view in ("AP", "lateral"))
        assert (ap.knees[0].view, lateral.knees[0].view) == ("AP", "lateral")
        assert ap.knees[0].side == lateral.knees[0].side, study
        assert ap.film.header.side == lateral.film.header.side == ap.knees[0].side
        assert ap.knees[0].width_mm == pytest.approx(lateral.knees[0].width_mm)


def test_films_are_what_their_names_say(made: dict[str, LabelledFilm]) -> None:
    assert len(made["study-5/both-knees.dcm"].knees) == 2
    assert made["study-6/oblique.dcm"].knees[0].view == "other"
    assert made["study-7/no-knee.dcm"].knees == ()
    assert made["study-4-c-arm/AP.dcm"].film.header.c_arm
    tilts = [max(abs(k.rotation_deg), abs(k.tilt_deg)) for m in made.values() for k in m.knees]
    assert min(tilts) < 5 < 10 < max(tilts), "some are square on and some are not"


def test_same_shot_is_the_same_file(made: dict[str, LabelledFilm], tmp_path: Path) -> None:
    shot: Shot = replace(SHOTS[0], options={**SHOTS[0].options, "max_px": 200})
    for name in ("a", "b"):
        film = build("scenario", "knee_films", shot.options).make(shot.seed)
        write_shot(tmp_path / name, shot, film, 1)
    assert (tmp_path / "a").read_bytes() == (tmp_path / "b").read_bytes()


def test_the_series_is_a_hunt_that_ends_square() -> None:
    hunt = hunt_of(HUNT)
    assert len(hunt.films) == HUNT_FILMS
    assert hunt.first_square == HUNT_FILMS - 2


def test_demo_leaves_what_it_says(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "demo"
    assert main(["demo", "--out", str(out), "workers=1"]) == 0
    printed = capsys.readouterr().out
    assert "INVENTED" in printed
    assert "human review" in printed
    results = out / "results"
    for name in ("index.html", "summary.csv", "readings.jsonl", "problems.csv", "overlays"):
        assert str(results / name) in printed
        assert (results / name).exists()
    with open(results / "problems.csv", newline="") as file:
        failed = {Path(row["source"].split(" frame ")[0]).name for row in csv.DictReader(file)}
    assert {"cut-short.dcm", "no-knee.dcm"} <= failed
    with open(results / "summary.csv", newline="") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) >= FILES - 1
    assert sum("study-9-series" in row["source"] for row in rows) == HUNT_FILMS
    assert "Invented" in (results / "index.html").read_text()
