"""Writes the history: each row chained to the one before, the last one sealed with the key."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from sqlalchemy import Connection, insert, select, update

from pipeline.knee.errors import Problem
from pipeline.records.store import tables
from pipeline.records.store.chain import START, row_hash
from pipeline.records.store.keys import keyed

BATCH = 500


class Ledger:
    """The growing end of the history within one transaction.

    Raises `Problem` where the history does not end as it was sealed: writing on would hide
    that its end was changed from outside.

    Args:
        connection: in a transaction that no other writer overlaps.
        key: the store's.
        clock: gives the time of each row.
        program: version of the program that writes.
    """

    def __init__(
        self, connection: Connection, key: bytes, clock: Callable[[], str], program: str
    ) -> None:
        self._connection, self._key, self._clock, self._program = connection, key, clock, program
        self._waiting: list[dict[str, Any]] = []
        self._sequence, self._hash = last_row(connection)
        if not is_sealed(connection, key, self._sequence, self._hash):
            raise Problem(
                "the store",
                "its history does not end as the program left it",
                "run squareon verify, and go on from the last good copy",
            )

    def append(self, **values: Any) -> dict[str, Any]:
        """Makes the next row of the history and returns it; `flush` writes it."""
        row = {
            "outcome": "",
            "role": "",
            "reason": "",
            **values,
            "sequence": self._sequence + 1,
            "at": self._clock(),
            "program": self._program,
        }
        row["previous"] = self._hash
        row["hash"] = row_hash(row)
        self._sequence, self._hash = row["sequence"], row["hash"]
        self._waiting.append(row)
        return row

    def flush(self) -> None:
        """Writes all rows that wait, and the seal."""
        for start in range(0, len(self._waiting), BATCH):
            some = self._waiting[start : start + BATCH]
            self._connection.execute(insert(tables.history), some)
        if self._waiting:
            set_seal(self._connection, self._key, self._sequence, self._hash)
        self._waiting = []


def last_row(connection: Connection) -> tuple[int, str]:
    """(sequence, hash) of the history's last row; (0, `START`) of an empty one."""
    table = tables.history.c
    last = connection.execute(
        select(table.sequence, table.hash).order_by(table.sequence.desc()).limit(1)
    ).first()
    return (0, START) if last is None else (last[0], last[1])


def is_sealed(connection: Connection, key: bytes, sequence: int, hash: str) -> bool:
    """Whether the seal says that the history ends there."""
    seal = connection.execute(select(tables.seal)).mappings().first()
    return (
        seal is not None
        and (seal["sequence"], seal["hash"]) == (sequence, hash)
        and seal["seal"] == _seal_of(key, sequence, hash)
    )


def set_seal(connection: Connection, key: bytes, sequence: int, hash: str) -> None:
    """Seals the history's end."""
    values = {"sequence": sequence, "hash": hash, "seal": _seal_of(key, sequence, hash)}
    done = connection.execute(update(tables.seal).where(tables.seal.c.id == 1).values(values))
    if done.rowcount == 0:
        connection.execute(insert(tables.seal).values(id=1, **values))


def _seal_of(key: bytes, sequence: int, hash: str) -> str:
    return keyed(key, "seal", f"{sequence} {hash}")
