"""`squareon agreement`: how well independent readers agree."""

from __future__ import annotations

import argparse
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar

from pipeline.commands.caution import CAUTION
from pipeline.knee.counted import counted
from pipeline.records.files import write_atomic

if TYPE_CHECKING:
    from pipeline.records.reader_study import Statistic

EXAMPLES = """\
examples:
  squareon agreement results
  squareon agreement results/store.sqlite --out agreement.csv

Readings count that two people gave independently, both of them in. Angles: bias and 95 % limits
of agreement (Bland & Altman 1986), intraclass correlation (Shrout & Fleiss 1979, six forms);
verdict, view, side and decision: kappa (Cohen 1960, 1968). Readers start from the program's
proposal, so they agree better than they would on a bare film.
"""


@dataclass(frozen=True)
class AgreementCommand:
    """Prints and writes the table of a reader study."""

    help: ClassVar[str] = "how well two independent readers agree (ICC, limits, kappa)"
    settings: ClassVar[None] = None

    def add_arguments(self, parser: argparse.ArgumentParser) -> None:
        parser.epilog = EXAMPLES
        parser.add_argument("store", metavar="STORE", help="store, its folder, or its URL")
        parser.add_argument("--out", type=Path, metavar="FILE", help="also write the table as CSV")

    def run(self, arguments: argparse.Namespace, settings: Mapping[str, Any]) -> int:
        from pipeline.records.reader_study import LEAST, as_csv, reader_agreement
        from pipeline.records.store import open_store  # not light

        with open_store(arguments.store, make=False) as store:
            doubles = store.double_readings()
        statistics = reader_agreement(doubles)
        if arguments.out is not None:
            write_atomic(arguments.out, as_csv(statistics))
        waiting = sum(double.settled is None for double in doubles)
        print(f"{counted(len(doubles), 'reading')} given twice; {waiting} to be adjudicated.")
        print("Differences are the first named minus the second named.")
        print(table(statistics) if statistics else f"Fewer than {LEAST}: no statistics.")
        if arguments.out is not None:
            print(f"table in {arguments.out}")
        print(CAUTION)
        return 0


def table(statistics: list[Statistic]) -> str:
    """The statistics as text, grouped by what is compared."""
    lines, heading = [], ""
    for one in statistics:
        head = f"{one.compared}: {one.quantity}, {one.view} (n = {one.n})"
        if head != heading:
            lines += ["", head]
            heading = head
        value = "not defined" if one.value is None else f"{one.value:.3f}"
        span = "" if one.low is None or one.high is None else f"  ({one.low:.3f} to {one.high:.3f})"
        lines.append(f"  {one.statistic:<44} {value:>10}{span}")
    return "\n".join(lines)
