"""Archives of fake films (`squareon_fakes`), and readers of them into a store."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from sqlalchemy import text
from squareon_fakes import SETTINGS, write_film
from store_cases import KEY

from pipeline.archive.contract import GoneError, Listed, Wanted
from pipeline.archive.engine import Reader, model_of
from pipeline.archive.settings import ArchiveSettings
from pipeline.archive.sources.folder import FolderSource
from pipeline.knee.errors import Problem
from pipeline.records.store import Store

ROOT = Path(__file__).parents[2]
HELPERS = Path(__file__).parent


def settings(**changes: Any) -> ArchiveSettings:
    """Of the fake stages; one process and little patience."""
    stages = {name: value for name, value in SETTINGS.items() if name != "writer"}
    return ArchiveSettings(**{**stages, "workers": 1, "patience_s": 5.0, **changes})


def films(folder: Path, count: int = 6, **facts: object) -> Path:
    """Films of different content, ten to a folder."""
    for number in range(count):
        view = "AP" if number % 2 else "lateral"
        path = folder / f"{number // 10:04d}" / f"{number:05d}.film"
        write_film(path, **{"view": view, "number": number, **facts})
    return folder


def reader_of(source: Any, store: Store, **said: Any) -> Reader:
    """A reader of a folder or a source; `said` are settings and the reader's own options."""
    own = {name: said.pop(name) for name in ("again", "keep", "told", "progress") if name in said}
    chosen = settings(**said)
    source = FolderSource(str(source)) if isinstance(source, Path) else source
    return Reader(source, store, chosen, model_of(chosen.read()), **own)


def sources(store: Store) -> list[str]:
    """File names of all readings, sorted."""
    return sorted(Path(row.source).name for row in store.readings())


def count(store: Store, table: str, where: str = "1 = 1") -> int:
    with store._engine.connect() as connection:
        return connection.execute(text(f"SELECT count(*) FROM {table} WHERE {where}")).scalar_one()


def check_books(store: Store) -> None:
    """Nothing doubled: as many readings as the ledger says, no content twice, chain unbroken."""
    assert store.verify() == []
    with store._engine.connect() as connection:
        said = connection.execute(text("SELECT coalesce(sum(readings), 0) FROM films")).scalar_one()
        twice = connection.execute(
            text(
                "SELECT sha256 FROM readings GROUP BY sha256, frame, knee, weights, config_sha256"
                " HAVING count(*) > 1"
            )
        ).fetchall()
    assert twice == []
    assert said == count(store, "readings")


def wait_for(enough: Callable[[], bool], seconds: float = 300.0) -> None:
    """Until something is so; fails after `seconds`."""
    until = time.monotonic() + seconds
    while not enough():
        assert time.monotonic() < until, "it did not happen in time"
        time.sleep(0.02)


def children(pid: int) -> list[int]:
    """Processes that a process has started (Linux)."""
    found: list[int] = []
    for task in Path(f"/proc/{pid}/task").glob("*/children"):
        with suppress(OSError):
            found += map(int, task.read_text().split())
    return found


def kill(pid: int) -> None:
    with suppress(ProcessLookupError):
        os.kill(pid, signal.SIGKILL)


def start(films: Path, store: str, **said: Any) -> subprocess.Popen[bytes]:
    """A reader in a process group of its own, to be killed."""
    code = (
        "import json, sys\nfrom pathlib import Path\n"
        "from fake_archive import reader_of\nfrom pipeline.records.store import Store\n"
        "from store_cases import KEY\n"
        "from pipeline.archive import engine\n"
        "engine.NOTE_FILMS = 5\n"
        "films, store, said = sys.argv[1:]\n"
        "reader_of(Path(films), Store.open(store, KEY), **json.loads(said)).run()\n"
    )
    return subprocess.Popen(
        [sys.executable, "-c", code, str(films), store, json.dumps(said)],
        env={**os.environ, "PYTHONPATH": str(HELPERS)},
        cwd=ROOT,
        start_new_session=True,
    )


@dataclass(frozen=True)
class ServerSource:
    """A server as a folder of fake films; it is away while the file `away` exists.

    With `leave_after` it goes away by itself, once, when so many films were fetched.
    """

    address: str
    folder: str
    away: str = ""
    leave_after: int = 0
    stays: bool = field(default=False, init=False)

    def list(self, wanted: Wanted) -> Iterator[Listed | Problem]:
        for path in sorted(Path(self.folder).rglob("*.film")):
            self._check()
            yield Listed(path.name, path.parent.name)

    def fetch(
        self, listed: Sequence[Listed], folder: Path
    ) -> Iterator[tuple[Listed, Path | Problem]]:
        for one in listed:
            self._check()
            path = next(Path(self.folder).rglob(one.name), None)
            if path is None:
                yield one, Problem(self.address, "does not have it any more", "ask again")
                continue
            copy = folder / one.name
            copy.write_bytes(path.read_bytes())
            yield one, copy
            self._leave()

    def _check(self) -> None:
        if self.away and Path(self.away).exists():
            raise GoneError(self.address, "does not answer", "start it")

    def _leave(self) -> None:
        if not self.leave_after:
            return
        count, left = Path(self.away + ".count"), Path(self.away + ".left")
        fetched = int(count.read_text() or 0) + 1 if count.exists() else 1
        count.write_text(str(fetched))
        if fetched >= self.leave_after and not left.exists():
            left.touch()
            Path(self.away).touch()


def open_store(folder: Path) -> Store:
    return Store.open(str(folder / "store.sqlite"), KEY)
