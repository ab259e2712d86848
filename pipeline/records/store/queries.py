"""Small questions to the tables."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from sqlalchemy import Connection, select

from pipeline.knee.errors import Problem
from pipeline.records.store import tables

IDENTITY = ("sha256", "frame", "knee", "weights", "config_sha256")
"""What makes two readings the same: columns of `readings`."""
MANY = 100
"""From so many rows on a whole table is asked for at once."""


def identity_of(reading: Mapping[str, Any]) -> tuple[Any, ...]:
    """The values of `IDENTITY` of one object of `readings.jsonl`."""
    film, made_by = reading["film"], reading["made_by"]
    return (
        film["sha256"],
        film["frame"] or 0,
        reading["knee"]["index"],
        made_by["weights"],
        made_by["config_sha256"],
    )


def known_of(
    connection: Connection, rows: Sequence[Mapping[str, Any]]
) -> dict[tuple[Any, ...], int]:
    """Identity to number of those of `rows` that are in the store."""
    table = tables.readings.c
    query = select(table.id, *(table[name] for name in IDENTITY))
    if len(rows) < MANY:
        query = query.where(table.sha256.in_({row["film"]["sha256"] for row in rows}))
    wanted = {identity_of(row) for row in rows}
    found = {tuple(row[1:]): int(row[0]) for row in connection.execute(query)}
    return {identity: id for identity, id in found.items() if identity in wanted}


def history_of(connection: Connection, id: int) -> list[Mapping[str, Any]]:
    """All rows of a reading's history, oldest first; raises `Problem` where there is none."""
    table = tables.history
    found = select(table).where(table.c.reading_id == id).order_by(table.c.revision)
    rows: list[Mapping[str, Any]] = [dict(row) for row in connection.execute(found).mappings()]
    if not rows:
        raise Problem(f"reading {id}", "is not in the store", "choose one of the worklist")
    return rows


def tags_of(connection: Connection, id: int) -> tuple[str, ...]:
    """A reading's tags, sorted."""
    table = tables.tags
    found = select(table.c.tag).where(table.c.reading_id == id)
    return tuple(sorted(connection.scalars(found)))
