"""`squareon read`: the films under some paths into one folder, noted in a journal, resumed.

One study is one piece of work, so that AP and lateral of a knee can be paired.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from pipeline.batch.processes import in_processes
from pipeline.batch.settings import ReadSettings, parts_of, readers_of
from pipeline.batch.worker import Worker, make_worker, noting
from pipeline.contracts import Progress, silent
from pipeline.knee.errors import Problem
from pipeline.readers.find import find_films, study_of
from pipeline.records import journal as journals
from pipeline.records import jsonl
from pipeline.records.files import disk_errors
from pipeline.records.journal import Entry, Journal, Trouble
from pipeline.run import Parts

FILMS_PER_START = 12
"""Starting a process takes about as long as reading so many films."""


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


def read_batch(
    paths: Sequence[Path],
    out: Path,
    settings: ReadSettings,
    *,
    afresh: bool = False,
    progress: Progress = silent,
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


def _work_through(
    units: Sequence[Sequence[Path]], settings: ReadSettings, parts: Parts, out: Path, config: str
) -> Iterator[list[Entry]]:
    """Entries of each unit as it is finished, in this process or in several."""
    cores = os.cpu_count() or 1
    workers = min(settings.workers or cores, max(1, len(units) // FILMS_PER_START))
    if settings.workers > 1:
        workers = settings.workers
    if workers == 1:
        yield from map(Worker(parts, readers_of(settings), out, config), units)
        return
    make = partial(make_worker, settings, out, config, max(1, cores // workers))
    yield from in_processes(units, make, workers)
