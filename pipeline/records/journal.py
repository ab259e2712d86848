"""What a run has finished, so that the next one continues instead of starting again.

`journal.jsonl` holds one line per finished file: its source, size, time of change and SHA-256,
the settings' digest, and the problems met. `problems.csv` is made from it.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import asdict, dataclass
from pathlib import Path

from pipeline.knee.errors import Problem
from pipeline.readers.files import sha256_of
from pipeline.records.files import append_lines, read_lines, write_atomic
from pipeline.records.table import csv_text

NAME = "journal.jsonl"
PROBLEM_COLUMNS = ("source", "what", "do")


@dataclass(frozen=True)
class Trouble:
    """One row of `problems.csv`."""

    source: str
    what: str
    do: str

    @staticmethod
    def of(problem: Problem) -> Trouble:
        return Trouble(problem.source, problem.what, problem.do)


@dataclass(frozen=True)
class Entry:
    """One finished file.

    Attributes:
        source: the path as it was found.
        size, mtime_ns, sha256: of the file when it was read; -1, -1, "" where it could not be.
        config: digest of the settings that made its readings.
        readings: how many rows it has in `readings.jsonl`.
        troubles: what went wrong, refusals included.
    """

    source: str
    size: int
    mtime_ns: int
    sha256: str
    config: str
    readings: int
    troubles: tuple[Trouble, ...]


class Journal:
    """The journal of one output folder."""

    def __init__(self, out: Path) -> None:
        self.path = out / NAME
        self.entries: dict[str, Entry] = {}
        for line in read_lines(self.path):
            values = json.loads(line)
            troubles = tuple(Trouble(**trouble) for trouble in values.pop("troubles"))
            self.entries[values["source"]] = Entry(**values, troubles=troubles)

    def check(self, config: str) -> None:
        """Raises `Problem` where the folder holds readings made with other settings."""
        if any(entry.config != config for entry in self.entries.values()):
            raise Problem(
                str(self.path.parent),
                "holds readings made with other settings or weights",
                "give another --out, or add --afresh to replace them",
            )

    def has(self, path: Path) -> bool:
        """Whether `path` is read already and unchanged; one that failed is tried again."""
        entry = self.entries.get(str(path))
        if entry is None or entry.readings == 0:
            return False
        try:
            status = path.stat()
        except OSError:
            return False
        if status.st_size != entry.size:
            return False
        return status.st_mtime_ns == entry.mtime_ns or sha256_of(path) == entry.sha256

    def add(self, entry: Entry) -> None:
        """Notes a finished file, on disk before this returns."""
        append_lines(self.path, [json.dumps(asdict(entry))])
        self.entries[entry.source] = entry

    def troubles(self) -> list[Trouble]:
        """All problems, sorted by source."""
        return [
            trouble for source in sorted(self.entries) for trouble in self.entries[source].troubles
        ]

    def finish(self, out: Path, extra: Iterable[Trouble] = ()) -> None:
        """Writes `problems.csv`; `extra` are problems that belong to no file."""
        rows = [asdict(trouble) for trouble in (*extra, *self.troubles())]
        write_atomic(out / "problems.csv", csv_text(PROBLEM_COLUMNS, rows))


def write_problems(path: Path, problems: Iterable[Problem | Trouble]) -> None:
    """The table of problems at `path`; where there are none, none is left from before."""
    rows = [{"source": each.source, "what": each.what, "do": each.do} for each in problems]
    if rows:
        write_atomic(path, csv_text(PROBLEM_COLUMNS, rows))
    else:
        path.unlink(missing_ok=True)
