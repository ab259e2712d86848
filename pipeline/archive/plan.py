"""What a run would be: how many films, how long, how much disk. Nothing is noted."""

from __future__ import annotations

import sqlite3
import tempfile
import time
from contextlib import closing
from dataclasses import dataclass
from functools import partial
from itertools import islice
from pathlib import Path

from pipeline.archive.contract import Listed, Source
from pipeline.archive.engine import UNIT, WINDOW, workers_of
from pipeline.archive.settings import ArchiveSettings
from pipeline.archive.work import FilmWork, Orders
from pipeline.batch.processes import Isolated
from pipeline.contracts import Progress, silent
from pipeline.knee.counted import counted
from pipeline.knee.reading import MadeBy
from pipeline.records.store.films import FilmLedger, FilmSeen
from pipeline.records.store.store import Store

SAMPLE = UNIT
"""Films that are read to find out how long one takes."""


@dataclass(frozen=True)
class Plan:
    """What a source holds and what reading it would cost.

    Attributes:
        listed: files or instances that are wanted.
        known: of these, that need not be opened.
        bytes: of what is left, as far as the source says; `sized` of the films say so.
        unlisted: parts of the source that could not be listed.
        sample: films that were read to find out the rest; 0 = nothing is left to read.
        film_s: seconds that one film takes one process, fetching included.
        store_bytes: by which the store grows with each film.
        film_bytes: of one film of the sample.
        workers: processes that would read.
        stays: whether films are read where they lie.
    """

    listed: int
    known: int
    bytes: int
    sized: int
    unlisted: int
    sample: int
    film_s: float
    store_bytes: float
    film_bytes: float
    workers: int
    stays: bool

    @property
    def left(self) -> int:
        """Films to read."""
        return self.listed - self.known

    @property
    def seconds(self) -> float:
        """How long it would take, all processes at work all the time."""
        return self.left * self.film_s / self.workers


def plan_of(
    source: Source,
    settings: ArchiveSettings,
    made_by: MadeBy,
    store: Store | None,
    *,
    again: bool = False,
    progress: Progress = silent,
) -> Plan:
    """Lists the whole source, and reads a few films in one process to find out what one costs.

    `store`: whose ledger says what is known; None where there is none yet.
    """
    ledger = None if store is None else FilmLedger(store, made_by, source.address)
    listed = known = bytes = sized = unlisted = 0
    sample: list[Listed] = []
    films = iter(source.list(settings.wanted()))
    while window := list(islice(films, WINDOW)):
        there = [one for one in window if isinstance(one, Listed)]
        unlisted += len(window) - len(there)
        asked = [(one.name, one.bytes, one.stamp) for one in there]
        found = {} if ledger is None else ledger.known(asked, failed_too=not again)
        listed += len(there)
        known += sum(one.name in found for one in there)
        left = [one for one in there if one.name not in found]
        bytes += sum(one.bytes or 0 for one in left)
        sized += sum(one.bytes is not None for one in left)
        sample += left[: SAMPLE - len(sample)]
        progress(listed, None)
    seconds, seen = _read(source, settings, made_by, sample)
    return Plan(
        listed=listed,
        known=known,
        bytes=bytes,
        sized=sized,
        unlisted=unlisted,
        sample=len(seen),
        film_s=seconds / max(1, len(seen)),
        store_bytes=_growth(seen, made_by, source.address) / max(1, len(seen)),
        film_bytes=sum(one.bytes or 0 for one in seen) / max(1, len(seen)),
        workers=workers_of(settings),
        stays=source.stays,
    )


def _read(
    source: Source, settings: ArchiveSettings, made_by: MadeBy, sample: list[Listed]
) -> tuple[float, list[FilmSeen]]:
    """Seconds that the sample took, the start of the process left out, and what came of it."""
    if not sample:
        return 0.0, []
    orders = Orders(source, settings.read(), made_by, spool=settings.spool, patience_s=0.0)
    lane: Isolated[list[Listed], list[FilmSeen]] = Isolated(partial(FilmWork, orders))
    try:
        lane(sample[:1])  # starts the process and compiles what is compiled at first use
        before = time.perf_counter()
        seen = lane(sample)
        return time.perf_counter() - before, seen
    finally:
        lane.close()


def _growth(seen: list[FilmSeen], made_by: MadeBy, address: str) -> int:
    """Bytes by which a store grows with these films, found out with one that is thrown away."""
    if not seen:
        return 0
    with tempfile.TemporaryDirectory(prefix="squareon-") as folder:
        path = Path(folder) / "store.sqlite"
        with Store.open(str(path), b"thrown away afterwards") as store:
            empty = _size(path)
            FilmLedger(store, made_by, address).note(seen)
            return _size(path) - empty


def _size(path: Path) -> int:
    """Bytes of a store's file with all that its log still holds."""
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    return path.stat().st_size


def told(plan: Plan) -> str:
    """A plan in a few lines."""
    lines = [
        f"{counted(plan.listed, 'film')} in the source, {plan.known} known, {plan.left} to read"
    ]
    if plan.unlisted:
        lines.append(f"{counted(plan.unlisted, 'part')} of the source could not be listed")
    if not plan.left:
        return "\n".join(lines)
    count = f"measured on {counted(plan.sample, 'film')}"
    processes = counted(plan.workers, "process", "processes")
    lines.append(
        f"time: about {duration(plan.seconds)} with {processes} "
        f"({plan.film_s:.2f} s a film and process, {count})"
    )
    store = plan.left * plan.store_bytes
    lines.append(f"disk: the store grows by about {size(store)} ({size(plan.store_bytes)} a film)")
    if plan.sized:
        share = "" if plan.sized == plan.left else f" ({plan.sized} of them say their size)"
        lines.append(f"to be read: {size(plan.bytes)}{share}")
    if not plan.stays:
        each = plan.film_bytes or 0
        lines.append(f"while it runs, up to {UNIT * plan.workers} fetched films lie on disk")
        if each:
            lines.append(f"kept with --keep, films take about {size(plan.left * each)}")
    return "\n".join(lines)


def duration(seconds: float) -> str:
    """Seconds in the unit that suits."""
    for unit, name in ((86400.0, "days"), (3600.0, "hours"), (60.0, "minutes")):
        if seconds >= 2 * unit:
            return f"{seconds / unit:.1f} {name}"
    return f"{seconds:.0f} seconds"


def size(bytes: float) -> str:
    """Bytes in the unit that suits (powers of 1000)."""
    for power, name in ((1e12, "TB"), (1e9, "GB"), (1e6, "MB"), (1e3, "kB")):
        if bytes >= power:
            return f"{bytes / power:.1f} {name}"
    return f"{bytes:.0f} bytes"
