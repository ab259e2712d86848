"""What was found, as files for other programs: CSV and Parquet, written piece by piece."""

from __future__ import annotations

import csv
from collections.abc import Callable, Iterable, Iterator
from dataclasses import fields
from itertools import islice
from pathlib import Path
from typing import Any

from pipeline.knee.errors import Problem
from pipeline.records.files import whole_file
from pipeline.records.rows import NOTICE
from pipeline.records.store.find import Found
from pipeline.records.table import harmless

COLUMNS = (*(field.name for field in fields(Found)), "notice")
NUMBERS = {"reading": "int64", "frame": "int64", "knee": "int64"} | dict.fromkeys(
    ("square_probability", "rotation_deg", "tilt_deg", "uncertainty_deg"), "float64"
)
PIECE = 10_000


def writer_for(path: Path) -> Callable[[Iterable[Found]], int]:
    """What writes to `path` and returns the number of rows; raises `Problem` for another kind."""
    kinds = {".csv": _write_csv, ".parquet": _write_parquet}
    write = kinds.get(path.suffix.lower())
    if write is None:
        raise Problem(str(path), "is no kind of table", f"name a file {' or '.join(kinds)}")
    if write is _write_parquet:
        _arrow()  # missing: said before anything is looked for

    def written(found: Iterable[Found]) -> int:
        with whole_file(path) as part:
            return write(part, found)

    return written


def _write_csv(path: Path, found: Iterable[Found]) -> int:
    count = 0
    with open(path, "w", encoding="utf-8", newline="") as file:
        table = csv.writer(file, lineterminator="\n")
        table.writerow(COLUMNS)
        for one in found:
            table.writerow([*map(harmless, one.row().values()), NOTICE])
            count += 1
    return count


def _write_parquet(path: Path, found: Iterable[Found]) -> int:
    arrow, parquet = _arrow()
    kinds = {"int64": arrow.int64(), "float64": arrow.float64(), "string": arrow.string()}
    schema = arrow.schema(
        [(name, kinds[NUMBERS.get(name, "string")]) for name in COLUMNS], {"notice": NOTICE}
    )
    count = 0
    with parquet.ParquetWriter(path, schema) as table:
        for rows in _pieces(found):
            table.write_table(arrow.Table.from_pylist(rows, schema=schema))
            count += len(rows)
        if not count:
            table.write_table(schema.empty_table())
    return count


def _pieces(found: Iterable[Found]) -> Iterator[list[dict[str, Any]]]:
    waiting = iter(found)
    while piece := [{**one.row(), "notice": NOTICE} for one in islice(waiting, PIECE)]:
        yield piece


def _arrow() -> tuple[Any, Any]:
    try:
        import pyarrow
        import pyarrow.parquet
    except ImportError as error:
        raise Problem(
            "pyarrow",
            "is not installed, and Parquet needs it",
            "pip install 'squareon[archive]', or write .csv",
        ) from error
    return pyarrow, pyarrow.parquet
