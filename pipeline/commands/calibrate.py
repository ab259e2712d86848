"""`squareon calibrate`: factors with which 90 % intervals hold 90 % of films."""

from __future__ import annotations

import argparse
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, ClassVar

from pipeline.bench.calibrate import CalibrateSettings, calibrate, write_calibration
from pipeline.commands.caution import CAUTION
from pipeline.commands.progress import bar
from pipeline.records.files import make_folder

EXAMPLES = """\
examples:
  squareon calibrate --out figures
  squareon calibrate --out figures films=1000 detector.folder=run/weights

Films of subjects held apart tell by how much the stated deviations must be multiplied; other
films tell what the intervals are then worth, also on films unlike those of training. --out
receives conformal.md and shifts.md with their JSON, and the pose section with the new factors,
to be put into configs/pose/. The promise holds for films drawn as these were, and no others.
"""


@dataclass(frozen=True)
class CalibrateCommand:
    """Makes the factors of the 90 % intervals anew."""

    help: ClassVar[str] = "make the factors of the 90 % intervals for new weights"
    settings: ClassVar[type] = CalibrateSettings

    def add_arguments(self, parser: argparse.ArgumentParser) -> None:
        parser.epilog = EXAMPLES
        parser.add_argument(
            "--out", required=True, type=Path, metavar="DIR", help="folder for the figures"
        )

    def run(self, arguments: argparse.Namespace, settings: Mapping[str, Any]) -> int:
        make_folder(arguments.out)
        with bar("reading synthetic films") as progress:
            figures = calibrate(CalibrateSettings(**settings), progress)
        print(write_calibration(figures, arguments.out).read_text())
        pose = figures["pose"]
        for option in ("ap_sd_factor", "lateral_sd_factor"):
            print(f"{option}: {pose[option]}")
        print(f"figures, and the section for configs/pose/{pose['name']}.yaml, in {arguments.out}")
        print(CAUTION)
        return 0
