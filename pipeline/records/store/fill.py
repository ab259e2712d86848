"""The store of a folder that `squareon read` wrote."""

from __future__ import annotations

from pathlib import Path

from pipeline.knee.errors import Problem
from pipeline.records import jsonl
from pipeline.records.store.store import Store

NAME = "store.sqlite"


def open_store(place: str, key: bytes | None = None) -> Store:
    """The store at `place`: a URL, a store's file, or a folder that `squareon read` wrote.

    In such a folder the store is `store.sqlite`, made if absent, and readings of
    `readings.jsonl` that it lacks are added. Raises `Problem`.
    """
    if "://" in place or Path(place).is_file():
        return Store.open(place, key)
    folder = Path(place)
    if not folder.is_dir():
        raise Problem(place, "is not there", "give a store or a folder that squareon read wrote")
    if not (folder / jsonl.NAME).is_file() and not (folder / NAME).is_file():
        raise Problem(
            place,
            f"holds neither {NAME} nor {jsonl.NAME}",
            "give a folder that squareon read wrote",
        )
    store = Store.open(str(folder / NAME), key)
    store.add_readings(jsonl.load_rows(folder))
    return store
