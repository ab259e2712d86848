"""`squareon verify`: is the store what was written?"""

from __future__ import annotations

import argparse
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, ClassVar

from pipeline.knee.counted import counted
from pipeline.knee.errors import Problem

SHOWN = 20
HASH = re.compile("[0-9a-f]{64}")

EXAMPLES = """\
examples:
  squareon verify results/store.sqlite
  squareon verify results
  squareon verify postgresql://localhost/films
  squareon verify results --contains 3f1c...    (a hash that an earlier verify printed)

Every row of the history is chained to the one before and the last one is sealed with the store's
key: what was changed, removed, put in or cut off is found. A store put back as a whole to an
earlier state is found with --contains: write the printed hash down elsewhere. Exit status: 0 the
store is what was written, 1 it is not, 2 it cannot be opened.
"""


@dataclass(frozen=True)
class VerifyCommand:
    """Checks a store's history."""

    help: ClassVar[str] = "check that a store of reviewed readings is what was written"
    settings: ClassVar[None] = None

    def add_arguments(self, parser: argparse.ArgumentParser) -> None:
        parser.epilog = EXAMPLES
        parser.add_argument("store", metavar="STORE", help="store, its folder, or its URL")
        parser.add_argument(
            "--contains", metavar="HASH", help="also check that the history has this hash"
        )

    def run(self, arguments: argparse.Namespace, settings: Mapping[str, Any]) -> int:
        from pipeline.records.store import open_store  # not light

        wanted = (arguments.contains or "").strip().lower()
        if arguments.contains is not None and not HASH.fullmatch(wanted):
            what = "is no hash: they have 64 digits, 0 to 9 and a to f"
            raise Problem(f"--contains {arguments.contains}", what, "copy the one verify printed")
        with open_store(arguments.store, make=False) as store:
            broken = store.verify()
            rows, last = store.end()
            readings = sum(store.progress().values())
            lines = [f"{one.where}: {one.what}" for one in broken]
            if wanted and not store.holds(wanted):
                lines.append(f"history: no row has the hash {wanted}")
        for line in lines[:SHOWN]:
            print(f"broken: {line}")
        if len(lines) > SHOWN:
            print(f"broken: {len(lines) - SHOWN} more")
        if lines:
            print("The store is not what was written. Go on from the last good copy.")
            return 1
        print(
            f"{counted(readings, 'reading')}, {counted(rows, 'row')} of history: "
            "all as they were written."
        )
        print(f"last hash: {last}")
        return 0
