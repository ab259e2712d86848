"""`squareon demo`: makes invented films, reads them, says where the results are."""

from __future__ import annotations

import argparse
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, ClassVar

from pipeline.batch import ReadSettings, parts_of, read_batch
from pipeline.commands.progress import bar
from pipeline.commands.read import told
from pipeline.demo import make_archive
from pipeline.study.example import from_films

EXAMPLES = """\
examples:
  squareon demo
  squareon demo --out somewhere align.tolerance=strict

The films are computed from virtual knees; nothing about them is real. Some are there to be
refused: another projection, a film without a knee, a file cut short.
"""


@dataclass(frozen=True)
class DemoCommand:
    """Makes a small archive of invented films and reads it the ordinary way."""

    help: ClassVar[str] = "make a small archive of invented films and read it"
    settings: ClassVar[type | None] = ReadSettings

    def add_arguments(self, parser: argparse.ArgumentParser) -> None:
        parser.epilog = EXAMPLES
        parser.add_argument(
            "--out",
            type=Path,
            default=Path("squareon-demo"),
            metavar="DIR",
            help="folder for films, results and an invented study (default: squareon-demo)",
        )

    def run(self, arguments: argparse.Namespace, settings: Mapping[str, Any]) -> int:
        read = ReadSettings(**settings)
        parts_of(read)  # a mistaken setting is told before any work
        films, results = arguments.out / "invented-films", arguments.out / "results"
        with bar("making invented films") as progress:
            make_archive(films, progress)
        with bar("reading films") as progress:
            outcome = read_batch([films], results, read, afresh=True, progress=progress)
        print(f"INVENTED films in {films}: computed from virtual knees, nobody was X-rayed")
        print(told(outcome, results))
        study = from_films(films, arguments.out / "invented-study")
        print(f"an INVENTED study of learning in {study}: squareon study analyse {study}")
        # The archive holds films that must be refused: problems are part of the demonstration.
        return 0 if outcome.read > len(outcome.troubles) else 1
