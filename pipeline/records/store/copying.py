"""A whole store into an empty one."""

from __future__ import annotations

from sqlalchemy import insert, select

from pipeline.knee.errors import Problem
from pipeline.records.store import database, tables
from pipeline.records.store.chain import START
from pipeline.records.store.entries import rebuild
from pipeline.records.store.ledger import last_row, set_seal
from pipeline.records.store.store import Store


def copy_store(source: Store, url: str) -> Store:
    """A copy of the whole store, history and hashes as they are; returns the open copy.

    The copy has the same key. Where it lies elsewhere, each film's new relative place is noted.
    Raises `Problem` where `source` is not what was written or the other is not empty.
    """
    broken = source.verify()
    if broken:
        raise Problem(
            database.shown(source.url),
            f"is broken ({broken[0].where}: {broken[0].what})",
            "go on from the last good copy",
        )
    target = Store.open(url, source._key)
    _copy(source, target)
    return target


def _copy(source: Store, target: Store) -> None:
    """Copies every table but those that are made from the history."""
    with (
        database.told(source.url),
        database.reading(source._engine) as reading,
        database.told(target.url),
        database.writing(target._engine) as writing,
    ):
        if last_row(writing) != (0, START):
            raise Problem(database.shown(target.url), "holds readings", "give an empty store")
        for table in tables.COPIED:
            chunks = reading.execute(select(table).order_by(*table.primary_key)).mappings()
            for chunk in chunks.partitions(500):
                writing.execute(insert(table), [dict(row) for row in chunk])
        set_seal(writing, source._key, *last_row(reading))
        rebuild(writing)
        ledger = target._ledger(writing)
        heads = tables.heads.c
        for id, location, given in writing.execute(
            select(heads.reading_id, heads.location, heads.source)
        ).fetchall():
            place = target._place(str(source._places(location, given)[0]))
            if place != location:
                target._move(writing, ledger, id, place)
