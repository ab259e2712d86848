"""`squareon synth`: makes labelled data sets of synthetic films."""

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
from synthetic_data.dataset import SynthSettings, estimate, synthesise

EXAMPLES = """\
examples:
  squareon synth --out films --dry-run films=100000
  squareon synth --out films films=100000
  squareon synth --out films scenario=c_arm format=dicom films_per_shard=500

Each shard holds films, truth.jsonl (one object a film) and keypoints.json (COCO keypoints). The
same command given again continues; a larger number of films adds to what is there.
"""


@dataclass(frozen=True)
class SynthCommand:
    """Makes labelled data sets."""

    help: ClassVar[str] = "make a labelled data set of synthetic films"
    settings: ClassVar[type | None] = SynthSettings

    def add_arguments(self, parser: argparse.ArgumentParser) -> None:
        parser.epilog = EXAMPLES
        parser.add_argument(
            "--out", required=True, type=Path, metavar="DIR", help="folder of the data set"
        )
        parser.add_argument(
            "--dry-run", action="store_true", help="say what it would cost, and stop"
        )

    def run(self, arguments: argparse.Namespace, settings: Mapping[str, Any]) -> int:
        wanted = SynthSettings(**settings)
        cost = estimate(wanted, arguments.out)
        print(cost)
        if arguments.dry_run:
            return 0
        if cost.bytes > cost.free:
            raise Problem(
                str(arguments.out),
                "the disk has not enough room for that",
                "free some space, give another folder or ask for fewer films",
            )
        with bar("making films") as progress:
            outcome = synthesise(wanted, arguments.out, progress)
        print(
            f"{counted(outcome.made, 'film')} made, {outcome.before:,} there already, in "
            f"{arguments.out}; computed from virtual knees, nobody was X-rayed"
        )
        if outcome.failed:
            print(f"{counted(outcome.failed, 'film')} cannot be made; truth.jsonl says why")
        print(CAUTION)
        return 1 if outcome.failed else 0
