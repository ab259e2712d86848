"""Entries made from rows of the history, and the worklist's columns made from entries."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from itertools import groupby
from typing import Any

from sqlalchemy import ColumnElement, Connection, delete, insert, select

from pipeline.records.store import gain, tables
from pipeline.records.store.chain import HASHED
from pipeline.records.store.model import Entry
from pipeline.records.store.standing import UNDECIDED, Standing, stand


def entry_of(row: Mapping[str, Any]) -> Entry:
    """One row of the history as an entry."""
    payload = json.loads(row["payload"])
    if row["kind"] == "add":
        payload = payload["reading"]
    elif row["kind"] in ("tag", "untag", "move"):
        payload = None
    names = [name for name in (*HASHED, "hash") if name not in ("payload", "previous")]
    return Entry(**{name: row[name] for name in names}, final=payload)


def location_after(rows: Sequence[Mapping[str, Any]]) -> str:
    """Where a reading's film is, after all rows of its history."""
    moves = [row for row in rows if row["kind"] in ("add", "move")]
    return str(json.loads(moves[-1]["payload"])["location"])


def tags_after(rows: Sequence[Mapping[str, Any]]) -> set[str]:
    """A reading's tags after all rows of its history."""
    tags: set[str] = set()
    for row in rows:
        if row["kind"] == "tag":
            tags |= set(json.loads(row["payload"])["tags"])
        elif row["kind"] == "untag":
            tags -= set(json.loads(row["payload"])["tags"])
    return tags


def plain(text: str) -> str:
    """`text` as a database takes it: what is not valid text in a file's name is written out."""
    return text.encode("utf-8", "backslashreplace").decode()


def head_columns(entries: Sequence[Entry], location: str) -> dict[str, Any]:
    """The row of `heads` that belongs to a reading's whole history.

    While decisions are hidden from readers the columns are those of the original, so that the
    worklist gives nothing away.
    """
    original = entries[0].final
    assert original is not None
    standing = stand(entries)
    shown = original
    if standing.counts is not None and standing.counts.final is not None:
        shown = standing.counts.final
    return {
        "revision": entries[-1].revision,
        "state": standing.state,
        "decided": int(standing.state not in UNDECIDED),
        "source": plain(original["film"]["source"]),
        "location": plain(location),
        "study": original["film"]["study_digest"],
        "changed_at": entries[-1].at,
        "first_reader": _who(standing, "first"),
        "second_reader": _who(standing, "second"),
        **gain.columns(shown),
    }


def _who(standing: Standing, role: str) -> str | None:
    entry = standing.decisions.get(role)
    return None if entry is None else entry.who


def histories(
    connection: Connection, *where: ColumnElement[bool]
) -> Iterator[list[Mapping[str, Any]]]:
    """The rows of each reading's history, oldest first, one reading after the other."""
    table = tables.history
    query = select(table).where(*where).order_by(table.c.reading_id, table.c.revision)
    found = connection.execute(query, execution_options={"yield_per": 200}).mappings()
    for _, rows in groupby(found, key=lambda row: row["reading_id"]):
        yield [dict(row) for row in rows]


def rebuild(connection: Connection) -> None:
    """Makes worklist and tags again from the history."""
    connection.execute(delete(tables.heads))
    connection.execute(delete(tables.tags))
    heads, tags = [], []
    for rows in histories(connection):
        id = rows[0]["reading_id"]
        columns = head_columns([entry_of(row) for row in rows], location_after(rows))
        heads.append({"reading_id": id, **columns})
        tags += [{"reading_id": id, "tag": tag} for tag in sorted(tags_after(rows))]
    for table, values in ((tables.heads, heads), (tables.tags, tags)):
        if values:
            connection.execute(insert(table), values)
