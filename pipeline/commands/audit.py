"""`squareon audit`: what the films of a study show about how a view was found."""

from __future__ import annotations

import argparse
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar

from pipeline.batch import ReadSettings, parts_of, read_batch, readers_of
from pipeline.commands.caution import CAUTION
from pipeline.commands.progress import bar
from pipeline.knee.counted import counted
from pipeline.knee.errors import Problem

if TYPE_CHECKING:
    from pipeline.audit.sources import Studies

EXAMPLES = """\
examples:
  squareon audit films --out audit
  squareon audit results --out audit
  squareon audit results/store.sqlite --out audit period=year
  squareon audit films --out audit pages=[html] operators=none

PATH is films and folders of films (they are read into OUT/readings first, and the same command
given again continues), one folder that squareon read wrote, or a store; a folder that holds a
store is taken for the store, with what people changed. OUT receives index.html, a page for each
study with a view of several films, the same as PDF, hunts.csv and audit.json.

An audit looks back: it suggests no exposure. Exit status: 0 all well, 1 films could not be read
(OUT/readings/problems.csv), 2 the command or a setting is wrong.
"""

TEACHING = "An audit looks back at archived films, for teaching, and never judges a person."


@dataclass
class AuditSettings(ReadSettings):
    """What decides an audit: how films are read, and these.

    Attributes:
        pages: kinds of pages: html, pdf.
        operators: `code` (names of the header become keyed codes) or `none`.
        period: of the totals: day, month or year.
        language: of the pages.
        least_films: a study has a page where a view of it has so many films.
    """

    pages: list[str] = field(default_factory=lambda: ["html", "pdf"])
    operators: str = "code"
    period: str = "month"
    language: str = "en"
    least_films: int = 2

    def __post_init__(self) -> None:
        super().__post_init__()
        if self.operators not in ("code", "none"):
            raise Problem("operators", f"{self.operators} is no choice", "give code or none")


@dataclass(frozen=True)
class AuditCommand:
    """Audits series of films."""

    help: ClassVar[str] = "how views were found: films, moves, dose, what advice would have saved"
    settings: ClassVar[type | None] = AuditSettings

    def add_arguments(self, parser: argparse.ArgumentParser) -> None:
        parser.epilog = EXAMPLES
        parser.add_argument("paths", nargs="+", metavar="PATH", help="films, results, or a store")
        parser.add_argument(
            "--out", required=True, type=Path, metavar="DIR", help="folder for the pages"
        )

    def run(self, arguments: argparse.Namespace, settings: Mapping[str, Any]) -> int:
        from pipeline.audit.drawing import Draughtsman
        from pipeline.audit.page import Press
        from pipeline.audit.writing import audits, write_audit
        from pipeline.language import speech

        wanted, out = AuditSettings(**settings), arguments.out
        t = speech(wanted.language)
        parts = parts_of(wanted)
        draw = Draughtsman(
            readers_of(wanted),
            parts.pose,
            parts.criteria,
            parts.align.tolerance_deg,
            parts.align.ap_rotation_zero,
        )
        with _films(arguments.paths, out, wanted) as (films, status):
            studies = audits(films, parts.align)
            made = f"squareon {parts.made_by.version}, {parts.made_by.weights}"
            with bar("writing pages") as progress:
                files = write_audit(
                    out,
                    studies,
                    Press(t, draw, made),
                    pages=wanted.pages,
                    period=wanted.period,
                    least_films=wanted.least_films,
                    progress=progress,
                )
        hunts = [hunt for study in studies for hunt in study.hunts]
        print(f"studies: {len(studies)}, views of knees: {len(hunts)}; pages in {out}")
        for name, says in (
            ("index.html", f"all studies, and {counted(len(files), 'page')} of single ones"),
            ("index.pdf", "the same on paper"),
            ("hunts.csv", "one row for each view of each knee"),
            ("audit.json", "everything"),
        ):
            if (out / name).exists():
                print(f"  {out / name}: {says}")
        if status:
            print(f"  {out / 'readings' / 'problems.csv'}: films that could not be read")
        print(CAUTION)
        print(TEACHING)
        return status


@contextmanager
def _films(paths: Sequence[str], out: Path, wanted: AuditSettings) -> Iterator[tuple[Studies, int]]:
    """The films by study, and 1 where some could not be read."""
    from pipeline.audit import sources
    from pipeline.records import jsonl
    from pipeline.records.store import Acquisitions, open_store
    from pipeline.records.store.database import NAME
    from pipeline.records.store.keys import find_key

    place, named = Path(paths[0]), wanted.operators == "code"
    alone = len(paths) == 1
    if alone and ("://" in paths[0] or place.suffix == ".sqlite" or (place / NAME).is_file()):
        with open_store(paths[0], make=False) as store:
            made = Acquisitions(store)
            labels = made.labels()

            def code(name: str) -> str:
                own = made.code("operator", name)
                return labels.get(own, own)

            yield sources.of_store(store, code if named else None), 0
        return
    results, status = place, 0
    if not (alone and (place / jsonl.NAME).is_file()):
        results = out / "readings"
        with bar("reading films") as progress:
            outcome = read_batch([Path(path) for path in paths], results, wanted, progress=progress)
        status = outcome.status
    key = sources.coded(find_key(out / "operators")) if named else None
    yield sources.of_results(results, key), status
