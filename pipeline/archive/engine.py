"""A whole source read once: listed, what is known left out, the rest read and noted.

Films are listed one after the other and never held all at once. What is left goes to processes
or a cluster in units of a few whole studies. What comes back is noted every few seconds, in one
transaction; only then does it count as done. A run that ends in any way is taken up by the next.
"""

from __future__ import annotations

import os
import threading
import time
from collections import Counter
from collections.abc import Callable, Generator, Iterable, Iterator, Sequence
from contextlib import ExitStack, closing, suppress
from dataclasses import dataclass, field, replace
from functools import partial
from itertools import chain, islice
from pathlib import Path
from typing import Any

from sqlalchemy.engine import URL

from pipeline.archive.cluster import in_cluster
from pipeline.archive.contract import GoneError, Listed, Source, Wanted
from pipeline.archive.settings import HERE, LOCAL, ArchiveSettings
from pipeline.archive.work import LONGEST_PAUSE_S, PAUSE_S, FilmWork, Orders
from pipeline.batch.processes import in_processes
from pipeline.batch.settings import ReadSettings, parts_of
from pipeline.contracts import Progress, silent
from pipeline.knee.errors import Problem
from pipeline.knee.reading import MadeBy
from pipeline.readers.find import study_of
from pipeline.records.files import AGAIN, StopError
from pipeline.records.journal import Trouble
from pipeline.records.store.films import FAILED, READ, REFUSED, FilmLedger, FilmSeen
from pipeline.records.store.store import Store

WINDOW = 2000
"""Listed films looked at together: whether they are known, and which belong to one study."""
UNIT = 24
"""Films of one piece of work; a study is only split where it has more."""
NOTE_FILMS = 200
NOTE_S = 5.0
"""Results are noted when so many films wait or so much time has passed."""


@dataclass
class Outcome:
    """How a run ended.

    Attributes:
        films: contents noted by this run, by state.
        before: names that were known before and not opened; `before_well` of them were read.
        known: names opened whose content was known, or is another name of a film of this run.
        unfetched: names that could not be had.
        unlisted: parts of the source that could not be listed.
    """

    films: Counter[str] = field(default_factory=Counter)
    before: int = 0
    before_well: int = 0
    known: int = 0
    unfetched: int = 0
    unlisted: int = 0

    @property
    def done(self) -> int:
        """Names dealt with."""
        return self.films.total() + self.before + self.known + self.unfetched

    @property
    def status(self) -> int:
        """Exit status: 0 every film was read, now or before; 1 some were not."""
        bad = self.films[REFUSED] + self.films[FAILED] + self.unfetched + self.unlisted
        return 1 if bad or self.before_well < self.before else 0


@dataclass
class Reader:
    """Reads a source into a store.

    Args:
        source, store: open.
        settings: what to read, how, and by whom.
        again: try films once more that failed before.
        keep: folder in which films of a server stay, "" = none does.
        told: gets every film that was not read, and every part that could not be listed.
        progress: names dealt with, and of how many once they are counted.
        made_by: the model; `model_of(settings)`.
        listing: the source's list, begun; `begin(source, wanted)`. None: it is begun when read.
    """

    source: Source
    store: Store
    settings: ArchiveSettings
    made_by: MadeBy
    again: bool = False
    keep: str = ""
    told: Callable[[Trouble], None] = lambda trouble: None
    progress: Progress = silent
    listing: Iterator[Listed | Problem] | None = None

    def __post_init__(self) -> None:
        self.outcome = Outcome()
        self._ledger = FilmLedger(self.store, self.made_by, self.source.address)
        self._total: int | None = None
        self._stopped = threading.Event()
        self._turn = threading.Lock()  # units are made in threads of the processes

    def run(self) -> Outcome:
        """Reads all that is wanted and not known. Raises `StopError` where it cannot go on."""
        threading.Thread(target=self._count, daemon=True).start()
        waiting: list[FilmSeen] = []
        last = time.monotonic()
        try:
            with ExitStack() as stack:
                results = stack.enter_context(closing(self._results(self._units())))
                stack.callback(self._stopped.set)  # before the processes are ended
                for seen in results:
                    waiting += seen
                    if len(waiting) >= NOTE_FILMS or time.monotonic() - last > NOTE_S:
                        ready, waiting, last = waiting, [], time.monotonic()
                        self._note(ready)
        except GoneError as error:
            raise StopError(error.source, error.what, f"bring it back and {AGAIN}") from error
        finally:
            self._note(waiting)
        return self.outcome

    # ---- what there is to do -------------------------------------------------------------------

    def _units(self) -> Iterator[list[Listed]]:
        """Whole studies, about `UNIT` films together."""
        unit: list[Listed] = []
        for study in self._studies():
            if unit and len(unit) + len(study) > UNIT:
                yield unit
                unit = []
            unit += study
            while len(unit) > UNIT:
                yield unit[:UNIT]
                unit = unit[UNIT:]
        if unit:
            yield unit

    def _studies(self) -> Iterator[list[Listed]]:
        """What is not known, study by study; one that two windows share is kept together."""
        open_key, open_study = "", list[Listed]()
        for window in _windows(self._listed()):
            studies: dict[str, list[Listed]] = {open_key: open_study} if open_study else {}
            for one in self._unknown(window):
                studies.setdefault(self._study(one), []).append(one)
            if not studies:
                continue
            *whole, open_key = studies
            for key in whole:
                yield studies[key]
            open_study = studies[open_key]
            if len(open_study) >= WINDOW:  # too much for one study to be held together
                yield open_study
                open_study = []
        if open_study:
            yield open_study

    def _study(self, one: Listed) -> str:
        if one.study:
            return one.study
        found = study_of(Path(one.name)) if self.source.stays else None
        return found or f"alone {one.name}"

    def _unknown(self, window: Sequence[Listed]) -> Iterator[Listed]:
        asked = [(one.name, one.bytes, one.stamp) for one in window]
        known = self._ledger.known(asked, failed_too=not self.again)
        for one in window:
            if one.name not in known:
                yield one
                continue
            state, what = known[one.name]
            self.outcome.before += 1
            self.outcome.before_well += state == READ
            if state != READ:
                self._tell(Trouble(one.name, what or "", _do(state)))
        self._moved()

    def _listed(self) -> Iterator[Listed]:
        """The source's list; begun again when the source went away and came back."""
        patience, pause = self.settings.patience_s, PAUSE_S
        began, waited = False, 0.0
        while True:
            listing, self.listing = self.listing, None
            try:
                for one in listing or self.source.list(self.settings.wanted()):
                    began, waited, pause = True, 0.0, PAUSE_S
                    if isinstance(one, Problem):
                        self.outcome.unlisted += 1
                        self._tell(Trouble.of(one))
                    else:
                        yield one
                return
            except GoneError as error:
                if not began:  # more likely a wrong address
                    raise Problem(error.source, error.what, error.do) from error
                if waited >= patience:
                    raise
                if self._stopped.wait(pause):
                    return
                waited += pause
                pause = min(2 * pause, LONGEST_PAUSE_S)

    def _count(self) -> None:
        """Counts the source beside the reading, so that progress has an end."""
        count = 0
        with suppress(Problem):
            for one in self.source.list(self.settings.wanted()):
                if self._stopped.is_set():
                    return
                count += isinstance(one, Listed)
            self._total = count

    # ---- doing it ------------------------------------------------------------------------------

    def _results(self, units: Iterator[list[Listed]]) -> Generator[list[FilmSeen]]:
        settings = self.settings
        here = settings.engine == HERE
        workers = workers_of(settings)
        orders = Orders(
            source=self.source,
            settings=settings.read(),
            made_by=self.made_by,
            threads=max(1, (os.cpu_count() or 1) // workers) if here else 1,
            store=self._asked(),
            spool=settings.spool and os.path.abspath(settings.spool),
            keep=self.keep and os.path.abspath(self.keep),
            patience_s=settings.patience_s,
        )
        make = partial(FilmWork, orders)
        if here:
            return in_processes(units, make, workers)
        tasks = _tasks(units, settings.task)
        return in_cluster(tasks, make, settings.engine, workers, settings.patience_s)

    def _asked(self) -> str:
        """The store's address as workers get it, "" where they cannot ask it.

        A file is asked on this computer alone: SQLite's log is not to be shared over a network.
        The password of a server is not sent to a cluster, whose workers have it in their
        environment.
        """
        url, engine = self.store.url, self.settings.engine
        if engine == HERE:
            return url.render_as_string(hide_password=False)
        if url.get_backend_name() == "sqlite":
            return str(url) if engine == LOCAL else ""
        host, base = (url.host, url.port), (url.database, url.query)
        return URL.create(url.drivername, url.username, None, *host, *base).render_as_string()

    def _note(self, seen: Sequence[FilmSeen]) -> None:
        if not seen:
            return
        if not self.source.stays and not self.keep:
            seen = [self._anonymous(one) for one in seen]
        noted = self._ledger.note(seen)
        self.outcome.films += noted.films
        self.outcome.known += noted.known
        self.outcome.unfetched += noted.unfetched
        for one in seen:
            if one.what is not None and (one.sha256 is None or one.state != READ):
                self._tell(Trouble(one.name, one.what, _do(one.state)))
        self._moved()

    def _anonymous(self, one: FilmSeen) -> FilmSeen:
        """Readings of a film that does not stay name it by its digest."""
        place = f"{self.source.address}#{self._ledger.digest(one.name)[:16]}"
        rows = tuple({**row, "film": {**row["film"], "source": place}} for row in one.rows)
        return replace(one, rows=rows)

    def _tell(self, trouble: Trouble) -> None:
        with self._turn:
            self.told(trouble)

    def _moved(self) -> None:
        with self._turn:
            self.progress(self.outcome.done, self._total)


def begin(source: Source, wanted: Wanted) -> Iterator[Listed | Problem]:
    """The source's list, its first entry asked for: a wrong address is told, nothing made yet.

    Raises `Problem` and `GoneError`.
    """
    listing = source.list(wanted)
    return chain(list(islice(listing, 1)), listing)


def model_of(settings: ReadSettings) -> MadeBy:
    """What readings with these settings are made by. Raises `Problem` for what is wrong in them."""
    return parts_of(replace(settings, writer={})).made_by


def workers_of(settings: ReadSettings) -> int:
    """Processes to read in."""
    return settings.workers or os.cpu_count() or 1


def _do(state: str | None) -> str:
    if state is None:
        return "it is tried again by the same command"
    if state == FAILED:
        return "look at the film yourself, or try it once more with --again"
    return "look at the film yourself"


def _windows(items: Iterable[Listed]) -> Iterator[list[Listed]]:
    rest = iter(items)
    while window := list(islice(rest, WINDOW)):
        yield window


def _tasks(units: Iterable[list[Listed]], films: int) -> Iterator[list[Any]]:
    """Units gathered until a task has about so many films."""
    task: list[list[Listed]] = []
    for unit in units:
        task.append(unit)
        if sum(map(len, task)) >= films:
            yield task
            task = []
    if task:
        yield task
