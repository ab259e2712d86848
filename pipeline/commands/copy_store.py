"""`squareon copy`: a store as it is, to another place."""

from __future__ import annotations

import argparse
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, ClassVar

from pipeline.knee.counted import counted
from pipeline.knee.errors import Problem

EXAMPLES = """\
examples:
  squareon copy results/store.sqlite backup/store-monday.sqlite
  squareon copy results postgresql://localhost/films
  squareon copy more-results postgresql://localhost/films --add

The store is checked first and copied with its whole history, every hash as it is; it may be in use
meanwhile. The copy has the same key, which is not copied: keep it apart, and give it beside the
copy (FILE.key) or in the environment variable SQUAREON_STORE_KEY. With --add only readings that a
folder's readings.jsonl has and TARGET lacks are added, to a store that is in use elsewhere.
"""


@dataclass(frozen=True)
class CopyCommand:
    """Copies a store."""

    help: ClassVar[str] = "copy a store of reviewed readings, as a backup or to PostgreSQL"
    settings: ClassVar[None] = None

    def add_arguments(self, parser: argparse.ArgumentParser) -> None:
        parser.epilog = EXAMPLES
        parser.add_argument("store", metavar="STORE", help="store, its folder, or its URL")
        parser.add_argument("target", metavar="TARGET", help="file or URL of the other store")
        parser.add_argument(
            "--add", action="store_true", help="add a folder's readings to TARGET instead"
        )

    def run(self, arguments: argparse.Namespace, settings: Mapping[str, Any]) -> int:
        from pipeline.records.store import add_results, copy_store, open_store  # not light
        from pipeline.records.store.database import shown

        if arguments.add:
            with open_store(arguments.target, make=False) as target:
                added = add_results(target, Path(arguments.store))
                print(f"{counted(added, 'reading')} added to {shown(target.url)}")
            return 0
        if "://" not in arguments.target and Path(arguments.target).exists():
            raise Problem(arguments.target, "is there already", "give another name")
        with (
            open_store(arguments.store, make=False) as store,
            copy_store(store, arguments.target) as copy,
        ):
            readings = sum(copy.progress().values())
            print(f"{counted(readings, 'reading')} copied with all history to {shown(copy.url)}")
            print("  the key is not copied: it is the first store's, see squareon copy --help")
        return 0
