"""`squareon assess`: how far readings are from the truth of synthetic films."""

from __future__ import annotations

import argparse
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, ClassVar

from pipeline.bench.assess import AssessSettings, assess, write_report
from pipeline.commands.progress import bar

EXAMPLES = """\
examples:
  squareon assess --out figures
  squareon assess --out figures films=2000
  squareon assess --out figures films=500 scenario.views=[AP]

Films are made from seeds that training never uses and read as any other film. accuracy.json
holds every figure, accuracy.md the tables. Synthetic films say how well the program reads what
it was made for; they do not say how well it reads yours.
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

    def run(self, arguments: argparse.Namespace, settings: Mapping[str, Any]) -> int:
        with bar("reading synthetic films") as progress:
            figures, _ = assess(AssessSettings(**settings), progress)
        write_report(figures, arguments.out)
        print((arguments.out / "accuracy.md").read_text())
        print(f"figures in {arguments.out}")
        return 0
