"""`squareon bench` as a person types it."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import pytest

from pipeline.cli import main

TOYS = [
    *("suite=none", "suite.clean.about=toys", "suites=[clean]", "workers=1", "films=4"),
    *(f"~scenario.{key}" for key in ("styles", "other_share", "no_knee_share", "two_knees_share")),
    "scenario.name=toy_exam:ToyFilms",
]
TOY = [
    "entries.toy.detector.name=toy_exam:ToyDetector",
    "entries.toy.pose.name=toy_exam:ToyPose",
    "compare=[toy]",
]


@pytest.fixture
def cache(tmp_path: Path) -> str:
    return f"cache={tmp_path / 'cache'}"


def test_films_without_truth_predictions_checked_and_scored(
    tmp_path: Path, cache: str, capsys: pytest.CaptureFixture[str]
) -> None:
    handout = tmp_path / "handout"
    assert main(["bench", "films", "--out", str(handout), cache, *TOYS]) == 0
    names = sorted(path.name for path in (handout / "clean").iterdir())
    assert len(names) == 6
    assert {"films.csv", "films.json"} < set(names)
    text = "".join(p.read_text() for p in handout.rglob("*") if p.suffix in (".csv", ".json"))
    for secret in ("rotation", "tilt_deg", "landmarks", "seed", "facts"):
        assert secret not in text, secret
    with (handout / "clean" / "films.csv").open() as file:
        rows = list(csv.DictReader(file))
    assert rows[0]["mm_per_px_knee"] == "0.5"
    assert rows[0]["central_ray"] == "1.0 2.0"
    theirs = tmp_path / "theirs.jsonl"
    lines = [{"film": r["film"], "view": "AP", "box": [18, 18, 78, 78]} for r in rows]
    theirs.write_text("".join(json.dumps(line) + "\n" for line in lines))
    check = ["bench", "check", str(theirs), "--films", str(handout / "clean")]
    assert main(check) == 0
    assert "Nothing is wrong" in capsys.readouterr().out
    theirs.write_text(
        theirs.read_text() + '{"film": "film-9", "view": "AP", "box": [1, 1, 2, 2]}\n'
    )
    assert main(check) == 1
    assert "there is no film of that name" in capsys.readouterr().out
    theirs.write_text("".join(json.dumps(line) + "\n" for line in lines))
    entry = f"entries.theirs.predictions={theirs}"
    out = tmp_path / "exam"
    words = [cache, *TOYS, entry, *TOY[:2], "compare=[theirs,toy]"]
    assert main(["bench", "--out", str(out), *words]) == 0
    figures = json.loads((out / "results.json").read_text())["figures"]
    assert figures["theirs"]["clean"]["view_right"]["n"] == 4
    assert figures["theirs"]["clean"]["both"]["landmarks"]["n"] == 0
    assert figures["theirs"]["clean"]["both"]["landmarks"]["sdr"]["2"]["value"] == 0.0
    assert "| clean |" in capsys.readouterr().out


def test_digests_are_told_and_written(
    tmp_path: Path, cache: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["bench", "digests", "--out", str(tmp_path), cache, *TOYS]) == 0
    assert "4 not published" in capsys.readouterr().out
    (films,) = json.loads((tmp_path / "digests.json").read_text()).values()
    assert len(films) == 4


@pytest.mark.parametrize(
    ("words", "match"),
    [
        (["bench"], "give --out"),
        (["bench", "check"], "no file was named"),
        (["bench", "films"], "give --out"),
        (["bench", "--out", "x", "suites=[claen]"], "clean"),
        (["bench", "--multirun", "films=2,4"], "give --out"),
        (["bench", "--out", "x", "entries.a.predictions=no.csv", "compare=[a]"], "no such file"),
    ],
)
def test_mistakes_are_one_sentence(
    words: list[str], match: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(words) == 2
    told = capsys.readouterr().err
    assert match in told
    assert len(told.strip().splitlines()) == 1


def test_every_suite_and_entry_that_ships_can_be_built() -> None:
    from pipeline.bench.exam import BenchSettings, chosen_entries, chosen_suites
    from pipeline.cli import compose

    settings = BenchSettings(**compose("bench", BenchSettings, []))
    suites = chosen_suites(settings)
    assert len(suites) == 15
    assert all(suite.about for suite in suites.values())
    assert {suite.beside for suite in suites.values()} == {"", "clean", "c_arm"}
    assert len({suite.key for suite in suites.values()}) == len(suites)
    assert {"squareon", "classical", "mean_shape"} <= set(chosen_entries(settings))
