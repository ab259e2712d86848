"""Batches: nothing lost, nothing read twice, one bad film never ends the run."""

from __future__ import annotations

import csv
import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest
from odd_work import make_environment
from squareon_fakes import SETTINGS, write_film

from pipeline.batch import ReadSettings, read_batch, worker
from pipeline.batch.processes import in_processes
from pipeline.knee.errors import Problem
from pipeline.records import files
from pipeline.records.files import StopError
from pipeline.records.jsonl import load_rows

ROOT = Path(__file__).parents[2]


def settings(**changes: Any) -> ReadSettings:
    return ReadSettings(**{**SETTINGS, "workers": 1, **changes})


def archive(folder: Path, count: int = 6) -> Path:
    for number in range(count):
        write_film(folder / f"{number:02d}.film", view="AP" if number % 2 else "lateral")
    return folder


def problems(out: Path) -> list[dict[str, str]]:
    with open(out / "problems.csv", newline="") as file:
        return list(csv.DictReader(file))


def sources(out: Path) -> list[str]:
    return [Path(row["film"]["source"]).name for row in load_rows(out)]


@pytest.fixture
def log(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    path = tmp_path / "reads.log"
    path.touch()
    monkeypatch.setenv("SQUAREON_FAKE_LOG", str(path))
    return path


def test_every_film_has_its_rows_in_order(tmp_path: Path) -> None:
    films, out = archive(tmp_path / "films"), tmp_path / "out"
    outcome = read_batch([films], out, settings())
    assert (outcome.read, outcome.before, outcome.status) == (6, 0, 0)
    assert sources(out) == [f"{n:02d}.film" for n in range(6)]
    with open(out / "summary.csv", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [row["view"] for row in rows] == ["lateral", "AP"] * 3
    assert problems(out) == []


def test_again_reads_nothing_and_changes_nothing(tmp_path: Path, log: Path) -> None:
    films, out = archive(tmp_path / "films"), tmp_path / "out"
    read_batch([films], out, settings())
    before = {p.name: p.read_bytes() for p in out.iterdir()}
    reads = log.read_text()
    outcome = read_batch([films], out, settings())
    assert (outcome.read, outcome.before) == (0, 6)
    assert log.read_text() == reads
    assert {p.name: p.read_bytes() for p in out.iterdir()} == before


def test_new_and_changed_films_are_read_alone(tmp_path: Path, log: Path) -> None:
    films, out = archive(tmp_path / "films"), tmp_path / "out"
    write_film(films / "two.film", view="AP", knees=2)
    read_batch([films], out, settings())
    log.write_text("")
    write_film(films / "07.film", view="AP")
    write_film(films / "two.film", view="AP", knees=1, more="another size")
    read_batch([films], out, settings())
    assert sorted(log.read_text().split()) == ["07.film", "two.film"]
    assert sources(out).count("two.film") == 1, "rows of the old content are gone"


@pytest.mark.parametrize("workers", [1, 2])
def test_bad_films_get_a_row_and_the_rest_is_read(tmp_path: Path, workers: int) -> None:
    films, out = archive(tmp_path / "films", 3), tmp_path / "out"
    (films / "bad.film").write_text("no JSON")
    (films / "other.xyz").write_text("no film")
    write_film(films / "fails.film", raises=True)
    write_film(films / "none.film", view="none")
    write_film(films / "mute.film", knees=0)
    write_film(films / "hand.film", header={"body_part": "HAND"})
    outcome = read_batch([films], out, settings(workers=workers))
    assert outcome.status == 1
    rows = {Path(row["source"]).name: row for row in problems(out)}
    wanted = {"bad.film", "other.xyz", "fails.film", "none.film", "mute.film", "hand.film"}
    assert set(rows) == wanted
    assert rows["bad.film"]["what"] == "is no film"
    assert "RuntimeError" in rows["fails.film"]["what"]
    assert "no knee" in rows["none.film"]["what"]
    assert "HAND" in rows["hand.film"]["what"]
    assert all(row["do"] for row in rows.values())
    assert {"00.film", "01.film", "02.film", "none.film", "hand.film"} == set(sources(out))


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no named pipes")
def test_a_named_pipe_among_films_holds_nothing_up(tmp_path: Path) -> None:
    films, out = archive(tmp_path / "films", 2), tmp_path / "out"
    os.mkfifo(films / "pipe.film")

    def too_long(*_: object) -> None:
        pytest.fail("the pipe was waited for")

    before = signal.signal(signal.SIGALRM, too_long)
    signal.alarm(10)
    try:
        outcome = read_batch([films], out, settings())
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, before)
    assert outcome.status == 1
    (row,) = problems(out)
    assert row["source"].endswith("pipe.film")
    assert row["what"] == "is not an ordinary file"
    assert set(sources(out)) == {"00.film", "01.film"}


def test_one_bad_film_does_not_take_its_study_along(tmp_path: Path) -> None:
    films, out = tmp_path / "films", tmp_path / "out"
    write_film(films / "a.film", view="AP", study="s")
    write_film(films / "b.film", raises=True, study="s")
    write_film(films / "c.film", view="lateral", study="s")
    read_batch([films], out, settings())
    assert sources(out) == ["a.film", "c.film"]


def test_two_workers_write_what_one_writes(tmp_path: Path) -> None:
    films = archive(tmp_path / "films", 12)
    for number in range(4):
        write_film(films / f"pair{number}.film", view="AP", knees=2, frames=3)
    for workers in (1, 2):
        read_batch([films], tmp_path / f"out{workers}", settings(workers=workers))
    for name in ("readings.jsonl", "summary.csv", "problems.csv"):
        one, two = ((tmp_path / f"out{w}" / name).read_bytes() for w in (1, 2))
        assert one == two, name


def test_film_that_kills_its_process_is_found_and_survived(tmp_path: Path) -> None:
    films, out = archive(tmp_path / "films", 8), tmp_path / "out"
    write_film(films / "03.film", bomb=True)
    outcome = read_batch([films], out, settings(workers=2))
    assert sources(out) == [f"{n:02d}.film" for n in range(8) if n != 3]
    (row,) = problems(out)
    assert row["source"].endswith("03.film")
    assert "ended the process" in row["what"]
    assert outcome.status == 1


def test_other_settings_are_refused_until_told(tmp_path: Path) -> None:
    films, out = archive(tmp_path / "films", 2), tmp_path / "out"
    read_batch([films], out, settings())
    strict = settings(align={"tolerance": "strict"})
    with pytest.raises(Problem, match="other settings"):
        read_batch([films], out, strict)
    read_batch([films], out, strict, afresh=True)
    assert len(sources(out)) == 2


def test_number_of_workers_is_no_other_setting(tmp_path: Path) -> None:
    films, out = archive(tmp_path / "films", 2), tmp_path / "out"
    read_batch([films], out, settings(workers=1))
    assert read_batch([films], out, settings(workers=2)).before == 2


def test_writer_that_fails_at_the_end_is_a_row(tmp_path: Path) -> None:
    films, out = archive(tmp_path / "films", 2), tmp_path / "out"
    writers = {"squareon_fakes:BrokenWriter": {}, "jsonl": {}, "table": {}}
    assert read_batch([films], out, settings(writer=writers)).status == 1
    assert [row["source"] for row in problems(out)] == ["writer BrokenWriter"]
    assert (out / "summary.csv").exists()


def test_results_inside_the_archive_are_not_read(tmp_path: Path) -> None:
    films = archive(tmp_path / "films", 2)
    out = films / "results"
    read_batch([films], out, settings())
    write_film(out / "looks-like-a.film", view="AP")
    assert read_batch([films], out, settings()).before == 2
    assert len(sources(out)) == 2


def test_missing_path_and_empty_folder_are_said(tmp_path: Path) -> None:
    with pytest.raises(Problem, match="no such file"):
        read_batch([tmp_path / "nowhere"], tmp_path / "out", settings())
    (tmp_path / "empty").mkdir()
    with pytest.raises(Problem, match="holds no film"):
        read_batch([tmp_path / "empty"], tmp_path / "out", settings())


@pytest.mark.skipif(sys.platform != "linux", reason="file names are bytes on Linux only")
def test_file_names_need_not_be_text(tmp_path: Path) -> None:
    films, out = tmp_path / "films", tmp_path / "out"
    name = os.fsdecode(b"knie-\xfc.film")
    write_film(films / name, view="AP")
    write_film(films / "Knie \u2211.film", view="none")
    pictures = {"jsonl": {}, "table": {}, "overlay": {"size": 300}, "page": {}}
    for before in (0, 2):
        assert read_batch([films], out, settings(writer=pictures)).before == before
        assert sorted(sources(out)) == sorted([name, "Knie \u2211.film"])
    assert len(list((out / "overlays").iterdir())) == 2


# ---- stopped in the middle ---------------------------------------------------------------------


def test_full_disk_stops_the_run_and_loses_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    films, out = archive(tmp_path / "films"), tmp_path / "out"
    room = 9000  # bytes until the disk is full: inside the third film's rows

    real = os.fsync
    refused = []

    def fsync(handle: int) -> None:
        if sum(path.stat().st_size for path in out.iterdir()) > room:
            refused.append(handle)
            raise OSError(28, "No space left on device")
        real(handle)

    monkeypatch.setattr(files.os, "fsync", fsync)
    with pytest.raises(StopError, match="the disk is full"):
        read_batch([films], out, settings())
    assert refused
    monkeypatch.undo()
    for line in (out / "readings.jsonl").read_text().splitlines():
        json.loads(line)
    left = read_batch([films], out, settings())
    assert 0 < left.read < 6
    assert sources(out) == [f"{n:02d}.film" for n in range(6)]
    lines = (out / "readings.jsonl").read_text().splitlines()
    assert len(lines) == 6


def test_full_disk_met_by_a_writer_from_outside_stops_too(tmp_path: Path) -> None:
    films = archive(tmp_path / "films", 1)
    with pytest.raises(StopError, match="the disk is full"):
        read_batch(
            [films], tmp_path / "out", settings(writer={"squareon_fakes:FullDiskWriter": {}})
        )


@pytest.mark.parametrize("workers", [1, 2])
def test_killed_run_continues_without_loss_or_double(tmp_path: Path, workers: int) -> None:
    """kill -9 at a moment that differs from try to try; then the run is finished normally."""
    films, out = archive(tmp_path / "films", 60), tmp_path / "out"
    code = (
        "import sys; from pathlib import Path; from squareon_fakes import SETTINGS;"
        "from pipeline.batch import ReadSettings, read_batch\n"
        "if __name__ == '__main__':\n"
        f"    read_batch([Path({str(films)!r})], Path({str(out)!r}),"
        f" ReadSettings(**{{**SETTINGS, 'workers': {workers}}}))\n"
    )
    script = tmp_path / "run.py"
    script.write_text(code)
    environment = {**os.environ, "PYTHONPATH": str(ROOT / "tests/helpers")}
    for enough in (5, 25):
        process = subprocess.Popen(
            [sys.executable, str(script)], env=environment, cwd=ROOT, start_new_session=True
        )
        deadline = time.monotonic() + 300
        journal = out / "journal.jsonl"
        while time.monotonic() < deadline and process.poll() is None:
            if journal.exists() and journal.read_bytes().count(b"\n") >= enough:
                break
            time.sleep(0.002)
        os.killpg(process.pid, signal.SIGKILL)
        process.wait()
    with open(out / "readings.jsonl", "ab") as file:
        file.write(b'{"half a li')  # as a write cut in the middle leaves it
    done = journal.read_bytes().count(b"\n")
    assert done >= 5
    outcome = read_batch([films], out, settings())
    assert outcome.read + outcome.before == 60
    assert sources(out) == [f"{n:02d}.film" for n in range(60)]
    assert len((out / "readings.jsonl").read_text().splitlines()) == 60


def test_interrupt_leaves_tables_complete(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    films, out = archive(tmp_path / "films"), tmp_path / "out"

    def progress(done: int, total: int) -> None:
        if done == 3:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        read_batch([films], out, settings(), progress=progress)
    with open(out / "summary.csv", newline="") as file:
        assert len(list(csv.DictReader(file))) == 3
    assert read_batch([films], out, settings()).before == 3


def test_long_studies_are_read_in_pieces(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(worker, "CHUNK", 4)
    films, out = tmp_path / "films", tmp_path / "out"
    write_film(films / "run.film", view="AP", frames=11, study="s")
    read_batch([films], out, settings())
    assert [row["film"]["frame"] for row in load_rows(out)] == list(range(1, 12))


def test_processes_of_a_batch_keep_algebra_to_one_thread(monkeypatch: pytest.MonkeyPatch) -> None:
    """Set where they start, the user's own word untouched, and nothing changed here."""
    monkeypatch.setenv("OMP_NUM_THREADS", "3")
    monkeypatch.delenv("OPENBLAS_NUM_THREADS", raising=False)
    units = [["OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"]]
    assert list(in_processes(units, make_environment, 1)) == [["3", "1"]]
    assert "OPENBLAS_NUM_THREADS" not in os.environ
