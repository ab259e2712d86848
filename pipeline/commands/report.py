"""`squareon report`: what was read, for people, as pages and documents."""

from __future__ import annotations

import argparse
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, ClassVar

from pipeline.commands.caution import CAUTION
from pipeline.commands.progress import bar
from pipeline.knee.counted import counted

EXAMPLES = """\
examples:
  squareon report results reports
  squareon report results reports language=de
  squareon report results reports what=[operator,period] period=quarter
  squareon report results reports since=2026-01-01 until=2026-03-31 format=[pdf]
  squareon report results draft unreviewed=true what=[film]

STORE is a folder that squareon read wrote, a store, or its URL. Each report is one file without a
script; index.html (or index.pdf) leads to the others. Readings that a person has accepted are
told about; with unreviewed=true the others too, marked UNREVIEWED. Operators are codes, never
names; few films give counts and no shares; nobody is ranked. Exit status: 0 all well,
1 problems.csv has rows, 2 the command is wrong, 3 disk full.
"""


@dataclass(frozen=True)
class ReportSettings:
    """Settings of `squareon report`.

    Attributes:
        what: names of reports: film, study, operator, period. The overview is always written.
        format: html, pdf.
        language: of the reports: en, de.
        period: length of a period: month, quarter, year.
        unreviewed: also tell about readings that nobody has accepted, marked UNREVIEWED.
        since, until: first and last day of acquisition, YYYY-MM-DD; empty for no limit.
        operator: only these operators' codes; empty for all.
        names: what films are called: path (folder and file name) or code (tells nothing).
        outline: draw the outline of a knee fitted again to the landmarks.
        align: options of the verdict (`pipeline.align.options.AlignOptions`); the tolerance is
            drawn as a band.
        pose: the estimator that fits the outline, `{name: ..., option: value}`.
        reader: film readers, tried in this order.
    """

    what: list[str] = field(default_factory=lambda: ["film", "study", "operator", "period"])
    format: list[str] = field(default_factory=lambda: ["html", "pdf"])
    language: str = "en"
    period: str = "month"
    unreviewed: bool = False
    since: str = ""
    until: str = ""
    operator: list[str] = field(default_factory=list)
    names: str = "path"
    outline: bool = True
    align: dict[str, Any] = field(default_factory=dict)
    pose: dict[str, Any] = field(default_factory=dict)
    reader: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class ReportCommand:
    """Writes reports of reviewed readings."""

    help: ClassVar[str] = "write reports per film, study, operator code and period (HTML, PDF)"
    settings: ClassVar[type | None] = ReportSettings

    def add_arguments(self, parser: argparse.ArgumentParser) -> None:
        parser.epilog = EXAMPLES
        parser.add_argument("store", metavar="STORE", help="results, a store, or its URL")
        parser.add_argument("out", type=Path, metavar="OUT", help="folder for the reports")

    def run(self, arguments: argparse.Namespace, settings: Mapping[str, Any]) -> int:
        # Only this command needs the libraries of papers and charts.
        from pipeline.align.options import AlignOptions
        from pipeline.records.export.outlines import FittedOutlines
        from pipeline.records.store import open_store
        from pipeline.registry import build_each, build_section, check_options
        from pipeline.reports.choices import Choices, day_of
        from pipeline.reports.write import Reporter

        wanted = ReportSettings(**settings)
        choices = Choices(
            what=tuple(wanted.what),
            formats=tuple(wanted.format),
            language=wanted.language,
            period=wanted.period,
            unreviewed=wanted.unreviewed,
            since=day_of("since", wanted.since),
            until=day_of("until", wanted.until),
            operator=tuple(wanted.operator),
            align=AlignOptions(**check_options(AlignOptions, wanted.align, "align")),
            names=wanted.names,
        )
        readers = tuple(build_each("reader", wanted.reader).values())
        fits = FittedOutlines(build_section("pose", wanted.pose)) if wanted.outline else None
        with open_store(arguments.store) as store, bar("reporting") as progress:
            reporter = Reporter(arguments.out, choices, readers, fits)
            outcome = reporter.run(store, progress)
        print(
            f"{counted(outcome.reports, 'report')} of {counted(outcome.readings, 'reading')}, "
            f"{counted(len(outcome.written), 'file')} in {arguments.out}"
        )
        if outcome.left_out:
            print(f"  {counted(outcome.left_out, 'reading')} left out: no person has accepted them")
        if outcome.problems:
            print(f"  {arguments.out / 'problems.csv'}: {counted(len(outcome.problems), 'row')}")
        print(CAUTION)
        return 1 if outcome.problems else 0
