"""The worklist's queries."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from typing import Any

from sqlalchemy import ColumnElement, Connection, Select, and_, func, or_, select

from pipeline.knee.errors import Problem
from pipeline.records.store import tables
from pipeline.records.store.model import ORDERS, STATES, Filter, Row

HEADS, READINGS, TAGS = tables.heads.c, tables.readings.c, tables.tags.c
FEW = 500
COLUMNS = (
    HEADS.reading_id.label("id"),
    HEADS.source,
    READINGS.frame,
    READINGS.knee,
    HEADS.view,
    HEADS.side,
    HEADS.verdict,
    HEADS.rotation_deg,
    HEADS.tilt_deg,
    HEADS.uncertainty,
    HEADS.square_probability,
    HEADS.view_probability,
    HEADS.side_probability,
    HEADS.gain,
    HEADS.state,
    HEADS.revision,
    HEADS.study,
    HEADS.changed_at,
    HEADS.refused,
)


Open = Callable[[str], str]
"""Gives the path that the column `source` stands for."""


def rows(
    connection: Connection,
    filter: Filter,
    order: str,
    limit: int | None,
    offset: int,
    open_path: Open,
) -> list[Row]:
    """One page of the worklist."""
    orders: dict[str, tuple[ColumnElement[Any], ...]] = {
        "most_to_gain": (HEADS.decided, HEADS.gain.desc(), HEADS.reading_id),
        "newest": (HEADS.changed_at.desc(), HEADS.reading_id),
        "source": (READINGS.frame, READINGS.knee, HEADS.reading_id),
    }
    if order not in orders:
        raise Problem(order, "is no order of the worklist", f"choose among {', '.join(ORDERS)}")
    chosen = _filtered(
        select(*COLUMNS).join_from(tables.heads, tables.readings).order_by(*orders[order]), filter
    )
    by_path = order == "source" or bool(filter.search)
    if not by_path:
        chosen = chosen.limit(limit).offset(offset)
    found = [
        (id, open_path(source), frame or None, *values)
        for id, source, frame, *values in connection.execute(chosen)
    ]
    if by_path:  # the database cannot see into paths
        found = [row for row in found if filter.search.lower() in row[1].lower()]
        if order == "source":
            found.sort(key=lambda row: row[1])
        found = found[offset:] if limit is None else found[offset : offset + limit]
    tags = _tags(connection, [row[0] for row in found])
    return [Row(*(*row, tags.get(row[0], ()))) for row in found]


def progress(connection: Connection, filter: Filter, open_path: Open) -> dict[str, int]:
    """State to number of readings."""
    if filter.search:
        found = Counter(row.state for row in rows(connection, filter, "newest", None, 0, open_path))
        return {state: found[state] for state in STATES}
    counted = _filtered(select(HEADS.state, func.count()).group_by(HEADS.state), filter)
    number = {row[0]: row[1] for row in connection.execute(counted)}
    return {state: number.get(state, 0) for state in STATES}


def _tags(connection: Connection, ids: list[int]) -> dict[int, tuple[str, ...]]:
    """Number to sorted tags."""
    query = select(TAGS.reading_id, TAGS.tag)
    if len(ids) <= FEW:
        query = query.where(TAGS.reading_id.in_(ids))
    found: dict[int, list[str]] = {}
    for id, tag in connection.execute(query):
        found.setdefault(id, []).append(tag)
    return {id: tuple(sorted(names)) for id, names in found.items()}


def _filtered(query: Select[Any], filter: Filter) -> Select[Any]:
    for column, wanted in (
        (HEADS.verdict, filter.verdict),
        (HEADS.view, filter.view),
        (HEADS.side, filter.side),
        (HEADS.state, filter.state),
    ):
        if wanted:
            known = column.in_([name for name in wanted if name])
            query = query.where(or_(known, column.is_(None)) if "" in wanted else known)
    for tag in filter.tags:
        query = query.where(HEADS.reading_id.in_(select(TAGS.reading_id).where(TAGS.tag == tag)))
    if filter.uncertainty is not None:
        least, most = filter.uncertainty
        query = query.where(and_(HEADS.uncertainty >= least, HEADS.uncertainty <= most))
    if filter.study is not None:
        query = query.where(HEADS.study == filter.study)
    if filter.waiting_for:
        query = query.where(HEADS.decided == 0)
        for reader in (HEADS.first_reader, HEADS.second_reader):
            query = query.where(or_(reader.is_(None), reader != filter.waiting_for))
    return query
