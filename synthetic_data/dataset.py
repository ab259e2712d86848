"""Labelled data sets on disk: sharded, resumable, the same bytes whoever makes them.

A film is a number: film `index` of a data set is the scenario's film of seed `first_seed +
index`. Processes make blocks of neighbouring films and write each picture whole; this process
notes a film's truth only after its picture is on disk, so whatever stops a run, the next one goes
on with the films that have no truth yet.
"""

from __future__ import annotations

import io
import json
import os
import shutil
import signal
import sys
import time
from collections.abc import Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass, field
from importlib.metadata import version
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import cv2

from pipeline.contracts import Progress, Scenario, silent
from pipeline.knee.counted import counted
from pipeline.knee.errors import Problem
from pipeline.knee.truth import LabelledFilm
from pipeline.records.deep import deep_levels, png16
from pipeline.records.dicom_out import Invention, dataset_of, orientation_of
from pipeline.records.files import AGAIN, StopError, append_lines, read_lines, write_atomic
from pipeline.records.truth_lines import coco, film_row, line_of
from pipeline.registry import build_section

DESCRIPTION, TRUTH, UNFINISHED, KEYPOINTS = (
    "dataset.json",
    "truth.jsonl",
    "truth-unfinished.jsonl",
    "keypoints.json",
)
ENDINGS = {"png": "png", "dicom": "dcm"}
BLOCK = 8
"""Films a process makes before it reports."""
WARM, TRIALS = 3, 8
"""Films made first (they compile, and fill tables), and then to tell what the others cost."""
README = """\
INVENTED FILMS
Every film in this folder was computed from a virtual knee; nobody was X-rayed. Names, numbers and
dates are made up. For training and research; never for guidance of a live or autonomous procedure.
"""


@dataclass(frozen=True)
class SynthSettings:
    """What is made.

    Attributes:
        films: how many.
        first_seed: film i is made from seed `first_seed + i`. `squareon train` draws from
            1,000,000,000 on, `squareon assess` from 500,000 on.
        format: `png` (16 bits a pixel, no scale) or `dicom` (12 bits, with the scale and what
            else a header says).
        films_per_shard: films in one folder; each folder is complete in itself.
        workers: processes; 0 = one per core.
        scenario: one plugin, `{name: ..., option: value}`.
    """

    films: int = 1000
    first_seed: int = 2_000_000_000
    format: str = "png"
    films_per_shard: int = 1000
    workers: int = 0
    scenario: dict[str, Any] = field(default_factory=dict)

    def check(self) -> None:
        """Raises `Problem` for values that make no data set."""
        for name, least in (("films", 1), ("films_per_shard", 1), ("first_seed", 0)):
            if getattr(self, name) < least:
                raise Problem(name, f"{getattr(self, name)} is too few", f"give {least} or more")
        if self.workers < 0:
            raise Problem("workers", "there are no fewer than none", "give 0 or more")
        if self.format not in ENDINGS:
            raise Problem(
                "format", f"{self.format} is unknown", f"choose one of {', '.join(ENDINGS)}"
            )

    @property
    def processes(self) -> int:
        """How many processes make films."""
        return self.workers or os.cpu_count() or 1

    def shard(self, index: int) -> str:
        """Folder of a film, inside the data set."""
        return f"shard-{index // self.films_per_shard:05d}"

    def file(self, index: int) -> str:
        """Name of a film, inside its shard."""
        return f"film-{index:08d}.{ENDINGS[self.format]}"


@dataclass(frozen=True)
class Estimate:
    """What the films still to be made cost.

    Attributes:
        films: how many are left.
        seconds: on `processes` processes.
        bytes: on disk.
        free: bytes free there.
    """

    films: int
    processes: int
    seconds: float
    bytes: float
    free: int

    def __str__(self) -> str:
        return (
            f"{counted(self.films, 'film')} to make: about {_duration(self.seconds)} on "
            f"{counted(self.processes, 'process', 'processes')} and "
            f"{_size(self.bytes)} on disk, where {_size(self.free)} are free"
        )


def _duration(seconds: float) -> str:
    if seconds < 90:
        return f"{max(1, round(seconds))} s"
    minutes = round(seconds / 60)
    return f"{minutes} min" if minutes < 90 else f"{minutes // 60} h {minutes % 60} min"


def _size(count: float) -> str:
    for unit in ("kB", "MB", "GB"):
        count /= 1000
        if count < 1000 or unit == "GB":
            return f"{count:.3g} {unit}" if count < 1000 else f"{count:,.0f} {unit}"
    raise AssertionError


def estimate(settings: SynthSettings, out: Path) -> Estimate:
    """Makes a few films, writes none, and says what the rest will cost. Raises `Problem`."""
    settings.check()
    _description(settings, out)
    left = len(_missing(settings, out))
    folder = out
    while not folder.exists():
        folder = folder.parent
    free = shutil.disk_usage(folder).free
    if not left:
        return Estimate(0, settings.processes, 0.0, 0.0, free)
    maker = Maker(settings)
    for index in range(WARM):
        maker.make(index)
    size, start = 0, time.perf_counter()
    # Neighbours, as in a block, so that what films of one knee share counts once.
    for index in range(WARM, WARM + TRIALS):
        data, row = maker.make(index)
        size += len(data) + len(line_of(row)) * 2
    each = (time.perf_counter() - start) / TRIALS
    return Estimate(
        left, settings.processes, left * each / settings.processes, left * size / TRIALS, free
    )


class Maker:
    """Makes films of one data set as bytes and rows; one in each process."""

    def __init__(self, settings: SynthSettings) -> None:
        self.settings = settings
        self.scenario: Scenario = build_section("scenario", settings.scenario)

    def make(self, index: int) -> tuple[bytes, dict[str, Any]]:
        """The picture's file and the film's row; no bytes where the film cannot be made."""
        seed = self.settings.first_seed + index
        try:
            labelled = self.scenario.make(seed)
        except MemoryError:
            raise
        except Problem as problem:
            return b"", {"index": index, "seed": seed, "failed": problem.what}
        except Exception as error:
            # One film in many thousands must not end the run; the row says what happened.
            what = f"making it failed unexpectedly ({type(error).__name__})"
            return b"", {"index": index, "seed": seed, "failed": what}
        row = film_row(labelled, index=index, seed=seed, file=self.settings.file(index))
        if self.settings.format == "png":
            return png16(deep_levels(labelled.film)), row
        return dicom(labelled, seed), row


def dicom(labelled: LabelledFilm, seed: int) -> bytes:
    """The film as a DICOM file under invented names."""
    upright = len(labelled.knees) == 1 and labelled.knees[0].view != "other"
    study = f"film-{seed}"
    invention = Invention(
        patient=study,
        study=study,
        series=study,
        instance=study,
        body_part=labelled.film.header.body_part or "KNEE",
        orientation=orientation_of(labelled.knees[0]) if upright else None,
    )
    buffer = io.BytesIO()
    dataset_of(labelled.film, invention).save_as(buffer, enforce_file_format=True)
    return buffer.getvalue()


@dataclass(frozen=True)
class Outcome:
    """How a run ended: films made now, made before, and those that cannot be made."""

    made: int
    before: int
    failed: int


def synthesise(settings: SynthSettings, out: Path, progress: Progress = silent) -> Outcome:
    """Makes every film that `out` does not hold yet.

    Args:
        progress: called with the number of films done and the number of all films.

    Raises `Problem` for wrong settings or an `out` that holds another data set, `StopError` where
    the disk is full or cannot be written.
    """
    settings.check()
    description, written = _description(settings, out)
    if not written:
        write_atomic(out / "INVENTED.txt", README)
        write_atomic(out / DESCRIPTION, json.dumps(description, indent=1) + "\n")
    missing = _missing(settings, out)
    done = before = settings.films - len(missing)
    progress(done, settings.films)
    open_shards: dict[str, int] = {}
    for index in missing:
        shard = settings.shard(index)
        open_shards[shard] = open_shards.get(shard, 0) + 1
    for rows in _work_through(settings, out, _blocks(missing, settings)):
        for shard, some in _by_shard(rows, settings).items():
            append_lines(out / shard / UNFINISHED, [line_of(row) for row in some])
            open_shards[shard] -= len(some)
            if not open_shards[shard]:
                _finish(out / shard)
        done += len(rows)
        progress(done, settings.films)
    # A run that was killed just before a shard was finished.
    for left in sorted(out.glob(f"shard-*/{UNFINISHED}")):
        _finish(left.parent)
    failed = sum(1 for shard in sorted(out.glob("shard-*")) for r in _rows(shard) if "failed" in r)
    return Outcome(settings.films - before, before, failed)


def _description(settings: SynthSettings, out: Path) -> tuple[dict[str, Any], bool]:
    """What `dataset.json` should hold, and whether it does.

    Raises `Problem` where `out` holds another data set.
    """
    kind = type(build_section("scenario", settings.scenario))
    told = getattr(sys.modules.get(kind.__module__), "DATA_VERSION", "unnumbered")
    wanted = {
        "what": "synthetic knee films; nobody was X-rayed",
        "squareon": version("squareon"),
        "scenario_version": f"{kind.__name__} {told}",
        "films": settings.films,
        "first_seed": settings.first_seed,
        "format": settings.format,
        "films_per_shard": settings.films_per_shard,
        "scenario": json.loads(json.dumps(settings.scenario)),
    }
    path = out / DESCRIPTION
    if not path.exists():
        return wanted, False
    try:
        there = json.loads(path.read_text(encoding="utf-8"))
        films = int(there["films"])
    except (ValueError, KeyError, TypeError):
        raise Problem(
            str(path), "is not the description of a data set", "give another folder"
        ) from None
    other = [key for key in wanted if key != "films" and there.get(key) != wanted[key]]
    if other:
        raise Problem(
            str(out),
            f"holds a data set made with another {' and another '.join(other)}",
            "give another folder, or the settings that it was made with",
        )
    wanted["films"] = max(settings.films, films)
    return wanted, wanted == there


def _rows(shard: Path) -> list[dict[str, Any]]:
    """Rows of a shard, finished or not, by index; a film noted twice counts once."""
    lines = read_lines(shard / TRUTH) + read_lines(shard / UNFINISHED)
    rows = {row["index"]: row for row in map(json.loads, lines)}
    return [rows[index] for index in sorted(rows)]


def _missing(settings: SynthSettings, out: Path) -> list[int]:
    """Indices of the films that have no truth, or whose picture is gone."""
    missing = []
    for first in range(0, settings.films, settings.films_per_shard):
        last = min(first + settings.films_per_shard, settings.films)
        shard = out / settings.shard(first)
        there = {entry.name for entry in os.scandir(shard)} if shard.is_dir() else set()
        noted = {
            row["index"]
            for row in (_rows(shard) if there else [])
            if "failed" in row or row["file"] in there
        }
        missing += [index for index in range(first, last) if index not in noted]
    return missing


def _finish(shard: Path) -> None:
    """Sorts a shard's truth into its final files."""
    rows = _rows(shard)
    write_atomic(shard / KEYPOINTS, json.dumps(coco(rows), separators=(",", ":")) + "\n")
    write_atomic(shard / TRUTH, "".join(line_of(row) + "\n" for row in rows))
    (shard / UNFINISHED).unlink(missing_ok=True)


def _by_shard(
    rows: Iterable[dict[str, Any]], settings: SynthSettings
) -> dict[str, list[dict[str, Any]]]:
    shards: dict[str, list[dict[str, Any]]] = {}
    for row in rows:
        shards.setdefault(settings.shard(row["index"]), []).append(row)
    return shards


def _blocks(indices: list[int], settings: SynthSettings) -> list[list[int]]:
    """Indices in blocks of neighbours; films of one knee stay together."""
    each = int(settings.scenario.get("films_per_knee", 1) or 1)
    size = max(1, BLOCK // each) * each
    blocks: dict[int, list[int]] = {}
    for index in indices:
        blocks.setdefault((settings.first_seed + index) // size, []).append(index)
    return list(blocks.values())


# ---- processes --------------------------------------------------------------------------------

_maker: Maker | None = None


def _start(settings: SynthSettings) -> None:
    global _maker
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the parent decides what Ctrl-C means
    cv2.setNumThreads(1)
    _maker = Maker(settings)


def _make_block(block: list[int], out: Path) -> list[dict[str, Any]]:
    assert _maker is not None
    return make_block(_maker, block, out)


def make_block(maker: Maker, block: Iterable[int], out: Path) -> list[dict[str, Any]]:
    """Makes films, writes their pictures and gives their rows. Raises `StopError`."""
    rows = []
    for index in block:
        data, row = maker.make(index)
        if data:
            write_atomic(out / maker.settings.shard(index) / row["file"], data)
        rows.append(row)
    return rows


def _work_through(
    settings: SynthSettings, out: Path, blocks: list[list[int]]
) -> Iterator[list[dict[str, Any]]]:
    """Rows of each block as it is finished, in this process or in several."""
    workers = min(settings.processes, len(blocks))
    if workers <= 1:
        maker = Maker(settings)
        for block in blocks:
            yield make_block(maker, block, out)
        return
    waiting = list(reversed(blocks))
    running: set[Future[list[dict[str, Any]]]] = set()
    # Not forked: numba and OpenCV hold threads that a fork would not copy.
    pool = ProcessPoolExecutor(workers, get_context("spawn"), _start, (settings,))
    try:
        while waiting or running:
            while waiting and len(running) < 2 * workers:
                running.add(pool.submit(_make_block, waiting.pop(), out))
            done, running = wait(running, return_when=FIRST_COMPLETED)
            for future in done:
                yield future.result()
    except BrokenProcessPool:
        raise StopError(
            str(out), "a process that makes films was ended from outside (memory?)", AGAIN
        ) from None
    finally:
        pool.shutdown(wait=True, cancel_futures=True)
