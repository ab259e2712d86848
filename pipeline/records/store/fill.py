"""The store of a folder that `squareon read` wrote."""

from __future__ import annotations

from pathlib import Path

from pipeline.contracts import Progress, silent
from pipeline.knee.errors import Problem
from pipeline.records import jsonl
from pipeline.records.store.acquisitions import Acquisitions
from pipeline.records.store.database import NAME
from pipeline.records.store.store import Store


def open_store(
    place: str,
    key: bytes | None = None,
    *,
    make: bool = True,
    progress: Progress = silent,
) -> Store:
    """The store at `place`: a URL, a store's file, or a folder that `squareon read` wrote.

    In such a folder the store is `store.sqlite`, made if absent, and readings of
    `readings.jsonl` that it lacks are added, with what the films' headers say about how they
    were made; with `make` false nothing is done. `progress`: films looked into, all of them.
    Raises `Problem`.
    """
    file = Path(place.removeprefix("sqlite:///"))
    if "://" in place and file == Path(place):
        return Store.open(place, key)
    if not file.is_dir():
        if not file.is_file():
            raise Problem(
                place, "is not there", "give a store or a folder that squareon read wrote"
            )
        return Store.open(str(file), key)
    store = file / NAME
    if not store.is_file() and not (make and (file / jsonl.NAME).is_file()):
        raise Problem(place, f"holds no {NAME}", "give a store or run squareon review first")
    opened = Store.open(str(store), key)
    if make:
        opened.add_readings(jsonl.load_rows(file))
        Acquisitions(opened).fill(progress)
    return opened


def add_results(store: Store, folder: Path) -> int:
    """Adds the readings of a folder that `squareon read` wrote; returns how many are new."""
    if not (folder / jsonl.NAME).is_file():
        raise Problem(
            str(folder), f"holds no {jsonl.NAME}", "give a folder that squareon read wrote"
        )
    before = sum(store.progress().values())
    store.add_readings(jsonl.load_rows(folder))
    Acquisitions(store).fill()
    return sum(store.progress().values()) - before
