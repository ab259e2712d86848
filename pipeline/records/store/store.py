"""The store itself: readings in, decisions on top, nothing ever overwritten."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from functools import partial
from importlib.metadata import version
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine, delete, func, insert, select, update
from sqlalchemy.engine import URL

from pipeline.knee.errors import Problem
from pipeline.knee.reading import Reading
from pipeline.records.rows import to_dict
from pipeline.records.store import database, originals, tables, worklist
from pipeline.records.store.chain import START, dump
from pipeline.records.store.check import breaks
from pipeline.records.store.entries import (
    entry_of,
    head_columns,
    histories,
    location_after,
    rebuild,
)
from pipeline.records.store.keys import checked, find_key, keyed
from pipeline.records.store.ledger import Ledger, last_row, set_seal
from pipeline.records.store.model import (
    DECISION_KINDS,
    Break,
    Conflict,
    Decision,
    DoubleReading,
    Entry,
    Filter,
    Row,
    StoredReading,
)
from pipeline.records.store.queries import (
    IDENTITY,
    history_of,
    identity_of,
    known_of,
    pieces,
    tags_of,
)
from pipeline.records.store.secret import close, close_film, reopen, reopen_film
from pipeline.records.store.standing import check_decision, settle, stand, visible

PROGRAM = "squareon"


def now() -> str:
    """The time in UTC, ISO 8601 with microseconds."""
    return datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ")


class Store:
    """One store. Threads may share it; processes open one each.

    Args:
        engine: of a database whose tables are up to date.
        url: its address.
        key: for the digests of UIDs and the seal.
        clock: gives the time of each entry.
    """

    def __init__(
        self, engine: Engine, url: URL, key: bytes, clock: Callable[[], str] = now
    ) -> None:
        self._engine, self.url, self._key, self._clock = engine, url, key, clock
        self._program = version(PROGRAM)
        self.folder: Path | None = None
        if url.get_backend_name() == "sqlite":
            assert url.database is not None
            self.folder = Path(url.database).parent

    @classmethod
    def open(cls, url: str, key: bytes | None = None) -> Store:
        """The store at a path, `sqlite:///FILE` or `postgresql+psycopg://...`, made if absent.

        `key` defaults to the environment's or the file beside the store (`keys.find_key`).
        Raises `Problem` where it cannot be opened or the key is not the store's.
        """
        parsed = database.parse(url)
        file = None if parsed.get_backend_name() != "sqlite" else Path(parsed.database or "")
        with database.told(parsed):
            if file is not None:
                database.check_file(file)
            key = find_key(file) if key is None else checked(key, "the key given")
            engine = database.engine_for(parsed)
            database.migrate(engine, parsed, rebuild)
            _check_key(engine, parsed, key)
        return cls(engine, parsed, key)

    def close(self) -> None:
        """Gives the database's connections back."""
        self._engine.dispose()

    def __enter__(self) -> Store:
        return self

    def __exit__(self, *error: object) -> None:
        self.close()

    def _ledger(self, connection: Connection) -> Ledger:
        return Ledger(connection, self._key, self._clock, self._program)

    # ---- adding --------------------------------------------------------------------------------

    def add_reading(self, reading: Reading | Mapping[str, Any], *, tags: Sequence[str] = ()) -> int:
        """Adds a reading and returns its number; see `add_readings`."""
        return self.add_readings([reading], tags=tags)[0]

    def add_readings(
        self, readings: Iterable[Reading | Mapping[str, Any]], *, tags: Sequence[str] = ()
    ) -> list[int]:
        """Adds readings in one transaction and returns their numbers.

        One that is there already (same film, frame, knee, weights and settings) is left alone;
        only its place is noted when the film is there and no longer where it was.
        """
        rows = [to_dict(one) if isinstance(one, Reading) else one for one in readings]
        with database.told(self.url), database.reading(self._engine) as connection:
            known = known_of(connection, rows)
            moved = self._moved(connection, known, rows)
        if len(known) == len({identity_of(row) for row in rows}) and not moved:
            return [known[identity_of(row)] for row in rows]
        with database.told(self.url), database.writing(self._engine) as connection:
            known = self._add(connection, rows, sorted({tag.strip() for tag in tags} - {""}))
            for id, location in moved.items():
                self._move(connection, self._ledger(connection), id, location)
        return [known[identity_of(row)] for row in rows]

    def _add(
        self, connection: Connection, rows: Sequence[Mapping[str, Any]], tags: Sequence[str] = ()
    ) -> dict[tuple[Any, ...], int]:
        """Adds what is new of `rows` within a transaction; identity to number of each."""
        known = known_of(connection, rows)
        fresh: dict[int, dict[str, Any]] = {}
        number = connection.scalar(select(func.max(tables.readings.c.id))) or 0
        for row in rows:
            identity = identity_of(row)
            if identity not in known:
                number += 1
                known[identity] = number
                fresh[number] = self._private(row)
        self._write(connection, self._ledger(connection), fresh, tags)
        return known

    def _write(
        self,
        connection: Connection,
        ledger: Ledger,
        fresh: Mapping[int, Mapping[str, Any]],
        tags: Sequence[str],
    ) -> None:
        """Writes new readings, with their tags, under the numbers given."""
        heads, identities = [], []
        for id, reading in fresh.items():
            made_by = reading["made_by"]
            hashes = {name: made_by[name] for name in ("weights", "config_sha256")}
            location = self._place(reopen(self._key, reading["film"]["source"]))
            payload = dump({"location": location, "reading": reading})
            common = {"reading_id": id, "who": PROGRAM, **hashes}
            rows = [ledger.append(**common, revision=1, kind="add", payload=payload)]
            if tags:
                payload = dump({"tags": tags})
                rows.append(ledger.append(**common, revision=2, kind="tag", payload=payload))
            identities.append({"id": id, **dict(zip(IDENTITY, identity_of(reading), strict=True))})
            heads.append({"reading_id": id, **head_columns([*map(entry_of, rows)], location)})
        if not fresh:
            return
        connection.execute(insert(tables.readings), identities)
        ledger.flush()
        connection.execute(insert(tables.heads), heads)
        if tags:
            pairs = [{"tag": tag, "reading_id": id} for id in fresh for tag in tags]
            connection.execute(insert(tables.tags), pairs)

    def _private(self, reading: Mapping[str, Any]) -> dict[str, Any]:
        """The reading with what leads to a patient in digests, and its path closed."""
        film = dict(reading["film"])
        for name in ("sop_instance", "series_digest", "study_digest"):
            if film[name] is not None:
                film[name] = keyed(self._key, name, film[name])
        return close_film(self._key, {**reading, "film": film})

    def _place(self, source: str) -> str:
        """Where a film lies, as it is stored."""
        return close(self._key, originals.location_of(source, self.folder))

    def _places(self, location: str, source: str) -> tuple[Path, ...]:
        """Where to look for a film, from what is stored."""
        opened = partial(reopen, self._key)
        return originals.places(opened(location), opened(source), self.folder)

    def _moved(
        self,
        connection: Connection,
        known: Mapping[tuple[Any, ...], int],
        rows: Sequence[Mapping[str, Any]],
    ) -> dict[int, str]:
        """Number to new place of readings whose film is no longer where it was."""
        found = {}
        table = tables.heads.c
        query = select(table.reading_id, table.location, table.source)
        heads = {
            row.reading_id: row
            for some in pieces(known.values())
            for row in connection.execute(query.where(table.reading_id.in_(some)))
        }
        for row in rows:
            id = known.get(identity_of(row))
            if id is None:
                continue
            place = self._place(row["film"]["source"])
            head = heads[id]
            if place == head.location or not Path(row["film"]["source"]).is_file():
                continue
            before = self._places(head.location, head.source)
            if not any(path.is_file() for path in before):
                found[id] = place
        return found

    def _move(self, connection: Connection, ledger: Ledger, id: int, location: str) -> None:
        self._note(connection, ledger, id, "move", PROGRAM, {"location": location})

    def _note(
        self,
        connection: Connection,
        ledger: Ledger,
        id: int,
        kind: str,
        who: str,
        payload: Any,
        **values: Any,
    ) -> Entry:
        """Writes the next row of a reading's history and brings the worklist up to it."""
        rows = history_of(connection, id)
        row = ledger.append(
            reading_id=id,
            revision=rows[-1]["revision"] + 1,
            kind=kind,
            who=who,
            weights=rows[0]["weights"],
            config_sha256=rows[0]["config_sha256"],
            payload=dump(payload),
            **values,
        )
        ledger.flush()
        rows.append(row)
        entries = [entry_of(row) for row in rows]
        table = tables.heads
        connection.execute(
            update(table)
            .where(table.c.reading_id == id)
            .values(head_columns(entries, location_after(rows)))
        )
        return entries[-1]

    def derived_key(self, purpose: str) -> bytes:
        """A key for another use, from which the store's own cannot be found."""
        return bytes.fromhex(keyed(self._key, "derived", purpose))

    # ---- looking -------------------------------------------------------------------------------

    def readings(
        self,
        filter: Filter = Filter(),  # noqa: B008 - frozen
        order: str = "most_to_gain",
        limit: int | None = None,
        offset: int = 0,
    ) -> list[Row]:
        """The worklist; `order` is one of `ORDERS`. Undecided readings come first."""
        with database.told(self.url), database.reading(self._engine) as connection:
            shown = partial(reopen, self._key)
            return worklist.rows(connection, filter, order, limit, offset, shown)

    def progress(self, filter: Filter = Filter()) -> dict[str, int]:  # noqa: B008 - frozen
        """State to the number of readings in it, zeros included."""
        with database.told(self.url), database.reading(self._engine) as connection:
            return worklist.progress(connection, filter, partial(reopen, self._key))

    def tag_names(self) -> list[str]:
        """All tags in use, sorted."""
        with database.told(self.url), database.reading(self._engine) as connection:
            return list(connection.scalars(select(tables.tags.c.tag).distinct().order_by("tag")))

    def reading(self, id: int, viewer: str | None = None, role: str = "first") -> StoredReading:
        """One reading as `viewer`, the reader of that role, may see it; raises `Problem`.

        While two independent readings are wanted, what others have decided is kept back.
        """
        with database.told(self.url), database.reading(self._engine) as connection:
            return self._stored(connection, history_of(connection, id), viewer, role)

    def _stored(
        self,
        connection: Connection,
        rows: Sequence[Mapping[str, Any]],
        viewer: str | None,
        role: str,
    ) -> StoredReading:
        entries = tuple(self._shown(entry_of(row)) for row in rows)
        seen = visible(entries, viewer, role)
        original = entries[0].final
        assert original is not None
        blinded = any(entry.hidden for entry in seen)
        standing = stand(seen)
        decision = standing.counts
        if blinded or standing.blind:  # what this viewer has decided, if anything
            decision = next(iter(standing.decisions.values()), None)
        counts = decision is not None and decision.final is not None
        readers = {name: entry.who for name, entry in standing.decisions.items()}
        return StoredReading(
            id=entries[0].reading_id,
            original=original,
            current=decision.final if counts else original,  # type: ignore[union-attr,arg-type]
            revision=entries[-1].revision,
            state="double" if blinded else standing.state,
            history=seen,
            tags=tags_of(connection, entries[0].reading_id),
            paths=self._places(location_after(rows), original["film"]["source"]),
            decision=decision,
            blinded=blinded,
            first_reader=readers.get("first"),
            second_reader=readers.get("second"),
        )

    def _shown(self, entry: Entry) -> Entry:
        """The entry with its film's path opened."""
        if entry.final is None:
            return entry
        return replace(entry, final=reopen_film(self._key, entry.final))

    def double_readings(self) -> list[DoubleReading]:
        """Readings that two people gave independently, once both are in; by number."""
        found = []
        table = tables.heads.c
        both = select(table.reading_id).where(
            table.first_reader.is_not(None), table.second_reader.is_not(None)
        )
        with database.told(self.url), database.reading(self._engine) as connection:
            for rows in histories(connection, tables.history.c.reading_id.in_(both)):
                entries = [self._shown(entry_of(row)) for row in rows]
                standing = stand(entries)
                original, pair = entries[0].final, standing.decisions
                assert original is not None
                settled = standing.counts if standing.state != "adjudicate" else None
                found.append(
                    DoubleReading(
                        id=entries[0].reading_id,
                        original=original,
                        first=pair["first"],
                        second=pair["second"],
                        settled=settled,
                    )
                )
        return found

    def end(self) -> tuple[int, str]:
        """(rows, hash of the last one) of the whole history: worth writing down elsewhere."""
        with database.told(self.url), database.reading(self._engine) as connection:
            return last_row(connection)

    def holds(self, hash: str) -> bool:
        """Whether the history has a row of that hash."""
        found = select(tables.history.c.sequence).where(tables.history.c.hash == hash)
        with database.told(self.url), database.reading(self._engine) as connection:
            return connection.scalar(found) is not None

    # ---- deciding ------------------------------------------------------------------------------

    def decide(
        self,
        id: int,
        *,
        expected_revision: int,
        kind: str,
        reviewer: str,
        final: Mapping[str, Any] | None = None,
        reason: str = "",
        role: str = "first",
        outcome: str | None = None,
    ) -> Decision:
        """Writes one decision on top of the history.

        `kind` is one of `DECISION_KINDS`: the three outcomes (`accept` without `final` accepts
        what the reviewer saw as `StoredReading.current`); `reopen` (undo: back to the
        proposal); `second` (ask for an independent second reading); `adjudicate` (settle two
        differing readings, with `outcome` one of `OUTCOMES`, by default what `final` says).
        `final` is the whole changed object, like `StoredReading.current`.

        Raises `Conflict` where someone else has decided after `expected_revision`, `Problem`
        where the decision is not possible.
        """
        reviewer = reviewer.strip()
        with database.told(self.url), database.writing(self._engine) as connection:
            rows = history_of(connection, id)
            entries = [entry_of(row) for row in rows]
            shown = self._stored(connection, rows, reviewer, role)
            if expected_revision > shown.revision:  # an earlier copy of the store was put back
                raise Conflict(shown, expected_revision)
            for entry, seen in zip(entries, shown.history, strict=True):
                matters = not seen.hidden or entry.role == role
                if entry.revision > expected_revision and entry.kind in DECISION_KINDS and matters:
                    raise Conflict(shown, expected_revision)
            check_decision(
                stand(entries), f"reading {id}", kind, outcome, reviewer, final, reason, role
            )
            outcome, final = settle(shown, kind, outcome, final)
            written = self._note(
                connection,
                self._ledger(connection),
                id,
                kind,
                reviewer,
                None if final is None else close_film(self._key, final),
                outcome=outcome,
                role=role if kind in ("accept", "accept_with_changes", "reject") else "",
                reason=reason.strip(),
            )
            return self._shown(written)

    # ---- tags ----------------------------------------------------------------------------------

    def tag(self, id: int, tags: Sequence[str], reviewer: str, *, remove: bool = False) -> None:
        """Adds tags to a reading, or removes them; no decision conflicts with that."""
        wanted = {tag.strip() for tag in tags} - {""}
        table = tables.tags
        with database.told(self.url), database.writing(self._engine) as connection:
            there = set(tags_of(connection, id))
            changed = sorted(there & wanted if remove else wanted - there)
            if not changed:
                return
            kind = "untag" if remove else "tag"
            ledger = self._ledger(connection)
            self._note(connection, ledger, id, kind, reviewer.strip(), {"tags": changed})
            if remove:
                gone = (table.c.reading_id == id) & table.c.tag.in_(changed)
                connection.execute(delete(table).where(gone))
            else:
                pairs = [{"reading_id": id, "tag": name} for name in changed]
                connection.execute(insert(table), pairs)

    # ---- checking ------------------------------------------------------------------------------

    def verify(self) -> list[Break]:
        """Every place where the store is not what was written; empty where all is well."""
        with database.told(self.url), database.reading(self._engine) as connection:
            return breaks(connection, self._key)


def _check_key(engine: Engine, url: URL, key: bytes) -> None:
    """Marks a new store with its key; raises `Problem` where it was made with another."""
    mark = keyed(key, "key", "")
    column = select(tables.about.c.value).where(tables.about.c.name == "key")
    with database.reading(engine) as connection:
        found = connection.scalar(column)
    if found is None:
        with database.writing(engine) as connection:
            found = connection.scalar(column)
            if found is None:
                connection.execute(insert(tables.about).values(name="key", value=mark))
                set_seal(connection, key, 0, START)
                return
    if found != mark:
        raise Problem(database.shown(url), "the key is not this store's", "give the store's key")
