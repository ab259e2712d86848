"""`squareon assess`: how far readings are from the truth of synthetic films."""

from __future__ import annotations

import argparse
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, ClassVar

from pipeline.bench.assess import AssessSettings, assess, write_report
from pipeline.commands.caution import CAUTION
from pipeline.commands.progress import bar
from pipeline.records.files import make_folder

EXAMPLES = """\
examples:
  squareon assess --out figures
  squareon assess --out figures films=2000
  squareon assess --out figures films=500 scenario.views=[AP]
  squareon assess --out figures suite=goals films=150
  squareon assess --out figures suite=shifts scenario=mixed detector.folder=run/weights

Films are made from seeds that training never uses and read as any other film. accuracy.json
holds every figure, accuracy.md the tables. With a suite the same seeds are read under each of
its conditions. Synthetic films say how well the program reads what it was made for; they do
not say how well it reads yours.
"""


@dataclass(frozen=True)
class AssessCommand:
    """Measures accuracy on synthetic films."""

    help: ClassVar[str] = "measure accuracy on synthetic films of unseen seeds"
    settings: ClassVar[type] = AssessSettings

    def add_arguments(self, parser: argparse.ArgumentParser) -> None:
        parser.epilog = EXAMPLES
        parser.add_argument(
            "--out", required=True, type=Path, metavar="DIR", help="folder for the figures"
        )
        parser.add_argument(
            "--name", default="", help="of the files (default: accuracy; with a suite, suite)"
        )

    def run(self, arguments: argparse.Namespace, settings: Mapping[str, Any]) -> int:
        chosen = AssessSettings(**settings)
        make_folder(arguments.out)
        with bar("reading synthetic films") as progress:
            figures, _ = assess(chosen, progress)
        name = arguments.name or ("suite" if chosen.suite else "accuracy")
        page = write_report(figures, arguments.out, name)
        print(page.read_text())
        print(f"figures in {arguments.out}")
        print(CAUTION)
        return 0
