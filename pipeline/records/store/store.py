"""The store itself: readings in, decisions on top, nothing ever overwritten."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine, delete, func, insert, select, update
from sqlalchemy.engine import URL

from pipeline.knee.errors import Problem
from pipeline.knee.reading import Reading
from pipeline.records.rows import to_dict
from pipeline.records.store import database, originals, tables, worklist
from pipeline.records.store.chain import START, dump, row_hash
from pipeline.records.store.check import breaks
from pipeline.records.store.entries import entry_of, head_columns, location_after
from pipeline.records.store.keys import checked, find_key, keyed
from pipeline.records.store.model import (
    DECISION_KINDS,
    OUTCOMES,
    Break,
    Conflict,
    Decision,
    Filter,
    Row,
    StoredReading,
)
from pipeline.records.store.standing import check_decision, stand, visible

PROGRAM = "squareon"


def now() -> str:
    """The time in UTC, ISO 8601 with microseconds."""
    return datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ")


class Store:
    """One store. Threads may share it; processes open one each.

    Args:
        engine: of a database whose tables are up to date.
        url: its address.
        key: for the digests of UIDs.
        clock: gives the time of each entry.
    """

    def __init__(
        self, engine: Engine, url: URL, key: bytes, clock: Callable[[], str] = now
    ) -> None:
        self._engine, self.url, self._key, self._clock = engine, url, key, clock
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
            key = find_key(file) if key is None else checked(key, "the key given")
            engine = database.engine_for(parsed)
            database.migrate(engine, parsed, key)
            _check_key(engine, parsed, key)
        return cls(engine, parsed, key)

    def close(self) -> None:
        """Gives the database's connections back."""
        self._engine.dispose()

    def __enter__(self) -> Store:
        return self

    def __exit__(self, *error: object) -> None:
        self.close()

    # ---- adding --------------------------------------------------------------------------------

    def add_reading(self, reading: Reading | Mapping[str, Any], *, tags: Sequence[str] = ()) -> int:
        """Adds a reading and returns its number; one that is there already is left alone."""
        return self.add_readings([reading], tags=tags)[0]

    def add_readings(
        self, readings: Iterable[Reading | Mapping[str, Any]], *, tags: Sequence[str] = ()
    ) -> list[int]:
        """Adds readings in one transaction; see `add_reading`."""
        rows = [to_dict(one) if isinstance(one, Reading) else one for one in readings]
        ids = []
        with database.told(self.url), database.writing(self._engine) as connection:
            known = _known(connection)
            for row in rows:
                identity = _identity(row)
                if identity not in known:
                    known[identity] = self._add(connection, self._private(row))
                    self._tag(connection, known[identity], tags, PROGRAM)
                ids.append(known[identity])
        return ids

    def _private(self, reading: Mapping[str, Any]) -> dict[str, Any]:
        """The reading with keyed digests in place of what leads to a patient."""
        film = dict(reading["film"])
        for name in ("sop_instance", "series_digest", "study_digest"):
            if film[name] is not None:
                film[name] = keyed(self._key, name, film[name])
        return {**reading, "film": film}

    def _add(self, connection: Connection, reading: dict[str, Any]) -> int:
        film, made_by = reading["film"], reading["made_by"]
        number = 1 + (connection.scalar(select(func.max(tables.readings.c.id))) or 0)
        values = dict(zip(IDENTITY, _identity(reading), strict=True))
        connection.execute(insert(tables.readings).values(id=number, **values))
        location = originals.location_of(film["source"], self.folder)
        row = self._append(
            connection,
            reading_id=number,
            revision=1,
            kind="add",
            who=PROGRAM,
            weights=made_by["weights"],
            config_sha256=made_by["config_sha256"],
            payload=dump({"location": location, "reading": reading}),
        )
        values = head_columns([entry_of(row)], location)
        connection.execute(insert(tables.heads).values(reading_id=number, **values))
        return number

    def _append(self, connection: Connection, **values: Any) -> dict[str, Any]:
        """Writes the next row of the history and returns it."""
        last = connection.execute(
            select(tables.history.c.sequence, tables.history.c.hash)
            .order_by(tables.history.c.sequence.desc())
            .limit(1)
        ).first()
        row = {
            "outcome": "",
            "role": "",
            "reason": "",
            **values,
            "sequence": 1 if last is None else last.sequence + 1,
            "at": self._clock(),
            "program": version(PROGRAM),
            "previous": START if last is None else last.hash,
        }
        row["hash"] = row_hash(row)
        connection.execute(insert(tables.history).values(**row))
        return row

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
            return worklist.rows(connection, filter, order, limit, offset)

    def progress(self, filter: Filter = Filter()) -> dict[str, int]:  # noqa: B008 - frozen
        """State to the number of readings in it, zeros included."""
        with database.told(self.url), database.reading(self._engine) as connection:
            return worklist.progress(connection, filter)

    def tag_names(self) -> list[str]:
        """All tags in use, sorted."""
        with database.told(self.url), database.reading(self._engine) as connection:
            return list(connection.scalars(select(tables.tags.c.tag).distinct().order_by("tag")))

    def reading(self, id: int, viewer: str | None = None, role: str = "first") -> StoredReading:
        """One reading as `viewer`, the reader of that role, may see it; raises `Problem`.

        While two independent readings are wanted, what others have decided is kept back.
        """
        with database.told(self.url), database.reading(self._engine) as connection:
            return self._stored(connection, id, viewer, role)

    def _stored(
        self, connection: Connection, id: int, viewer: str | None, role: str
    ) -> StoredReading:
        rows = _history(connection, id)
        entries = tuple(entry_of(row) for row in rows)
        seen = visible(entries, viewer, role)
        original = entries[0].final
        assert original is not None
        standing = stand(seen)
        blinded = any(entry.hidden for entry in seen)
        counts = standing.counts
        if blinded and counts is None:
            own = [entry for entry in standing.decisions.values() if entry.who == viewer]
            counts = own[-1] if own else None
        current = original if counts is None or counts.final is None else counts.final
        readers = {role: entry.who for role, entry in standing.decisions.items()}
        return StoredReading(
            id=id,
            original=original,
            current=current,
            revision=entries[-1].revision,
            state=stand(entries).state if not blinded else "double",
            history=seen,
            tags=_tags_of(connection, id),
            paths=originals.places(location_after(rows), original["film"]["source"], self.folder),
            blinded=blinded,
            first_reader=readers.get("first"),
            second_reader=readers.get("second"),
        )

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

        `kind` is one of `DECISION_KINDS`: the three outcomes; `reopen` (undo: back to the
        proposal); `second` (ask for an independent second reading); `adjudicate` (settle two
        differing readings, with `outcome` one of `OUTCOMES`, by default what `final` says).
        `final` is the changed object, as in `StoredReading.current`.

        Raises `Conflict` where someone else has decided after `expected_revision`, `Problem`
        where the decision is not possible.
        """
        name = f"reading {id}"
        with database.told(self.url), database.writing(self._engine) as connection:
            rows = _history(connection, id)
            entries = tuple(entry_of(row) for row in rows)
            seen = visible(entries, reviewer, role)
            if any(
                entry.revision > expected_revision and entry.kind in DECISION_KINDS
                for entry in seen
            ):
                raise Conflict(self._stored(connection, id, reviewer, role), expected_revision)
            if kind in OUTCOMES:
                outcome = kind
            elif kind == "adjudicate":
                outcome = outcome or ("accept" if final is None else "accept_with_changes")
            else:
                outcome, final = "", None
            check_decision(
                stand(entries),
                name,
                kind=kind,
                outcome=outcome,
                reviewer=reviewer,
                final=final,
                reason=reason,
                role=role,
            )
            original = entries[0].final
            assert original is not None
            if final is not None:
                # Whose film it is does not change, whatever a page sends back.
                final = {**final, "film": original["film"], "made_by": original["made_by"]}
            row = self._append(
                connection,
                reading_id=id,
                revision=entries[-1].revision + 1,
                kind=kind,
                outcome=outcome,
                role=role if kind in OUTCOMES else "",
                who=reviewer.strip(),
                weights=entries[0].weights,
                config_sha256=entries[0].config_sha256,
                reason=reason.strip(),
                payload=dump(final),
            )
            _settle(connection, [*rows, row])
        return entry_of(row)

    # ---- tags ----------------------------------------------------------------------------------

    def tag(self, id: int, tags: Sequence[str], reviewer: str, *, remove: bool = False) -> None:
        """Adds tags to a reading, or removes them; decisions do not conflict with it."""
        with database.told(self.url), database.writing(self._engine) as connection:
            self._tag(connection, id, tags, reviewer, remove=remove)

    def _tag(
        self,
        connection: Connection,
        id: int,
        tags: Sequence[str],
        reviewer: str,
        *,
        remove: bool = False,
    ) -> None:
        there = set(_tags_of(connection, id))
        wanted = {tag.strip() for tag in tags if tag.strip()}
        changed = sorted(there & wanted if remove else wanted - there)
        if not changed:
            return
        rows = _history(connection, id)
        row = self._append(
            connection,
            reading_id=id,
            revision=rows[-1]["revision"] + 1,
            kind="untag" if remove else "tag",
            who=reviewer,
            weights=rows[0]["weights"],
            config_sha256=rows[0]["config_sha256"],
            payload=dump({"tags": changed}),
        )
        table = tables.tags
        if remove:
            connection.execute(
                delete(table).where(table.c.reading_id == id, table.c.tag.in_(changed))
            )
        else:
            connection.execute(insert(table), [{"reading_id": id, "tag": name} for name in changed])
        _settle(connection, [*rows, row])

    # ---- checking ------------------------------------------------------------------------------

    def verify(self) -> list[Break]:
        """Every place where the store is not what was written; empty where all is well."""
        with database.told(self.url), database.reading(self._engine) as connection:
            return breaks(connection)


IDENTITY = ("sha256", "frame", "knee", "weights", "config_sha256")


def _identity(reading: Mapping[str, Any]) -> tuple[str, int, int, str, str]:
    film, made_by = reading["film"], reading["made_by"]
    return (
        film["sha256"],
        film["frame"] or 0,
        reading["knee"]["index"],
        made_by["weights"],
        made_by["config_sha256"],
    )


def _known(connection: Connection) -> dict[tuple[str, int, int, str, str], int]:
    columns = [tables.readings.c[name] for name in IDENTITY]
    found = connection.execute(select(tables.readings.c.id, *columns))
    return {(row[1], row[2], row[3], row[4], row[5]): row[0] for row in found}


def _history(connection: Connection, id: int) -> list[Mapping[str, Any]]:
    """All rows of a reading's history, oldest first; raises `Problem` where there is none."""
    table = tables.history
    found = select(table).where(table.c.reading_id == id).order_by(table.c.revision)
    rows: list[Mapping[str, Any]] = [dict(row) for row in connection.execute(found).mappings()]
    if not rows:
        raise Problem(f"reading {id}", "is not in the store", "choose one of the worklist")
    return rows


def _settle(connection: Connection, rows: Sequence[Mapping[str, Any]]) -> None:
    """Brings the worklist's row of a reading up to its history."""
    values = head_columns([entry_of(row) for row in rows], location_after(rows))
    connection.execute(
        update(tables.heads)
        .where(tables.heads.c.reading_id == rows[0]["reading_id"])
        .values(values)
    )


def _tags_of(connection: Connection, id: int) -> tuple[str, ...]:
    table = tables.tags
    return tuple(
        connection.scalars(
            select(table.c.tag).where(table.c.reading_id == id).order_by(table.c.tag)
        )
    )


def _check_key(engine: Engine, url: URL, key: bytes) -> None:
    """Raises `Problem` where the key is not the one that the store was made with."""
    mark = keyed(key, "key", "")
    column = select(tables.about.c.value).where(tables.about.c.name == "key")
    with database.reading(engine) as connection:
        found = connection.scalar(column)
    if found is None:
        with database.writing(engine) as connection:
            found = connection.scalar(column)
            if found is None:
                connection.execute(insert(tables.about).values(name="key", value=mark))
                return
    if found != mark:
        raise Problem(database.shown(url), "the key is not this store's", "give the store's key")
