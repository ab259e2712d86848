"""`summary.csv`: one row per knee with the chief numbers."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pipeline.knee.film import Film
from pipeline.knee.reading import Reading
from pipeline.records.files import write_atomic
from pipeline.records.jsonl import load_rows
from pipeline.records.rows import SUMMARY_COLUMNS, summary_row


@dataclass(frozen=True)
class TableWriter:
    """Writes `summary.csv` from `readings.jsonl` when the last film is done."""

    def write(self, out: Path, film: Film, readings: Sequence[Reading]) -> None:
        """Nothing to do until all films are read: the table is a view of `readings.jsonl`."""

    def finish(self, out: Path) -> None:
        rows = [summary_row(row) for row in load_rows(out)]
        write_atomic(out / "summary.csv", csv_text(SUMMARY_COLUMNS, rows))


def csv_text(columns: Sequence[str], rows: Iterable[Mapping[str, Any]]) -> str:
    """CSV with a header line; text that a spreadsheet would run as a formula gets a quote mark.

    File names come from outside and may begin with `=`, `+`, `-` or `@` (advice of the OWASP page
    "CSV Injection", from memory).
    """
    text = io.StringIO()
    table = csv.DictWriter(text, columns, lineterminator="\n")
    table.writeheader()
    for row in rows:
        table.writerow({key: harmless(value) for key, value in row.items()})
    return text.getvalue()


def harmless(value: Any) -> Any:
    """A cell that a spreadsheet takes as text, never as a formula."""
    return f"'{value}" if isinstance(value, str) and value[:1] in ("=", "+", "-", "@") else value
