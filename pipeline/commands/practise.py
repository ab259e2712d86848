"""`squareon practise`: a page on which positioning is learned without radiation."""

from __future__ import annotations

import argparse
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, ClassVar

from pipeline.commands.caution import CAUTION
from pipeline.knee.counted import counted
from pipeline.practise.settings import PractiseSettings
from pipeline.records.files import make_folder

EXAMPLES = """\
examples:
  squareon practise
  squareon practise class-2026 --set tuesday.yaml
  squareon practise --check --set tuesday.yaml
  squareon practise --no-browser port=0 advice=false
  squareon practise language=de
  squareon practise class-2026 host=192.0.2.7 token=new

A virtual patient, a mis-set film: say what is off, choose the moves, take the next film. Every
film is computed; nobody is X-rayed. FOLDER keeps the rounds under names of the learners'
choosing. A teacher's set is one YAML file; --check reads it, prints the exercises with their
codes and ends. The page is served to this computer alone unless host and token are given.
"""


@dataclass(frozen=True)
class PractiseCommand:
    """Serves the practice page."""

    help: ClassVar[str] = "practise positioning on virtual patients, without radiation"
    settings: ClassVar[type] = PractiseSettings

    def add_arguments(self, parser: argparse.ArgumentParser) -> None:
        parser.epilog = EXAMPLES
        parser.add_argument(
            "folder",
            nargs="?",
            type=Path,
            default=Path("squareon-practice"),
            metavar="FOLDER",
            help="where rounds are kept (default: squareon-practice)",
        )
        parser.add_argument(
            "--set",
            action="append",
            default=[],
            metavar="FILE",
            dest="sets",
            help="a teacher's set of exercises; may be given several times",
        )
        parser.add_argument(
            "--check", action="store_true", help="check the sets, print their codes, and end"
        )
        parser.add_argument(
            "--no-browser", action="store_true", help="print the address, open no browser"
        )

    def run(self, arguments: argparse.Namespace, settings: Mapping[str, Any]) -> int:
        from pipeline.practise.sets import listed, read_set  # none of these is light

        chosen = PractiseSettings(**settings)
        chosen.sets = [*chosen.sets, *arguments.sets]
        if arguments.check:
            for name in chosen.sets:
                found = read_set(Path(name))
                print(f"{found.title}: {counted(len(found.tasks), 'exercise')}")
                print("\n".join(listed(found)))
            return 0
        from pipeline.practise.serve import serve

        make_folder(arguments.folder)  # before a class has played a round
        print(CAUTION)
        serve(arguments.folder, chosen, browser=not arguments.no_browser)
        return 0
