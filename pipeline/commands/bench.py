"""`squareon bench`: an exam that others can enter."""

from __future__ import annotations

import argparse
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, ClassVar

from pipeline.bench.exam import BenchSettings
from pipeline.commands.caution import CAUTION
from pipeline.commands.progress import bar
from pipeline.knee.counted import counted
from pipeline.knee.errors import Problem
from pipeline.records.files import make_folder

EXAMPLES = """\
examples:
  squareon bench --out exam                           all suites, all entries
  squareon bench --out exam films=100 suites=[clean,noise] compare=[squareon,mean_shape]
  squareon bench films --out handout suites=[clean]   films for a detector of your own, no truth
  squareon bench check theirs.csv --films handout     what is wrong with predictions, row by row
  squareon bench --out exam entries.theirs.predictions=theirs.csv suites=[clean]
  squareon bench --out exam suites=[own] own.films=films own.marks=marks.csv
  squareon bench readers ratings.csv --out study      agreement of readers: ICC, limits, plots
  squareon bench --out sweep --multirun films=8,16    one run for each value

--out receives results.json (every figure, and what is needed to repeat them), report.html,
benchmark.md, benchmark.tex, landmarks.csv, and the answers of every entry. The same command
given again continues. Films are made from seeds that training never uses and are kept in the
cache. Synthetic films say nothing about how well real ones are read.
"""
TASKS = ("run", "films", "check", "readers", "digests")


@dataclass(frozen=True)
class BenchCommand:
    """Measures and compares detectors and pose estimators."""

    help: ClassVar[str] = "measure and compare detectors on versioned suites of films"
    settings: ClassVar[type] = BenchSettings

    def add_arguments(self, parser: argparse.ArgumentParser) -> None:
        parser.epilog = EXAMPLES
        parser.add_argument(
            "task",
            nargs="?",
            default="run",
            choices=TASKS,
            help="run (the default); films: write them out; check: a file of predictions or marks; "
            "readers: agreement of readers; digests: of the films made here",
        )
        parser.add_argument("file", nargs="?", type=Path, help="for check and readers")
        parser.add_argument("--out", type=Path, metavar="DIR", help="folder for what is made")
        parser.add_argument(
            "--films", type=Path, metavar="DIR", help="check against the films of this folder"
        )

    def run(self, arguments: argparse.Namespace, settings: Mapping[str, Any]) -> int:
        chosen = BenchSettings(**settings)
        if arguments.task in ("check", "readers") and arguments.file is None:
            raise Problem(f"bench {arguments.task}", "no file was named", "name one")
        if arguments.task not in ("check", "digests") and arguments.out is None:
            raise Problem(f"bench {arguments.task}", "no folder was named", "give --out DIR")
        if arguments.out is not None:
            make_folder(arguments.out)  # before the films are made
        task = getattr(self, f"_{arguments.task}")
        status = int(task(arguments, chosen))
        print(CAUTION)
        return status

    def swept(self, out: Path) -> None:
        """After `--multirun`: one table over all runs."""
        from pipeline.bench.sweep import write_sweep

        print(write_sweep(out))

    def _run(self, arguments: argparse.Namespace, settings: BenchSettings) -> int:
        from pipeline.bench.exam import examine
        from pipeline.bench.report import write_report

        with bar("making films") as making, bar("reading them") as answering:
            exam = examine(settings, arguments.out, making, answering)
        print(write_report(exam, arguments.out))
        print(f"report.html, tables and results.json in {arguments.out}")
        return 0

    def _films(self, arguments: argparse.Namespace, settings: BenchSettings) -> int:
        from pipeline.bench.handout import hand_out

        with bar("making films") as making:
            count = hand_out(settings, arguments.out, making)
        print(f"{counted(count, 'film')} in {arguments.out}; truth is kept apart and not written")
        return 0

    def _check(self, arguments: argparse.Namespace, settings: BenchSettings) -> int:
        from pipeline.bench.handout import check_file

        told, sound = check_file(arguments.file, arguments.films)
        print(told)
        return 0 if sound else 1

    def _readers(self, arguments: argparse.Namespace, settings: BenchSettings) -> int:
        from pipeline.bench.readers import reader_report

        print(reader_report(arguments.file, arguments.out))
        print(f"report.html and results.json in {arguments.out}")
        return 0

    def _digests(self, arguments: argparse.Namespace, settings: BenchSettings) -> int:
        from pipeline.bench.handout import digests

        with bar("making films") as making:
            print(digests(settings, making, arguments.out))
        return 0
