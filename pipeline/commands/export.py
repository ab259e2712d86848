"""`squareon export`: reviewed readings as objects, tables and pages."""

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
  squareon export results exported
  squareon export results exported organization="Example department"
  squareon export results exported what=[tables,coco]
  squareon export results shared deidentify=true
  squareon export results shared deidentify=true looked_at=shared-to-look-at/burnt_in.csv
  squareon export results trial unreviewed=true what=[html]

STORE is a store, the folder it lies in, or its URL. Readings that a person has accepted are
exported; with unreviewed=true the others too, marked UNREVIEWED throughout. A de-identified
export holds films back until a person has looked for burnt-in text. Exit status: 0 all well,
1 problems.csv has rows or films wait to be looked at, 2 the command is wrong, 3 disk full.
"""


@dataclass(frozen=True)
class ExportSettings:
    """Settings of `squareon export`.

    Attributes:
        what: names of what to make: report and presentation (DICOM), tables, coco, html,
            operators.
        deidentify: replace or remove whatever may tell who somebody is (DICOM PS3.15 Annex E).
        unreviewed: also export readings that nobody has accepted, marked UNREVIEWED.
        organization: the site's own name, written as Verifying Organization.
        looked_at: the table burnt_in.csv of an earlier de-identified export, filled in.
        outline: draw the outline of a knee fitted again to the landmarks.
        tolerance_deg: band drawn in the plots of operators, degrees.
        pose: the estimator that fits the outline, `{name: ..., option: value}`.
        reader: film readers, tried in this order.
    """

    what: list[str] = field(
        default_factory=lambda: ["report", "presentation", "tables", "coco", "html"]
    )
    deidentify: bool = False
    unreviewed: bool = False
    organization: str = "not stated"
    looked_at: str = ""
    outline: bool = True
    tolerance_deg: float = 5.0
    pose: dict[str, Any] = field(default_factory=dict)
    reader: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class ExportCommand:
    """Exports reviewed readings."""

    help: ClassVar[str] = "export reviewed readings as DICOM objects, tables and pages"
    settings: ClassVar[type | None] = ExportSettings

    def add_arguments(self, parser: argparse.ArgumentParser) -> None:
        parser.epilog = EXAMPLES
        parser.add_argument("store", metavar="STORE", help="store, its folder, or its URL")
        parser.add_argument("out", type=Path, metavar="OUT", help="folder for what is exported")

    def run(self, arguments: argparse.Namespace, settings: Mapping[str, Any]) -> int:
        # Only this command needs the libraries of DICOM objects and of the store.
        from pipeline.records.export.choices import Choices, read_looked
        from pipeline.records.export.export import Exporter
        from pipeline.records.export.outlines import FittedOutlines
        from pipeline.records.store import open_store
        from pipeline.registry import build_each, build_section

        wanted = ExportSettings(**settings)
        choices = Choices(
            what=tuple(wanted.what),
            deidentify=wanted.deidentify,
            unreviewed=wanted.unreviewed,
            organization=wanted.organization,
            looked_at=read_looked(Path(wanted.looked_at)) if wanted.looked_at else {},
            tolerance_deg=wanted.tolerance_deg,
        )
        readers = tuple(build_each("reader", wanted.reader).values())
        fits = FittedOutlines(build_section("pose", wanted.pose)) if wanted.outline else None
        with open_store(arguments.store, make=False) as store, bar("exporting") as progress:
            rows = store.readings(order="source")
            key = store.derived_key("export")
            exporter = Exporter(arguments.out, choices, readers, key, fits)
            outcome = exporter.run((store.reading(row.id) for row in rows), progress)
        print(
            f"{counted(outcome.exported, 'reading')} exported, "
            f"{counted(len(outcome.written), 'file')} in {arguments.out}"
        )
        if outcome.left_out:
            print(f"  {counted(outcome.left_out, 'reading')} left out: no person has accepted them")
        if outcome.waiting:
            print(
                f"  {counted(outcome.waiting, 'film')} held back: look in {exporter.aside}, "
                "fill in the column do of burnt_in.csv there and give it as looked_at"
            )
        if outcome.problems:
            print(f"  {exporter.aside / 'problems.csv'}: {counted(len(outcome.problems), 'row')}")
        print(CAUTION)
        return 1 if outcome.problems or outcome.waiting else 0
