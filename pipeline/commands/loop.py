"""`squareon loop`: a simulated operator follows the readings until the film is square."""

from __future__ import annotations

import argparse
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, ClassVar

from pipeline.bench.loop import LoopSettings, run_loop, write_loop
from pipeline.commands.caution import CAUTION
from pipeline.commands.progress import bar
from pipeline.records.files import make_folder

EXAMPLES = """\
examples:
  squareon loop --out figures
  squareon loop --out figures episodes=200 align.tolerance=strict
  squareon loop --out figures detector.folder=run/weights

A simulation for studying feedback on training images: every film is computed, and nothing is
moved but numbers. closed_loop.json and closed_loop.md hold how many corrections it took, beside
a detector with its error doubled, a search along one axis at a time, and random moves.
"""


@dataclass(frozen=True)
class LoopCommand:
    """Simulates an operator who follows the suggested moves."""

    help: ClassVar[str] = "simulate an operator who follows the suggested moves (computed films)"
    settings: ClassVar[type] = LoopSettings

    def add_arguments(self, parser: argparse.ArgumentParser) -> None:
        parser.epilog = EXAMPLES
        parser.add_argument(
            "--out", required=True, type=Path, metavar="DIR", help="folder for the figures"
        )

    def run(self, arguments: argparse.Namespace, settings: Mapping[str, Any]) -> int:
        make_folder(arguments.out)
        with bar("simulating") as progress:
            figures = run_loop(LoopSettings(**settings), progress)
        print(write_loop(figures, arguments.out).read_text())
        print(f"figures in {arguments.out}")
        print(CAUTION)
        return 0
