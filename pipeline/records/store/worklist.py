"""The worklist's queries."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from typing import Any

from sqlalchemy import ColumnElement, Connection, Select, and_, case, func, or_, select

from pipeline.knee.errors import Problem
from pipeline.records.store import tables
from pipeline.records.store.model import ORDERS, STATES, Filter, Row

HEADS, READINGS, TAGS = tables.heads.c, tables.readings.c, tables.tags.c
MADE = tables.acquisitions.c
ROTATION, TILT = func.abs(HEADS.rotation_deg), func.abs(HEADS.tilt_deg)
OFF = case((func.coalesce(ROTATION, 0.0) < TILT, TILT), else_=ROTATION)
"""The larger of both angles in degrees, of what is there."""
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
    chosen = filtered(
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
    counted = filtered(select(HEADS.state, func.count()).group_by(HEADS.state), filter)
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


def filtered(query: Select[Any], filter: Filter) -> Select[Any]:
    """A query over `heads` with the filter's conditions, but for `Filter.search`."""
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
    for number, span in (
        (HEADS.uncertainty, filter.uncertainty),
        (HEADS.rotation_deg, filter.rotation),
        (HEADS.tilt_deg, filter.tilt),
        (OFF, filter.off),
    ):
        if span is not None:
            query = query.where(and_(number >= span[0], number <= span[1]))
    if filter.study is not None:
        query = query.where(HEADS.study == filter.study)
    if filter.waiting_for:
        query = query.where(HEADS.decided == 0)
        for reader in (HEADS.first_reader, HEADS.second_reader):
            query = query.where(or_(reader.is_(None), reader != filter.waiting_for))
    made = _made(filter)
    if made:
        joined = tables.readings.outerjoin(tables.acquisitions, MADE.sha256 == READINGS.sha256)
        among = select(READINGS.id).select_from(joined).where(*made)
        query = query.where(HEADS.reading_id.in_(among))
    return query


def _made(filter: Filter) -> list[ColumnElement[bool]]:
    """Conditions about the reading and about how its film was made."""
    found: list[ColumnElement[bool]] = []
    for column, wanted in (
        (MADE.operator, filter.operator),
        (MADE.station, filter.station),
        (MADE.modality, filter.modality),
        (MADE.body_part, filter.body_part),
        (MADE.reject, filter.reject),
    ):
        if wanted:
            known = column.in_([name for name in wanted if name])
            found.append(or_(known, column.is_(None)) if "" in wanted else known)
    if filter.since is not None:
        found.append(MADE.day >= filter.since.isoformat())
    if filter.until is not None:
        found.append(MADE.day <= filter.until.isoformat())
    if filter.rejected is not None:
        found.append(MADE.reject.is_not(None) if filter.rejected else MADE.reject.is_(None))
    if filter.weights:
        begins = (READINGS.weights.startswith(text, autoescape=True) for text in filter.weights)
        found.append(or_(*begins))
    if filter.latest:
        later = tables.readings.alias("later")
        same = [later.c[name] == READINGS[name] for name in ("sha256", "frame", "knee")]
        found.append(~select(later.c.id).where(later.c.id > READINGS.id, *same).exists())
    return found
