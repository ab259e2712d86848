"""`squareon drift`: does positioning change over time, and what was rejected?"""

from __future__ import annotations

import argparse
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar

from pipeline.commands.asked import add_choices, chosen, period
from pipeline.commands.caution import CAUTION
from pipeline.commands.progress import bar
from pipeline.knee.errors import Problem

if TYPE_CHECKING:
    from pipeline.records.store import Store

EXAMPLES = """\
examples:
  squareon drift --invented --out drift-demo
  squareon drift results --out drift
  squareon drift results --out drift --station R1 baseline=2025-01..2025-06
  squareon drift results --out drift every=month rules=[beyond,eight] operators=true
  squareon drift results --out drift language=de

Writes drift.html, drift.pdf and drift.csv. STORE is a store, its URL, or a folder that squareon
read wrote; with --invented a year of invented readings with a planted drift is put into --out
instead. One point stands for a week, a month or a number of readings; level and limits come from
baseline, or are learnt point by point where none is named. Days come from headers or from a
table of yours (squareon facts). A chart tells that something changed, never why.
"""


@dataclass(frozen=True)
class DriftSettings:
    """Settings of `squareon drift`.

    Attributes:
        every: what one point stands for: auto, week, month, or a number of readings.
        baseline: the period that counts as unchanged, e.g. 2025-01..2025-06; "" levels are learnt.
        rules: of the Shewhart charts: beyond, two, four, eight (Western Electric), range (jumps).
        k, h: of the CUSUM, in standard deviations.
        operators: also a table of operators, for teaching.
        language: of the page: en, de.
    """

    every: str = "auto"
    baseline: str = ""
    rules: list[str] = field(default_factory=lambda: ["beyond"])
    k: float = 0.5
    h: float = 5.0
    operators: bool = False
    language: str = "en"


@dataclass(frozen=True)
class DriftCommand:
    """Draws control charts of a store's readings."""

    help: ClassVar[str] = "control charts: does positioning drift, what was rejected and why"
    settings: ClassVar[type | None] = DriftSettings

    def add_arguments(self, parser: argparse.ArgumentParser) -> None:
        parser.epilog = EXAMPLES
        parser.add_argument("store", metavar="STORE", nargs="?", help="store, its folder, its URL")
        parser.add_argument(
            "--out", required=True, type=Path, metavar="DIR", help="folder for page and tables"
        )
        parser.add_argument(
            "--invented", action="store_true", help="make and show a year of invented readings"
        )
        add_choices(parser)

    def run(self, arguments: argparse.Namespace, settings: Mapping[str, Any]) -> int:
        from pipeline.records.quality.drift import How
        from pipeline.records.quality.write import write_drift  # draws: not light

        wanted = DriftSettings(**settings)
        how = How(
            baseline=period(wanted.baseline, "baseline=") if wanted.baseline else None,
            rules=tuple(wanted.rules),
            k=wanted.k,
            h=wanted.h,
        )
        filter = chosen(arguments)
        with _store(arguments) as store:
            said = write_drift(
                store,
                filter,
                how,
                arguments.out,
                every=wanted.every,
                operators=wanted.operators,
                language=wanted.language,
            )
        print("\n".join(said))
        print(CAUTION)
        return 0


def _store(arguments: argparse.Namespace) -> Store:
    from pipeline.records.store import open_store

    if arguments.invented == (arguments.store is not None):
        raise Problem("squareon drift", "needs a store, or --invented", "give one of the two")
    if not arguments.invented:
        with bar("looking into headers") as progress:
            return open_store(arguments.store, progress=progress)
    from pipeline.records.quality.invented import fill_invented
    from pipeline.records.store import Store

    place = arguments.out / "store.sqlite"
    fresh = not place.exists()
    store = Store.open(str(place))
    if fresh:
        fill_invented(store)
    return store
