"""Whether the store is what was written: the hash chain, and all that is made from it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from sqlalchemy import Connection, and_, func, select

from pipeline.records.store import tables
from pipeline.records.store.chain import START, row_hash
from pipeline.records.store.entries import (
    entry_of,
    head_columns,
    histories,
    location_after,
    tags_after,
)
from pipeline.records.store.ledger import is_sealed
from pipeline.records.store.model import Break


def breaks(connection: Connection, key: bytes) -> list[Break]:
    """Every place where the tables are not what the program wrote."""
    return _chain(connection, key) + _made_from(connection) + _of_films(connection)


def _chain(connection: Connection, key: bytes) -> list[Break]:
    """The history: no row missing, changed, put in or cut off at the end."""
    found: list[Break] = []
    table = tables.history
    expected, previous = 1, START
    rows = connection.execute(
        select(table).order_by(table.c.sequence), execution_options={"yield_per": 200}
    )
    for row in rows.mappings():
        where = f"history row {row['sequence']}"
        if row["sequence"] != expected:
            last = row["sequence"] - 1
            gone = f"row {expected} is" if last == expected else f"rows {expected} to {last} are"
            found.append(Break("history", f"{gone} missing"))
        elif row["previous"] != previous:
            found.append(Break(where, "does not follow the row before it"))
        if row_hash(dict(row)) != row["hash"]:
            found.append(Break(where, "its content is not what its hash says"))
        expected, previous = row["sequence"] + 1, row["hash"]
    if not is_sealed(connection, key, expected - 1, previous):
        found.append(Break("history", "does not end as the program left it"))
    return found


def _made_from(connection: Connection) -> list[Break]:
    """Readings, worklist and tags against the history they were made from."""
    found: list[Break] = []
    readings = {row["id"]: row for row in connection.execute(select(tables.readings)).mappings()}
    heads = {row["reading_id"]: row for row in connection.execute(select(tables.heads)).mappings()}
    tags: dict[int, set[str]] = {}
    for tag, id in connection.execute(select(tables.tags.c.tag, tables.tags.c.reading_id)):
        tags.setdefault(id, set()).add(tag)
    missing = {*readings, *heads, *tags}
    for rows in histories(connection):
        id = rows[0]["reading_id"]
        missing.discard(id)
        if [row["revision"] for row in rows] != list(range(1, len(rows) + 1)):
            found.append(Break(f"reading {id}", "its history has a gap"))
            continue
        try:
            entries = [entry_of(row) for row in rows]
            wanted = head_columns(entries, location_after(rows))
        except (ValueError, KeyError, TypeError, AttributeError, IndexError, AssertionError):
            found.append(Break(f"reading {id}", "its history cannot be understood"))
            continue
        if id not in readings or not _is_reading(readings[id], entries[0].final):
            found.append(Break(f"reading {id}", "is not the film that its history begins with"))
        head = heads.get(id)
        if head is None or any(head[name] != value for name, value in wanted.items()):
            found.append(Break(f"worklist row {id}", "does not show what the history says"))
        if tags.get(id, set()) != tags_after(rows):
            found.append(Break(f"tags of reading {id}", "are not those that the history says"))
    return found + [Break(f"reading {id}", "has no history") for id in sorted(missing)]


def _is_reading(row: Mapping[Any, Any], original: Any) -> bool:
    film, made_by = original["film"], original["made_by"]
    return bool(
        row["sha256"] == film["sha256"]
        and row["frame"] == (film["frame"] or 0)
        and row["knee"] == original["knee"]["index"]
        and row["weights"] == made_by["weights"]
        and row["config_sha256"] == made_by["config_sha256"]
    )


def _of_films(connection: Connection) -> list[Break]:
    """The ledger of films: every reading that it says there is."""
    films, models, readings = tables.films.c, tables.models.c, tables.readings.c
    same = and_(
        readings.sha256 == films.sha256,
        readings.weights == models.weights,
        readings.config_sha256 == models.config_sha256,
    )
    query = (
        select(films.sha256, films.readings, func.count(readings.id))
        .join_from(tables.films, tables.models)
        .outerjoin(tables.readings, same)
        .group_by(films.sha256, films.model, films.readings)
        .having(func.count(readings.id) < films.readings)
    )
    return [
        Break(f"film {sha256[:12]}", f"{said} readings were noted with it, {found} are there")
        for sha256, said, found in connection.execute(query)
    ]
