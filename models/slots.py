"""Memory that a worker shares with the training process: one slot per film, no copying by pickle.

A worker writes a film's samples into a free slot and sends the slot's number through a pipe; the
training process copies them out and sends the number back. Every worker has slots and a pipe of
its own, so no worker ever waits for another, and the training process waits for none.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from multiprocessing.connection import Connection
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from models.samples import CropSample, FilmSample, crop_record, fill, film_record

SLOTS = 4
MEMORY_FILES = Path("/dev/shm")
"""Where files are memory, on systems that have it."""


@dataclass(frozen=True)
class SlotPlan:
    """Layout of a slot: up to `crops` crops and one film behind a header of two numbers."""

    crop: int
    picture: int
    crops: int

    @property
    def record(self) -> np.dtype[np.void]:
        return np.dtype(
            [
                ("validation", "i8"),
                ("count", "i8"),
                ("film", film_record(self.picture), (1,)),
                ("crops", crop_record(self.crop), (self.crops,)),
            ]
        )


@dataclass(frozen=True)
class Fed:
    """The samples of one film: records of `film_record` (1,) and `crop_record` (n,)."""

    validation: bool
    film: NDArray[np.void]
    crops: NDArray[np.void]


def make_file(plan: SlotPlan, workers: int) -> Path:
    """A new file for one worker's slots, in memory where `workers` of them have room there."""
    size = plan.record.itemsize * SLOTS
    folder = None
    with contextlib.suppress(OSError):
        if shutil.disk_usage(MEMORY_FILES).free > 2 * size * workers:
            folder = MEMORY_FILES
    number, name = tempfile.mkstemp(prefix="squareon-", suffix=".films", dir=folder)
    os.truncate(number, size)
    os.close(number)
    return Path(name)


def opened(path: Path, plan: SlotPlan) -> NDArray[np.uint8]:
    """(SLOTS, bytes of a slot), shared with whoever else opens the file."""
    return np.memmap(path, np.uint8, "r+", shape=(SLOTS, plan.record.itemsize))


class Outbox:
    """A worker's end."""

    def __init__(self, path: Path, plan: SlotPlan, pipe: Connection) -> None:
        self._slots = opened(path, plan).view(plan.record)[:, 0]
        with contextlib.suppress(OSError):
            path.unlink()  # both ends have it open; nothing is left behind, whatever happens
        self._pipe = pipe
        self._free = list(range(SLOTS))
        self._most = plan.crops

    def put(self, validation: bool, film: FilmSample, crops: Sequence[CropSample]) -> None:
        """Waits for a free slot. Raises OSError or EOFError when the other end is gone."""
        while not self._free or self._pipe.poll():
            self._free.append(self._pipe.recv_bytes()[0])
        number = self._free.pop()
        slot = self._slots[number : number + 1]
        slot["validation"], slot["count"] = validation, min(len(crops), self._most)
        fill(slot["film"][0], [film])
        fill(slot["crops"][0], crops[: self._most])
        self._pipe.send_bytes(bytes([number]))


def take_out(slots: NDArray[np.uint8], number: int, plan: SlotPlan) -> Fed:
    """The training process's end: a copy of what slot `number` holds."""
    record = plan.record
    at = {name: offset for name, (_, offset, *_) in (record.fields or {}).items()}
    slot = slots[number : number + 1].view(record)[0, 0]
    one = crop_record(plan.crop)
    used = np.array(slots[number, : at["crops"] + int(slot["count"]) * one.itemsize])
    return Fed(
        validation=bool(slot["validation"]),
        film=used[at["film"] : at["crops"]].view(film_record(plan.picture)),
        crops=used[at["crops"] :].view(one),
    )
