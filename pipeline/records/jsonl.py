"""`readings.jsonl`: one object per knee, appended as films are read, sorted at the end."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pipeline.knee.film import Film
from pipeline.knee.reading import Reading
from pipeline.records.files import append_lines, read_lines, write_atomic
from pipeline.records.rows import to_dict

NAME = "readings.jsonl"


@dataclass(frozen=True)
class JsonLinesWriter:
    """Writes `readings.jsonl`."""

    def write(self, out: Path, film: Film, readings: Sequence[Reading]) -> None:
        """Appends the film's readings in one piece."""
        append_lines(out / NAME, [dump(to_dict(reading)) for reading in readings])

    def finish(self, out: Path) -> None:
        """Sorts the file by source, frame and knee; a film written twice leaves its last rows."""
        path = out / NAME
        wanted = "".join(dump(row) + "\n" for row in load_rows(out))
        if not path.exists() or path.read_text(encoding="utf-8") != wanted:
            write_atomic(path, wanted)


def dump(row: dict[str, Any]) -> str:
    """One line of JSON, plain ASCII, so that any file name survives; refuses NaN."""
    return json.dumps(row, allow_nan=False, separators=(",", ":"))


def load_rows(out: Path) -> list[dict[str, Any]]:
    """The objects of `readings.jsonl`, sorted by source, frame and knee, without doubles.

    A film may stand there twice when a run was killed between writing and noting it as done, or
    when the file has changed since: only the rows of its last content count.
    """
    latest: dict[str, str] = {}
    rows: dict[tuple[str, int, int], dict[str, Any]] = {}
    for line in read_lines(out / NAME):
        row = json.loads(line)
        film = row["film"]
        latest[film["source"]] = film["sha256"]
        rows[film["source"], film["frame"] or 0, row["knee"]["index"]] = row
    return [
        row
        for key, row in sorted(rows.items(), key=lambda item: item[0])
        if row["film"]["sha256"] == latest[key[0]]
    ]
