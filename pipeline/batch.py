"""Many files: found, grouped by study, read in processes, noted in a journal, resumed.

One study is one piece of work, so that AP and lateral of a knee can be paired. A study of more
than `CHUNK` pictures is read in pieces of that size, so that memory stays flat; pairs are then
looked for within a piece.
"""

from __future__ import annotations

import hashlib
import itertools
import json
import os
import signal
import stat
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import dataclass, field, fields, is_dataclass, replace
from importlib.metadata import version
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import cv2

from pipeline.align.options import AlignOptions
from pipeline.contracts import FilmReader
from pipeline.fit.plausibility import Plausibility
from pipeline.knee.errors import Problem
from pipeline.knee.film import Film
from pipeline.knee.reading import MadeBy
from pipeline.readers.find import find_films, study_of
from pipeline.readers.read import read_films
from pipeline.records import journal as journals
from pipeline.records import jsonl
from pipeline.records.files import StopError, disk_errors, full_disk
from pipeline.records.journal import Entry, Journal, Trouble, digest_of
from pipeline.registry import build_each, build_section, check_options, load
from pipeline.run import Parts, read_study

CHUNK = 24
"""Pictures held in memory at once: 24 of 3000 x 3000 are 0.9 GB."""

FILMS_PER_START = 12

ALGEBRA_THREADS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")
"""Names by which libraries of linear algebra are told how many threads to start."""

LOOK = "look at the film yourself"


@dataclass
class ReadSettings:
    """What decides a reading; a section of `configs/read.yaml` each.

    Attributes:
        detector, pose: one plugin each, `{name: ..., option: value}`.
        reader, criterion, target, writer: several plugins, `{name: {option: value}}`.
        align: options of the verdict (`pipeline.align.options.AlignOptions`).
        min_view_probability: a film whose view is less certain is refused.
        plausibility: options of the rule by which what is hardly a knee is refused
            (`pipeline.fit.plausibility.Plausibility`).
        workers: processes; 0 = one per core, 1 = none but this one.
    """

    detector: dict[str, Any] = field(default_factory=dict)
    pose: dict[str, Any] = field(default_factory=dict)
    reader: dict[str, Any] = field(default_factory=dict)
    criterion: dict[str, Any] = field(default_factory=dict)
    target: dict[str, Any] = field(default_factory=dict)
    writer: dict[str, Any] = field(default_factory=dict)
    align: dict[str, Any] = field(default_factory=dict)
    plausibility: dict[str, Any] = field(default_factory=dict)
    min_view_probability: float = 0.6
    workers: int = 0

    def __post_init__(self) -> None:
        if not 0 <= self.min_view_probability <= 1:
            what = f"{self.min_view_probability:g} is no probability"
            raise Problem("min_view_probability", what, "give a number from 0 to 1")
        if self.workers < 0:
            raise Problem("workers", "there are no fewer than none", "give 0 or more")


@dataclass(frozen=True)
class Outcome:
    """How a batch ended: files read now, files already read before, and all problems."""

    read: int
    before: int
    troubles: tuple[Trouble, ...]

    @property
    def status(self) -> int:
        """Exit status: 0 every film was read, 1 `problems.csv` has rows."""
        return 1 if self.troubles else 0


def parts_of(settings: ReadSettings, threads: int = 0) -> Parts:
    """Builds the stages. Raises `Problem` for whatever the settings have wrong.

    `threads`: given to a detector that has an option of that name and no value for it; 0 = none.
    """
    align = AlignOptions(**check_options(AlignOptions, settings.align, "align"))
    plausibility = check_options(Plausibility, settings.plausibility, "plausibility")
    section = dict(settings.detector)
    if threads and "threads" in _options_of("detector", section):
        section.setdefault("threads", threads)
    detector = build_section("detector", section)
    return Parts(
        detector=detector,
        pose=build_section("pose", settings.pose),
        align=align,
        criteria=tuple(build_each("criterion", settings.criterion).values()),
        targets=tuple(build_each("target", settings.target).values()),
        writers=tuple(build_each("writer", settings.writer).values()),
        made_by=MadeBy(
            version=version("squareon"),
            weights=detector.weights,
            config_sha256=digest_of_settings(settings),
            seed=0,
        ),
        min_view_probability=settings.min_view_probability,
        plausibility=Plausibility(**plausibility),
    )


def readers_of(settings: ReadSettings) -> tuple[FilmReader, ...]:
    """The film readers, in the order in which they are tried."""
    return tuple(build_each("reader", settings.reader).values())


def _options_of(stage: str, section: Mapping[str, Any]) -> set[str]:
    plugin = load(stage, str(section.get("name")))
    return {option.name for option in fields(plugin)} if is_dataclass(plugin) else set()


def digest_of_settings(settings: ReadSettings) -> str:
    """SHA-256 of everything that decides a reading; the number of workers does not."""
    values = {key: value for key, value in vars(settings).items() if key != "workers"}
    return hashlib.sha256(json.dumps(values, sort_keys=True).encode()).hexdigest()


def read_batch(
    paths: Sequence[Path],
    out: Path,
    settings: ReadSettings,
    *,
    afresh: bool = False,
    progress: Callable[[int, int], None] = lambda done, total: None,
) -> Outcome:
    """Reads every film under `paths` that `out` does not hold yet.

    Args:
        progress: called with the number of files done and the number of all files.

    Raises `Problem` for wrong settings or an `out` made with other ones, `StopError` where `out`
    cannot be written. A film that fails is noted and the batch goes on.
    """
    parts = parts_of(settings)
    journal = open_journal(out, afresh)
    config = f"{parts.made_by.config_sha256} {parts.made_by.version} {parts.made_by.weights}"
    journal.check(config)
    unopened: list[Problem] = []
    files = files_under(paths, out, unopened)
    left = [path for path in files if not journal.has(path)]
    done = len(files) - len(left)
    progress(done, len(files))
    units = by_study(left)
    try:
        for entries in _work_through(units, settings, parts, out, config):
            for entry in entries:
                journal.add(entry)
            done += len(entries)
            progress(done, len(files))
    finally:
        # Also when interrupted: what is read so far is left complete and sorted.
        extra = [Trouble.of(problem) for problem in unopened]
        journal.finish(out, extra)
        for writer in parts.writers:
            with noting(extra, f"writer {type(writer).__name__}"):
                writer.finish(out)
        if len(extra) > len(unopened):
            journal.finish(out, extra)
    return Outcome(len(left), len(files) - len(left), (*extra, *journal.troubles()))


def open_journal(out: Path, afresh: bool) -> Journal:
    """The journal of `out`, made where it is missing; `afresh` forgets what is there."""
    with disk_errors(out):
        out.mkdir(parents=True, exist_ok=True)
        if afresh:
            for name in (journals.NAME, jsonl.NAME):
                (out / name).unlink(missing_ok=True)
            for folder in ("overlays", "explanations"):
                for picture in (out / folder).glob("*.png"):
                    picture.unlink()
    return Journal(out)


def files_under(paths: Sequence[Path], out: Path, unopened: list[Problem]) -> list[Path]:
    """Files that may be films, sorted; folders that cannot be opened go to `unopened`.

    Raises `Problem` where a path does not exist or there is no file at all.
    """
    for path in paths:
        if not path.exists():
            raise Problem(str(path), "there is no such file or folder", "check the path")
    own = out.resolve()
    found = find_films(paths, unopened)
    files = sorted(path for path in found if not path.resolve().is_relative_to(own))
    if not files and not unopened:
        raise Problem(", ".join(map(str, paths)), "holds no film", "name a folder with films")
    return files


def by_study(files: Iterable[Path]) -> list[tuple[Path, ...]]:
    """Files of one study together, in the order in which each study's first file comes."""
    studies: dict[str, list[Path]] = {}
    for path in files:
        studies.setdefault(study_of(path) or str(path), []).append(path)
    return [tuple(study) for study in studies.values()]


class Worker:
    """Reads the files of one study after the other."""

    def __init__(self, parts: Parts, readers: Sequence[FilmReader], out: Path, config: str) -> None:
        self.parts, self.readers, self.out, self.config = parts, readers, out, config

    def __call__(self, files: Sequence[Path]) -> list[Entry]:
        """Reads and writes; one entry per file, whatever happened to it. Raises `StopError`."""
        troubles: dict[str, list[Trouble]] = {str(path): [] for path in files}
        count: Counter[str] = Counter()
        before = {path: _stamp(path) for path in files}

        @contextmanager
        def guard(film: Film) -> Iterator[None]:
            with noting(troubles[film.source], _name(film.source, film.frame)):
                yield

        films = self._films(files, troubles)
        while piece := list(itertools.islice(films, CHUNK)):
            for reading in read_study(piece, self.parts, self.out, guard):
                source = reading.film.source
                count[source] += 1
                if reading.refused:
                    troubles[source].append(
                        Trouble(_name(source, reading.film.frame), reading.refused, LOOK)
                    )
        return [
            Entry(
                str(path), *before[path], self.config, count[str(path)], tuple(troubles[str(path)])
            )
            for path in files
        ]

    def _films(
        self, files: Sequence[Path], troubles: Mapping[str, list[Trouble]]
    ) -> Iterator[Film]:
        for path in files:
            with noting(troubles[str(path)], str(path)):
                for film in read_films(path, self.readers):
                    yield film if film.source == str(path) else replace(film, source=str(path))


def _name(source: str, frame: int | None) -> str:
    return source if frame is None else f"{source} frame {frame}"


def _stamp(path: Path) -> tuple[int, int, str]:
    """(size, time of change in ns, SHA-256) of a file; (-1, -1, "") where it cannot be read."""
    try:
        status = path.stat()
        if not stat.S_ISREG(status.st_mode):
            return -1, -1, ""  # a named pipe would be waited for without end
        return status.st_size, status.st_mtime_ns, digest_of(path)
    except OSError:
        return -1, -1, ""


@contextmanager
def noting(troubles: list[Trouble], source: str) -> Iterator[None]:
    """Turns any failure but `StopError` into a row for `problems.csv`."""
    try:
        with full_disk(source):
            yield
    except StopError:
        raise
    except Problem as problem:
        troubles.append(Trouble(source, problem.what, problem.do))
    except MemoryError:
        troubles.append(Trouble(source, "there is not enough memory for it", LOOK))
    except Exception as error:
        # A plugin may raise anything, and one film must not end the batch. The error's own text
        # is left out: it may quote what a header says about a patient.
        what = f"reading it failed unexpectedly ({type(error).__name__})"
        troubles.append(Trouble(source, what, LOOK))


# ---- processes --------------------------------------------------------------------------------

_worker: Worker | None = None


def _start_worker(settings: ReadSettings, out: Path, config: str, threads: int) -> None:
    global _worker
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the parent decides what Ctrl-C means
    cv2.setNumThreads(threads)
    _worker = Worker(parts_of(settings, threads), readers_of(settings), out, config)


def _work(files: Sequence[Path]) -> list[Entry]:
    assert _worker is not None
    return _worker(files)


def _work_through(
    units: Sequence[Sequence[Path]], settings: ReadSettings, parts: Parts, out: Path, config: str
) -> Iterator[list[Entry]]:
    """Entries of each unit as it is finished, in this process or in several."""
    cores = os.cpu_count() or 1
    # Starting a process takes about as long as reading a dozen films.
    workers = min(settings.workers or cores, max(1, len(units) // FILMS_PER_START))
    if settings.workers > 1:
        workers = settings.workers
    if workers == 1:
        yield from map(Worker(parts, readers_of(settings), out, config), units)
        return
    with _one_thread_each():
        yield from _in_processes(units, workers, (settings, out, config, max(1, cores // workers)))


def _in_processes(
    units: Sequence[Sequence[Path]], workers: int, start: tuple[Any, ...]
) -> Iterator[list[Entry]]:
    """As `_work_through`, in several processes."""
    suspects: list[Sequence[Path]] = []
    waiting = list(reversed(units))
    while waiting:
        running: dict[Future[list[Entry]], Sequence[Path]] = {}
        pool = _pool(workers, start)
        try:
            while waiting or running:
                while waiting and len(running) < 2 * workers:
                    running[pool.submit(_work, waiting[-1])] = waiting[-1]
                    waiting.pop()
                for future in wait(running, return_when=FIRST_COMPLETED).done:
                    entries = future.result()
                    del running[future]
                    yield entries
        except BrokenProcessPool:
            # One of the films at work killed its process; each is tried again by itself.
            suspects += running.values()
        finally:
            pool.shutdown(wait=True, cancel_futures=True)
    for unit in suspects:
        yield from _try_alone(unit, start)


def _try_alone(unit: Sequence[Path], start: tuple[Any, ...]) -> Iterator[list[Entry]]:
    """Reads a unit that may kill its process; if it does, its files one by one."""
    with _pool(1, start) as pool:
        try:
            yield pool.submit(_work, unit).result()
            return
        except BrokenProcessPool:
            pass
    if len(unit) > 1:
        for path in unit:
            yield from _try_alone((path,), start)
        return
    trouble = Trouble(str(unit[0]), "reading it ended the process that read it", LOOK)
    yield [Entry(str(unit[0]), *_stamp(unit[0]), start[2], 0, (trouble,))]


def _pool(workers: int, start: tuple[Any, ...]) -> ProcessPoolExecutor:
    # Not forked: ONNX Runtime and numba hold threads that a fork would not copy.
    return ProcessPoolExecutor(workers, get_context("spawn"), _start_worker, start)


@contextmanager
def _one_thread_each() -> Iterator[None]:
    """Processes started inside keep linear algebra to one thread, unless the user says otherwise.

    Its matrices here are small, and as many threads as cores in every process would fight.
    """
    ours = [name for name in ALGEBRA_THREADS if name not in os.environ]
    os.environ.update(dict.fromkeys(ours, "1"))
    try:
        yield
    finally:
        for name in ours:
            os.environ.pop(name, None)
