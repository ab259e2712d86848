"""Small questions to the tables."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from itertools import islice
from typing import Any, TypeVar

from sqlalchemy import Connection, select

from pipeline.knee.errors import Problem
from pipeline.records.store import tables

T = TypeVar("T")

IDENTITY = ("sha256", "frame", "knee", "weights", "config_sha256")
"""What makes two readings the same: columns of `readings`."""
PIECE = 500
"""So many values at most go into one question."""


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
    wanted = {identity_of(row) for row in rows}
    found = {
        tuple(row[1:]): int(row[0])
        for some in pieces({identity[0] for identity in wanted})
        for row in connection.execute(query.where(table.sha256.in_(some)))
    }
    return {identity: id for identity, id in found.items() if identity in wanted}


def pieces(items: Iterable[T], size: int = PIECE) -> Iterator[list[T]]:
    """All items, `size` at a time."""
    rest = iter(items)
    while some := list(islice(rest, size)):
        yield some


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
