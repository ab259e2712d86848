"""`squareon archive`: a whole source of films into a store, each film once."""

from __future__ import annotations

import argparse
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar

from pipeline.archive.settings import ArchiveSettings
from pipeline.archive.sources.choose import source_of
from pipeline.archive.sources.network import Network
from pipeline.commands.caution import CAUTION
from pipeline.commands.progress import bar
from pipeline.knee.counted import counted
from pipeline.records.files import whole_file
from pipeline.records.journal import PROBLEM_COLUMNS, Trouble
from pipeline.records.table import csv_text
from pipeline.registry import check_options

if TYPE_CHECKING:
    from pipeline.archive.engine import Outcome
    from pipeline.records.store import Store

EXAMPLES = """\
examples:
  squareon archive /films --store archive.sqlite --dry-run
  squareon archive /films --store archive.sqlite modality=[DX,CR] since=2024-01-01
  squareon archive /films --store archive.sqlite engine=local workers=4
  squareon archive https://server/dicom-web --store archive.sqlite --keep films body_part=[KNEE]
  squareon archive dicom://TITLE@server:4242 --store postgresql://localhost/films

SOURCE is a folder, a DICOMDIR, a DICOMweb server or a DICOM node. Each film is read once for each
set of weights and settings, however often and under whatever names it lies there, and its readings
go into the store: squareon review opens it. The same command given again goes on where it stopped.
Exit status: 0 every film was read, 1 some were not, 2 the command or a setting is wrong, 3 stopped
(disk full, source or cluster gone).
"""


@dataclass(frozen=True)
class ArchiveCommand:
    """Reads an archive into a store."""

    help: ClassVar[str] = "read a whole archive into a store, each film once"
    settings: ClassVar[type] = ArchiveSettings

    def add_arguments(self, parser: argparse.ArgumentParser) -> None:
        parser.epilog = EXAMPLES
        parser.add_argument("source", metavar="SOURCE", help="folder or address")
        parser.add_argument(
            "--store", required=True, metavar="STORE", help="file or URL of the store, made if new"
        )
        parser.add_argument(
            "--dry-run", action="store_true", help="say how many films, how long, how much disk"
        )
        parser.add_argument(
            "--again", action="store_true", help="try films once more that failed before"
        )
        parser.add_argument(
            "--keep", default="", metavar="DIR", help="keep the films of a server in this folder"
        )
        parser.add_argument(
            "--problems",
            type=Path,
            metavar="FILE",
            help="table of films that were not read; names them as the source does",
        )

    def run(self, arguments: argparse.Namespace, settings: Mapping[str, Any]) -> int:
        from pipeline.archive.engine import Reader, begin, model_of  # not light
        from pipeline.archive.plan import plan_of
        from pipeline.archive.plan import told as told_plan
        from pipeline.records.store import Store

        chosen = ArchiveSettings(**settings)
        network = Network(**check_options(Network, chosen.network, "network"))
        source = source_of(arguments.source, network)
        made_by = model_of(chosen.read())
        if arguments.dry_run:
            with _if_there(arguments.store) as store, bar("listing films") as progress:
                plan = plan_of(
                    source, chosen, made_by, store, again=arguments.again, progress=progress
                )
            print(told_plan(plan))
            return 0
        listing = begin(source, chosen.wanted())
        with _problems(arguments.problems) as note, Store.open(arguments.store) as store:
            reader = Reader(
                source=source,
                store=store,
                settings=chosen,
                made_by=made_by,
                again=arguments.again,
                keep=arguments.keep,
                told=note,
                listing=listing,
            )
            try:
                with bar("reading films") as reader.progress:
                    reader.run()
            finally:
                print(told(reader.outcome, arguments.store, arguments.problems))
        return reader.outcome.status


@contextmanager
def _if_there(address: str) -> Iterator[Store | None]:
    """The store, if there is one: nothing is made."""
    from pipeline.records.store import Store, database

    if not database.is_there(database.parse(address)):
        yield None
        return
    with Store.open(address) as store:
        yield store


@contextmanager
def _problems(path: Path | None) -> Iterator[Callable[[Trouble], None]]:
    """Gives a function that adds a row to the table at `path`, if there is one."""
    if path is None:
        yield lambda trouble: None
        return
    with whole_file(path) as part, open(part, "wb") as file:
        file.write(csv_text(PROBLEM_COLUMNS, []).encode())

        def note(trouble: Trouble) -> None:
            text = csv_text(PROBLEM_COLUMNS, [asdict(trouble)]).split("\n", 1)[1]
            file.write(text.encode("utf-8", "backslashreplace"))

        yield note


def told(outcome: Outcome, store: str, problems: Path | None) -> str:
    """What a run left, in a few lines."""
    from pipeline.records.store.database import shown

    films = outcome.films
    lines = [
        f"{counted(films['read'], 'film')} read, {films['refused']} refused, "
        f"{films['failed']} failed; {outcome.before} known before; store {shown(store)}"
    ]
    if outcome.known:
        lines.append(f"  further names of films that were read: {outcome.known}; each counts once")
    if outcome.unfetched:
        lines.append(
            f"  {counted(outcome.unfetched, 'film')} could not be had; the next run asks again"
        )
    if outcome.unlisted:
        lines.append(f"  {counted(outcome.unlisted, 'part')} of the source could not be listed")
    if outcome.status:
        where = f"  {problems}: which, and why" if problems else "  --problems FILE says which"
        lines.append(where)
    return "\n".join([*lines, CAUTION])
