"""`squareon facts`: how films were made, from a site's own tables."""

from __future__ import annotations

import argparse
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, ClassVar

from pipeline.commands.caution import CAUTION
from pipeline.commands.progress import bar
from pipeline.knee.counted import counted
from pipeline.knee.errors import Problem

EXAMPLES = """\
examples:
  squareon facts results                               look into headers, say what is known
  squareon facts results --table made.csv              add what a table says
  squareon facts results --codes codes.csv             give operators and stations your codes
  squareon facts results --rejected archive/rejects    take in notes of rejection (DICOM KO)

made.csv names films in one column (path, sha256 or instance) and tells operator, station, day,
modality, body_part, reject in any of the others; what it says stands above the header. reject is
a cause of DICOM's CID 7011, such as positioning, or empty. codes.csv has the columns kind
(operator or station), name (as in headers) and code. Names are not kept: the store holds a keyed
code for each, and the code you choose. Cells that are wrong are told by their line. Exit status:
0 all was taken, 1 some lines were not, 2 nothing was.
"""
SHOWN = 20


@dataclass(frozen=True)
class FactsCommand:
    """Notes how the films of a store were made."""

    help: ClassVar[str] = "note who made films, where, when, and which were rejected"
    settings: ClassVar[None] = None

    def add_arguments(self, parser: argparse.ArgumentParser) -> None:
        parser.epilog = EXAMPLES
        parser.add_argument("store", metavar="STORE", help="store, its folder, or its URL")
        for name, says in (
            ("table", "films with operator, station, day, modality, body_part, reject"),
            ("codes", "names of headers with the site's codes"),
        ):
            parser.add_argument(f"--{name}", type=Path, metavar="CSV", help=says)
        parser.add_argument(
            "--rejected",
            type=Path,
            metavar="PATH",
            help="key object selections that reject films (CID 7010), a file or a folder",
        )

    def run(self, arguments: argparse.Namespace, settings: Mapping[str, Any]) -> int:
        from pipeline.readers.dicom_acquisition import rejected_films
        from pipeline.readers.find import find_films
        from pipeline.records.store import Acquisitions, open_store
        from pipeline.records.store.acquisition_table import take_codes, take_table

        if arguments.rejected is not None and not arguments.rejected.exists():
            raise Problem(str(arguments.rejected), "is not there", "check the path")
        problems = []
        with bar("looking into headers") as progress:
            store = open_store(arguments.store, progress=progress)
        with store:
            acquisitions = Acquisitions(store)
            if arguments.codes is not None:
                count, wrong = take_codes(acquisitions, arguments.codes)
                print(f"{counted(count, 'name')} with a code now")
                problems += wrong
            if arguments.table is not None:
                count, wrong = take_table(acquisitions, arguments.table)
                print(f"{counted(count, 'film')} told about")
                problems += wrong
            if arguments.rejected is not None:
                causes = {
                    uid: cause
                    for path in find_films([arguments.rejected], problems)
                    for uid, cause in rejected_films(path)
                }
                known = acquisitions.reject(causes)
                print(f"{counted(len(causes), 'film')} called rejected, {known} in the store")
            counts = acquisitions.counts()
        total = counts.pop("films")
        print(f"{counted(total, 'film')} in the store; known of:")
        for name, known in counts.items():
            print(f"  {name:<10} {known:>8}")
        for problem in problems[:SHOWN]:
            print(f"wrong: {problem}")
        if len(problems) > SHOWN:
            print(f"wrong: {len(problems) - SHOWN} more")
        print(CAUTION)
        return 1 if problems else 0
