"""`squareon read`: films in, readings out."""

from __future__ import annotations

import argparse
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, ClassVar

from pipeline.batch import Outcome, ReadSettings, read_batch
from pipeline.commands.caution import CAUTION
from pipeline.commands.progress import bar
from pipeline.knee.counted import counted

EXAMPLES = """\
examples:
  squareon read knee.dcm --out results
  squareon read archive/2024 more/films --out results
  squareon read archive --out results align.tolerance=strict writer=explain
  squareon read archive --out results detector.threads=2 workers=1 writer=tables

The folder given with --out receives readings.jsonl, summary.csv, problems.csv, overlays/ and
index.html. The same command given again continues where it stopped. Exit status: 0 every film
was read, 1 problems.csv has rows, 2 the command or a setting is wrong, 3 stopped (disk full).
"""


@dataclass(frozen=True)
class ReadCommand:
    """Reads films and folders of films."""

    help: ClassVar[str] = "read knee films: angles, verdict, the move that corrects them"
    settings: ClassVar[type] = ReadSettings

    def add_arguments(self, parser: argparse.ArgumentParser) -> None:
        parser.epilog = EXAMPLES
        parser.add_argument("paths", nargs="+", type=Path, metavar="PATH", help="film or folder")
        parser.add_argument(
            "--out", required=True, type=Path, metavar="DIR", help="folder for the results"
        )
        parser.add_argument(
            "--afresh", action="store_true", help="forget the readings that --out holds already"
        )

    def run(self, arguments: argparse.Namespace, settings: Mapping[str, Any]) -> int:
        with bar("reading films") as progress:
            outcome = read_batch(
                arguments.paths,
                arguments.out,
                ReadSettings(**settings),
                afresh=arguments.afresh,
                progress=progress,
            )
        print(told(outcome, arguments.out))
        return outcome.status


def told(outcome: Outcome, out: Path) -> str:
    """What a batch left, in a few lines."""
    before = f", {outcome.before} read before" if outcome.before else ""
    lines = [f"{counted(outcome.read, 'file')} read{before}; results in {out}"]
    for name, says in (
        ("index.html", "all readings on one page"),
        ("summary.csv", "one row per knee"),
        ("readings.jsonl", "everything that was read"),
        ("overlays", "one picture per reading"),
        ("explanations", "one picture per reading that says why"),
        ("footprints", "footprints of a lesion at the tips of instruments, looking back"),
        ("footprints.csv", "one row per tip"),
    ):
        if (out / name).exists():
            lines.append(f"  {out / name}: {says}")
    if outcome.troubles:
        lines.append(
            f"  {out / 'problems.csv'}: {counted(len(outcome.troubles), 'row')}, what went wrong"
        )
    return "\n".join([*lines, CAUTION])
