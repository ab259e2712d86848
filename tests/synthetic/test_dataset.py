"""Data sets: the same bytes whoever makes them, nothing lost by a kill, open forms that add up."""

from __future__ import annotations

import errno
import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pydicom
import pytest

from pipeline.cli import main
from pipeline.knee.errors import Problem
from pipeline.knee.landmarks import names_of
from pipeline.readers.dicom import DicomReader
from pipeline.records.files import StopError
from pipeline.registry import build
from synthetic_data import dataset
from synthetic_data.dataset import SynthSettings, estimate, synthesise

OPTIONS = {"max_px": 160, "other_share": 0.1, "no_knee_share": 0.15, "films_per_knee": 2}
SCENARIO = {"name": "knee_films", **OPTIONS}
SMALL = SynthSettings(films=20, first_seed=40, films_per_shard=8, workers=1, scenario=SCENARIO)


def tree(folder: Path) -> dict[str, bytes]:
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def rows(folder: Path) -> list[dict[str, Any]]:
    files = sorted(folder.glob("shard-*/truth.jsonl"))
    return [json.loads(line) for file in files for line in file.read_text().splitlines()]


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("whole") / "films"
    outcome = synthesise(SMALL, folder)
    assert (outcome.made, outcome.before, outcome.failed) == (20, 0, 0)
    return folder


def test_shards_are_complete_in_themselves(made: Path) -> None:
    assert sorted(p.name for p in made.iterdir()) == [
        "INVENTED.txt",
        "dataset.json",
        "shard-00000",
        "shard-00001",
        "shard-00002",
    ]
    for shard, count in (("shard-00000", 8), ("shard-00001", 8), ("shard-00002", 4)):
        names = {p.name for p in (made / shard).iterdir()}
        assert {"truth.jsonl", "keypoints.json"} < names
        assert len(names) == count + 2
    assert [row["index"] for row in rows(made)] == list(range(20))
    assert [row["seed"] for row in rows(made)] == list(range(40, 60))


def test_pictures_and_truth_are_those_of_the_scenario(made: Path) -> None:
    scenario = build("scenario", "knee_films", OPTIONS)
    for row in rows(made)[:10]:
        labelled = scenario.make(row["seed"])
        path = next(made.glob(f"shard-*/{row['file']}"))
        deep = cv2.imread(str(path), cv2.IMREAD_UNCHANGED)
        assert deep.dtype == np.uint16
        assert deep.shape == (row["rows"], row["columns"])
        np.testing.assert_allclose(deep / 65535, labelled.film.pixels, atol=1 / 65535)
        assert len(row["knees"]) == len(labelled.knees)
        for told, true in zip(row["knees"], labelled.knees, strict=True):
            assert told["rotation_deg"] == pytest.approx(true.rotation_deg, abs=1e-4)
            assert told["tilt_deg"] == pytest.approx(true.tilt_deg, abs=1e-4)
            assert tuple(told["landmarks"]) == tuple(true.names)
            xy = [mark["xy"] for mark in told["landmarks"].values()]
            np.testing.assert_allclose(np.reshape(xy, (-1, 2)), true.xy, atol=1e-4)
            seen = [mark["seen"] for mark in told["landmarks"].values()]
            assert seen == list(true.seen)


def test_films_without_a_knee_have_no_knees_and_other_views_no_landmarks(made: Path) -> None:
    counts = [len(row["knees"]) for row in rows(made)]
    assert 0 in counts
    views = {knee["view"] for row in rows(made) for knee in row["knees"]}
    assert {"AP", "lateral"} <= views


def test_keypoints_follow_the_coco_form(made: Path) -> None:
    """The form of cocodataset.org, "Data format", 4. Keypoint Detection (from memory)."""
    seen_ids: set[int] = set()
    for shard in sorted(made.glob("shard-*")):
        data = json.loads((shard / "keypoints.json").read_text())
        truth = {
            row["index"]: row
            for row in map(json.loads, (shard / "truth.jsonl").read_text().splitlines())
        }
        images = {image["id"]: image for image in data["images"]}
        assert set(images) == set(truth)
        assert all((shard / image["file_name"]).is_file() for image in images.values())
        categories = {c["id"]: c for c in data["categories"]}
        assert [c["keypoints"] for c in categories.values()] == [
            list(names_of("AP")),
            list(names_of("lateral")),
        ]
        for one in data["annotations"]:
            assert one["id"] not in seen_ids
            seen_ids.add(one["id"])
            image = images[one["image_id"]]
            points = np.reshape(one["keypoints"], (-1, 3))
            names = categories[one["category_id"]]["keypoints"]
            assert len(points) == len(names)
            assert one["num_keypoints"] == (points[:, 2] > 0).sum()
            shown = points[points[:, 2] == 2]
            x, y, wide, high = one["bbox"]
            assert 0 <= x <= x + wide <= image["width"]
            assert 0 <= y <= y + high <= image["height"]
            assert one["area"] == pytest.approx(wide * high, rel=1e-4)
            # Boxes go by edges, points by centres of pixels: half a pixel apart.
            assert (shown[:, :2] + 0.5 >= [x - 1e-3, y - 1e-3]).all()
            assert (shown[:, :2] + 0.5 <= [x + wide + 1e-3, y + high + 1e-3]).all()
            knees = truth[one["image_id"]]["knees"]
            same = [
                k
                for k in knees
                if all(
                    k["landmarks"][n]["xy"] == [px, py]
                    for n, (px, py, v) in zip(names, points.tolist(), strict=True)
                    if v > 0 and n in k["landmarks"]
                )
                and set(k["landmarks"]) == set(names)
            ]
            assert len(same) == 1
    assert seen_ids


def test_two_workers_make_the_same_bytes(made: Path, tmp_path: Path) -> None:
    synthesise(SynthSettings(**{**vars(SMALL), "workers": 2}), tmp_path)
    assert tree(tmp_path) == tree(made)


def test_a_killed_run_loses_nothing_and_goes_on(made: Path, tmp_path: Path) -> None:
    """Killed outright in the middle; what is on disk is kept, the end is the same bytes."""
    code = (
        "import json, sys; from pathlib import Path\n"
        "from synthetic_data.dataset import SynthSettings, synthesise\n"
        "synthesise(SynthSettings(**json.loads(sys.argv[1])), Path(sys.argv[2]))\n"
    )
    run = subprocess.Popen(
        [sys.executable, "-c", code, json.dumps(vars(SMALL)), str(tmp_path)],
        cwd=Path(__file__).parents[2],
    )
    first = tmp_path / "shard-00000"
    until = time.monotonic() + 300
    while not (first / dataset.TRUTH).exists() and not (first / dataset.UNFINISHED).exists():
        assert time.monotonic() < until
        time.sleep(0.005)
    os.kill(run.pid, signal.SIGKILL)
    run.wait()
    pictures = {path: path.stat().st_mtime_ns for path in first.glob("*.png")}
    assert pictures
    outcome = synthesise(SMALL, tmp_path)
    assert outcome.before >= 1
    assert outcome.made == 20 - outcome.before
    kept = sum(path.stat().st_mtime_ns == stamp for path, stamp in pictures.items())
    assert kept >= outcome.before - 8
    whole = {k: v for k, v in tree(tmp_path).items() if not k.endswith(".part")}
    assert whole == tree(made)


def test_a_full_disk_stops_with_one_sentence_and_the_next_run_goes_on(
    made: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real, written = os.fsync, []

    def fsync(handle: int) -> None:
        written.append(handle)
        if len(written) > 15:
            raise OSError(errno.ENOSPC, "No space left on device")
        real(handle)

    with monkeypatch.context() as full:
        full.setattr(os, "fsync", fsync)
        with pytest.raises(StopError, match=r"the disk is full; free some space and run") as told:
            synthesise(SMALL, tmp_path)
    assert str(told.value).count(".\n") == 0
    assert synthesise(SMALL, tmp_path).made < 20
    assert tree(tmp_path) == tree(made)


def test_running_again_makes_nothing_and_more_films_add(made: Path, tmp_path: Path) -> None:
    few = SynthSettings(**{**vars(SMALL), "films": 11})
    assert synthesise(few, tmp_path).made == 11
    assert synthesise(few, tmp_path).made == 0
    assert synthesise(SMALL, tmp_path).made == 9
    assert tree(tmp_path) == tree(made)
    # Fewer than are there: nothing is taken away.
    assert synthesise(few, tmp_path).made == 0
    assert tree(tmp_path) == tree(made)


def test_a_picture_that_is_gone_is_made_again(made: Path, tmp_path: Path) -> None:
    synthesise(SMALL, tmp_path)
    next(tmp_path.glob("shard-00001/*.png")).unlink()
    assert synthesise(SMALL, tmp_path).made == 1
    assert tree(tmp_path) == tree(made)


def test_another_data_set_is_not_mixed_in(tmp_path: Path) -> None:
    one = SynthSettings(films=1, workers=1, scenario=SCENARIO)
    synthesise(one, tmp_path)
    for change in ({"first_seed": 7}, {"format": "dicom"}, {"films_per_shard": 3}):
        other = SynthSettings(**{**vars(one), **change})
        for work in (synthesise, estimate):
            with pytest.raises(Problem, match=f"made with another {next(iter(change))}"):
                work(other, tmp_path)


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"films": 0}, "0 is too few"),
        ({"format": "tiff"}, "choose one of png, dicom"),
        ({"workers": -1}, "give 0 or more"),
        ({"scenario": {"name": "knee_flms"}}, "did you mean knee_films"),
    ],
)
def test_mistakes_are_told_before_anything_is_written(
    change: dict[str, Any], says: str, tmp_path: Path
) -> None:
    with pytest.raises(Problem, match=says):
        synthesise(SynthSettings(**{**vars(SMALL), **change}), tmp_path / "x")
    assert not (tmp_path / "x").exists()


class OneBad:
    """A scenario whose third film cannot be made."""

    def __init__(self, real: Any) -> None:
        self.real = real

    def make(self, seed: int) -> Any:
        if seed == 42:
            raise Problem("femur", "the surface is not closed", "draw another")
        return self.real.make(seed)


def test_a_film_that_cannot_be_made_is_noted_and_the_rest_goes_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = dataset.build_section
    monkeypatch.setattr(dataset, "build_section", lambda *a: OneBad(real(*a)))
    few = SynthSettings(**{**vars(SMALL), "films": 4})
    outcome = synthesise(few, tmp_path)
    assert (outcome.made, outcome.failed) == (4, 1)
    assert rows(tmp_path)[2] == {"index": 2, "seed": 42, "failed": "the surface is not closed"}
    assert synthesise(few, tmp_path).made == 0


def test_dicom_reads_back_as_the_same_film(tmp_path: Path) -> None:
    settings = SynthSettings(**{**vars(SMALL), "films": 6, "format": "dicom"})
    synthesise(settings, tmp_path)
    scenario = build("scenario", "knee_films", OPTIONS)
    uids = set()
    for row in rows(tmp_path):
        path = next(tmp_path.glob(f"shard-*/{row['file']}"))
        data = pydicom.dcmread(path)
        uids.add(data.SOPInstanceUID)
        assert str(data.PatientName).startswith("INVENTED")
        (film,) = DicomReader().read(path)
        true = scenario.make(row["seed"]).film.pixels
        # The reader stretches what is in use to 0 to 1, 12 bits are stored.
        grey = np.round(true * 4095)
        wanted = (grey - grey.min()) / np.ptp(grey)
        np.testing.assert_allclose(film.pixels, wanted, atol=2e-3)
        if row["mm_per_px_detector"]:
            assert film.scale.mm_per_px_detector == pytest.approx(
                row["mm_per_px_detector"], abs=1e-4
            )
    assert len(uids) == 6


def test_estimate_is_of_the_right_size(made: Path, tmp_path: Path) -> None:
    told = estimate(SMALL, tmp_path / "not" / "there")
    assert not (tmp_path / "not").exists()
    pictures = sum(path.stat().st_size for path in made.glob("shard-*/*"))
    assert told.films == 20
    assert 0.4 * pictures < told.bytes < 2.5 * pictures
    assert 0 < told.seconds < 600
    assert estimate(SMALL, made).films == 0


def test_command_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = str(tmp_path / "films")
    words = ["synth", "--out", out, "films=2", "workers=1", "scenario.max_px=128"]
    assert main([*words, "--dry-run"]) == 0
    assert "2 films to make: about" in capsys.readouterr().out
    assert not Path(out).exists()
    assert main([*words, "scenario=c_arm"]) == 0
    assert "2 films made" in capsys.readouterr().out
    assert main([*words, "scenario=c_arm"]) == 0
    assert "0 films made, 2 there already" in capsys.readouterr().out
    assert main([*words, "scenario=radiography"]) == 2
    assert "made with another scenario" in capsys.readouterr().err


def test_too_small_a_disk_is_told_first(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(dataset.shutil, "disk_usage", lambda _: type("U", (), {"free": 1000})())
    assert main(["synth", "--out", str(tmp_path / "x"), "films=50", "scenario.max_px=128"]) == 2
    assert "has not enough room" in capsys.readouterr().err
    assert not (tmp_path / "x").exists()
