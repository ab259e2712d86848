"""The ledger of films: what became of each content under each model, and under which names.

A film counts once per content (SHA-256 of its bytes) and model (weights and settings), however
often it is met and whatever it is called. It is noted in one transaction with its readings. Names
are known by keyed digests only.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, Engine, bindparam, func, insert, select, update
from sqlalchemy.exc import SQLAlchemyError

from pipeline.knee.acquisition import Acquisition
from pipeline.knee.errors import Problem
from pipeline.knee.reading import MadeBy
from pipeline.records.store import database, tables
from pipeline.records.store.acquisitions import Acquisitions
from pipeline.records.store.keys import keyed
from pipeline.records.store.queries import pieces
from pipeline.records.store.store import Store

READ, REFUSED, FAILED = "read", "refused", "failed"
STATES = (READ, REFUSED, FAILED)
"""`read`: at least one knee was; `refused`: looked at, and every knee refused; `failed`: no
reading at all."""

FILMS, NAMES, MODELS = tables.films.c, tables.film_names.c, tables.models.c


@dataclass(frozen=True)
class FilmSeen:
    """What came of one name of a source.

    Attributes:
        name: as the source has it; the store keeps its keyed digest.
        sha256: of the content; None where it could not be had.
        bytes, stamp: as the source listed them.
        state: one of `STATES`; None where nothing new is known of the content: it could not be
            had, or was read before.
        rows: its readings, objects of `readings.jsonl`.
        what: why it was refused or failed; names no file.
        acquisition: how it was made, where its header says.
    """

    name: str
    sha256: str | None
    bytes: int | None = None
    stamp: int | None = None
    state: str | None = None
    rows: tuple[Mapping[str, Any], ...] = ()
    what: str | None = None
    acquisition: Acquisition | None = None


@dataclass(frozen=True)
class Noted:
    """What `note` did: new films by state, names whose content was known, and names without."""

    films: Counter[str]
    known: int
    unfetched: int


class FilmLedger:
    """The ledger under one model.

    Args:
        store: open.
        made_by: whose `weights` and `config_sha256` are the model.
        address: of the source; the same name in another source is another name.
    """

    def __init__(self, store: Store, made_by: MadeBy, address: str) -> None:
        self._store, self._made_by, self._address = store, made_by, address
        self._model: int | None = None

    def digest(self, name: str) -> str:
        """How a name is known."""
        return keyed(self._store._key, "film name", f"{self._address}\0{name}")

    def model(self) -> int | None:
        """The model's number, None as long as nothing was noted under it."""
        if self._model is None:
            with self._reading() as connection:
                self._model = self._find_model(connection)
        return self._model

    def known(
        self, names: Sequence[tuple[str, int | None, int | None]], *, failed_too: bool
    ) -> dict[str, tuple[str, str | None]]:
        """Which names need not be read: name to state and reason of their content.

        `names`: name, size and stamp as listed; one whose size or stamp has changed is not
        known. With `failed_too` false those that failed are not known either.
        """
        model = self.model()
        if model is None:
            return {}
        asked = {self.digest(name): (name, size, stamp) for name, size, stamp in names}
        columns = (NAMES.name, NAMES.bytes, NAMES.stamp, FILMS.state, FILMS.what)
        query = select(*columns).where(NAMES.sha256 == FILMS.sha256, FILMS.model == model)
        found = {}
        with self._reading() as connection:
            for some in pieces(asked):
                for row in connection.execute(query.where(NAMES.name.in_(some))):
                    name, size, stamp = asked[row.name]
                    if (row.bytes, row.stamp) != (size, stamp):
                        continue
                    if row.state != FAILED or failed_too:
                        found[name] = (row.state, row.what)
        return found

    def counts(self) -> dict[str, int]:
        """State to number of films under this model, zeros included."""
        model = self.model()
        query = select(FILMS.state, func.count()).where(FILMS.model == model).group_by(FILMS.state)
        with self._reading() as connection:
            found = {row[0]: row[1] for row in connection.execute(query)}
        return {state: found.get(state, 0) for state in STATES}

    def note(self, seen: Sequence[FilmSeen]) -> Noted:
        """Notes films and their readings in one transaction: all of it or nothing.

        A content that is there as read or refused is left alone, one that failed before is
        replaced by what came of it now.
        """
        store = self._store
        contents: dict[str, FilmSeen] = {}
        for one in seen:
            if one.sha256 is not None and one.state is not None:
                contents.setdefault(one.sha256, one)
        with database.told(store.url), database.writing(store._engine) as connection:
            self._model = self._find_model(connection) or self._add_model(connection)
            before = self._before(connection, contents)
            at = store._clock()
            fresh: list[dict[str, Any]] = []
            again: list[dict[str, Any]] = []
            for sha256, one in contents.items():
                state = before.get(sha256)
                row = {
                    "sha256": sha256,
                    "model": self._model,
                    "state": one.state,
                    "readings": len(one.rows),
                    "what": one.what,
                    "tries": 1,
                    "at": at,
                }
                if state is None:
                    fresh.append(row)
                elif state == FAILED:
                    again.append(row)
            new = {str(row["sha256"]) for row in (*fresh, *again)}
            rows = [row for one in contents.values() if one.sha256 in new for row in one.rows]
            store._add(connection, rows)
            if fresh:
                connection.execute(insert(tables.films), fresh)
            if again:
                _update_films(connection, again)
            made = {
                sha256: one.acquisition
                for sha256, one in contents.items()
                if sha256 in new and one.rows and one.acquisition is not None
            }
            Acquisitions(store).note_within(connection, made)
            self._note_names(connection, seen, at)
        states = Counter(str(contents[sha256].state) for sha256 in new)
        unfetched = sum(one.sha256 is None for one in seen)
        return Noted(states, len(seen) - unfetched - len(new), unfetched)

    def _before(self, connection: Connection, contents: Iterable[str]) -> dict[str, str]:
        query = select(FILMS.sha256, FILMS.state).where(FILMS.model == self._model)
        return {
            row.sha256: row.state
            for some in pieces(contents)
            for row in connection.execute(query.where(FILMS.sha256.in_(some)))
        }

    def _note_names(self, connection: Connection, seen: Sequence[FilmSeen], at: str) -> None:
        rows = {
            digest: {
                "name": digest,
                "sha256": one.sha256,
                "bytes": one.bytes,
                "stamp": one.stamp,
                "what": one.what if one.sha256 is None else None,
                "at": at,
            }
            for digest, one in ((self.digest(one.name), one) for one in seen)
        }
        there: dict[str, str | None] = {}
        for some in pieces(rows):
            query = select(NAMES.name, NAMES.sha256).where(NAMES.name.in_(some))
            there |= {row.name: row.sha256 for row in connection.execute(query)}
        fresh = [row for name, row in rows.items() if name not in there]
        changed = [{f"new_{k}": v for k, v in row.items()} for n, row in rows.items() if n in there]
        if fresh:
            connection.execute(insert(tables.film_names), fresh)
        if changed:
            names = ("sha256", "bytes", "stamp", "what", "at")
            values: dict[str, Any] = {name: bindparam(f"new_{name}") for name in names}
            statement = update(tables.film_names).where(NAMES.name == bindparam("new_name"))
            connection.execute(statement.values(values), changed)

    @contextmanager
    def _reading(self) -> Iterator[Connection]:
        store = self._store
        with database.told(store.url), database.reading(store._engine) as connection:
            yield connection

    def _find_model(self, connection: Connection) -> int | None:
        found = select(MODELS.id).where(
            MODELS.weights == self._made_by.weights,
            MODELS.config_sha256 == self._made_by.config_sha256,
        )
        return connection.scalar(found)

    def _add_model(self, connection: Connection) -> int:
        number = (connection.scalar(select(func.max(MODELS.id))) or 0) + 1
        connection.execute(
            insert(tables.models).values(
                id=number,
                weights=self._made_by.weights,
                config_sha256=self._made_by.config_sha256,
            )
        )
        return number


def _update_films(connection: Connection, rows: Sequence[Mapping[str, Any]]) -> None:
    """What failed before and was tried again."""
    names = ("state", "readings", "what", "at")
    values: dict[str, Any] = {name: bindparam(f"new_{name}") for name in names}
    statement = (
        update(tables.films)
        .where(FILMS.sha256 == bindparam("new_sha256"), FILMS.model == bindparam("new_model"))
        .values(tries=FILMS.tries + 1, **values)
    )
    connection.execute(statement, [{f"new_{k}": v for k, v in row.items()} for row in rows])


class KnownContents:
    """Which contents are in a store's ledger under a model; asked by processes that only look.

    Needs no key. What cannot be asked (a store on another machine) counts as not known: the
    film is then read again and left out when it is noted.
    """

    def __init__(self, url: str, made_by: MadeBy) -> None:
        self._url, self._made_by = database.parse(url), made_by
        self._engine: Engine | None = None

    def __call__(self, contents: Sequence[str]) -> set[str]:
        """Those of `contents` (SHA-256) that were read or refused."""
        query = (
            select(FILMS.sha256)
            .join_from(tables.films, tables.models)
            .where(
                MODELS.weights == self._made_by.weights,
                MODELS.config_sha256 == self._made_by.config_sha256,
                FILMS.state != FAILED,
            )
        )
        try:
            if self._engine is None:
                if not database.is_there(self._url):
                    return set()
                self._engine = database.engine_for(self._url)
            with database.reading(self._engine) as connection:
                return {
                    sha256
                    for some in pieces(contents)
                    for sha256 in connection.scalars(query.where(FILMS.sha256.in_(some)))
                }
        except (SQLAlchemyError, Problem, OSError):
            return set()
