"""`squareon find`: which readings answer a question."""

from __future__ import annotations

import argparse
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar

from pipeline.commands.asked import add_choices, chosen
from pipeline.commands.caution import CAUTION
from pipeline.commands.progress import bar
from pipeline.knee.counted import counted
from pipeline.knee.errors import Problem

if TYPE_CHECKING:
    from pipeline.records.store import Found

EXAMPLES = """\
examples:
  squareon find results --verdict no --view AP
  squareon find results --rotation=5.. --period 2026-01..2026-03 --out turned.csv
  squareon find results --operator A7 --off=..5 --state accepted --out found.parquet
  squareon find postgresql://server/films --reject positioning --limit 100

STORE is a store, its URL, or a folder that squareon read wrote. A range that begins with a minus
needs the sign =, as in --rotation=-3..3. Films go by their number in the store, which the review
page opens, and by a keyed name: no path, no name and no number of a patient is printed or
written. Of several readings of one knee the last one counts. Days, operators and stations come
from headers and from the site's own tables (squareon facts).
"""

SHOWN = (
    *("reading", "day", "operator", "station", "view", "side", "verdict"),
    *("rotation_deg", "tilt_deg", "state", "reject"),
)


@dataclass(frozen=True)
class FindCommand:
    """Lists readings, on the screen and as a table."""

    help: ClassVar[str] = "find readings by verdict, angle, operator, station, period, state"
    settings: ClassVar[None] = None

    def add_arguments(self, parser: argparse.ArgumentParser) -> None:
        parser.epilog = EXAMPLES
        parser.add_argument("store", metavar="STORE", help="store, its folder, or its URL")
        add_choices(parser)
        parser.add_argument(
            "--out", type=Path, metavar="FILE", help="write all of them as .csv or .parquet"
        )
        parser.add_argument(
            "--limit", type=int, default=20, metavar="N", help="rows on the screen (20)"
        )

    def run(self, arguments: argparse.Namespace, settings: Mapping[str, Any]) -> int:
        from pipeline.records.found_files import writer_for
        from pipeline.records.store import find, open_store  # not light

        if arguments.limit < 0:
            raise Problem("--limit", f"{arguments.limit} is no number of rows", "give 0 or more")
        filter = chosen(arguments)
        write = None if arguments.out is None else writer_for(arguments.out)
        with bar("looking into headers") as progress:
            store = open_store(arguments.store, progress=progress)
        with store:
            first: list[Found] = []
            verdicts: Counter[str] = Counter()
            found = _noting(find(store, filter), first, verdicts, arguments.limit)
            count = sum(1 for _ in found) if write is None else write(found)
        print(told(first, verdicts, count))
        if arguments.out is not None:
            print(f"{counted(count, 'row')} in {arguments.out}")
        print(CAUTION)
        return 0


def _noting(
    found: Iterable[Found], first: list[Found], verdicts: Counter[str], limit: int
) -> Iterator[Found]:
    """Passes readings on; keeps the first ones and counts verdicts."""
    for one in found:
        if len(first) < limit:
            first.append(one)
        verdicts[one.verdict or "no verdict"] += 1
        yield one


def told(first: list[Found], verdicts: Counter[str], count: int) -> str:
    """What the screen shows."""
    if not count:
        return "No reading answers that."
    cells = [SHOWN, *([_cell(one.row()[name]) for name in SHOWN] for one in first)]
    widths = [max(map(len, column)) for column in zip(*cells, strict=True)]
    lines = [
        "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()
        for row in cells
    ]
    if count > len(first):
        lines.append(f"... {count - len(first)} more (--limit, --out)")
    shares = ", ".join(f"{verdicts[name]} {name}" for name in sorted(verdicts))
    return "\n".join([*lines, f"{counted(count, 'reading')}; square: {shares}"])


def _cell(value: object) -> str:
    if value is None:
        return "-"
    return f"{value:+.1f}" if isinstance(value, float) else str(value)
