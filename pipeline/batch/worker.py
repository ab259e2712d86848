"""Reads the files of one study: every film that can be, and a row for each that cannot."""

from __future__ import annotations

import itertools
import stat
from collections import Counter
from collections.abc import Collection, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import cv2

from pipeline.batch.processes import Mark, unmarked
from pipeline.batch.settings import ReadSettings, parts_of, readers_of
from pipeline.contracts import FilmReader
from pipeline.knee.errors import Problem
from pipeline.knee.film import Film
from pipeline.knee.reading import Reading
from pipeline.readers.files import sha256_of
from pipeline.readers.read import read_films
from pipeline.records.files import StopError, full_disk
from pipeline.records.journal import Entry, Trouble
from pipeline.run import Parts, read_study

CHUNK = 24
"""Pictures held in memory at once: 24 of 3000 x 3000 are 0.9 GB. Pairs of views are looked for
within so many."""

LOOK = "look at the film yourself"
ENDED = "reading it ended the process that read it"


def read_files(
    files: Sequence[Path],
    parts: Parts,
    readers: Sequence[FilmReader],
    out: Path,
    troubles: Mapping[str, list[Trouble]],
    skip: Collection[str] = (),
    mark: Mark = unmarked,
) -> Iterator[Reading]:
    """Readings of the films in `files`, written under `out` by the writers there are.

    Args:
        troubles: path to a list, one for each file; what goes wrong is added, refusals too.
        skip: paths whose reading has ended a process; they get a row and are not touched.
        mark: told the path at work, before anything is done with it.

    Raises `StopError`.
    """

    @contextmanager
    def guard(film: Film) -> Iterator[None]:
        mark(film.source)
        with noting(troubles[film.source], _name(film.source, film.frame)):
            yield

    films = _films(files, readers, troubles, skip, mark)
    while piece := list(itertools.islice(films, CHUNK)):
        for reading in read_study(piece, parts, out, guard):
            source = reading.film.source
            if reading.refused:
                name = _name(source, reading.film.frame)
                troubles[source].append(Trouble(name, reading.refused, LOOK))
            yield reading


def _films(
    files: Sequence[Path],
    readers: Sequence[FilmReader],
    troubles: Mapping[str, list[Trouble]],
    skip: Collection[str],
    mark: Mark,
) -> Iterator[Film]:
    for path in files:
        if str(path) in skip:
            troubles[str(path)].append(Trouble(str(path), ENDED, LOOK))
            continue
        mark(str(path))
        with noting(troubles[str(path)], str(path)):
            for film in read_films(path, readers):
                yield film if film.source == str(path) else replace(film, source=str(path))


def _name(source: str, frame: int | None) -> str:
    return source if frame is None else f"{source} frame {frame}"


class Worker:
    """Reads the files of one study after the other; one journal entry per file."""

    def __init__(self, parts: Parts, readers: Sequence[FilmReader], out: Path, config: str) -> None:
        self.parts, self.readers, self.out, self.config = parts, readers, out, config

    def __call__(
        self, files: Sequence[Path], skip: Collection[str] = (), mark: Mark = unmarked
    ) -> list[Entry]:
        """Reads and writes; one entry per file, whatever happened to it. Raises `StopError`."""
        troubles: dict[str, list[Trouble]] = {str(path): [] for path in files}
        before = {str(path): size_of(path) for path in files}
        count: Counter[str] = Counter()
        stamps: dict[str, tuple[int, int, str]] = {}
        for reading in read_files(files, self.parts, self.readers, self.out, troubles, skip, mark):
            film = reading.film
            count[film.source] += 1
            stamps[film.source] = (*before[film.source], film.sha256)  # the reader's own digest
        return [
            Entry(
                str(path),
                *(stamps.get(str(path)) or stamp_of(path)),
                self.config,
                count[str(path)],
                tuple(troubles[str(path)]),
            )
            for path in files
        ]


def make_worker(settings: ReadSettings, out: Path, config: str, threads: int) -> Worker:
    """A `Worker` as it is made in each process."""
    cv2.setNumThreads(threads)
    return Worker(parts_of(settings, threads), readers_of(settings), out, config)


def stamp_of(path: Path) -> tuple[int, int, str]:
    """(size, time of change in ns, SHA-256) of a file; (-1, -1, "") where it cannot be read."""
    try:
        size, changed = size_of(path)
        return size, changed, sha256_of(path) if size >= 0 else ""
    except OSError:
        return -1, -1, ""


def size_of(path: Path) -> tuple[int, int]:
    """(size, time of change in ns) of a file; (-1, -1) where it is none or cannot be asked."""
    try:
        status = path.stat()
    except OSError:
        return -1, -1
    # a named pipe would be waited for without end
    return (status.st_size, status.st_mtime_ns) if stat.S_ISREG(status.st_mode) else (-1, -1)


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
