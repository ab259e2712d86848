"""The reader's own word on a practice film, worked out beside the game, never in its way.

A process of its own, at a lower rank, reads one film after the other.
"""

from __future__ import annotations

import multiprocessing
import os
from concurrent.futures import Future, ProcessPoolExecutor
from dataclasses import dataclass, field, replace
from typing import Any

from pipeline.batch import ReadSettings, parts_of
from pipeline.knee.film import Film
from pipeline.records.rows import to_dict
from pipeline.run import Parts, examine, reading_of

RANK = 10
MOST_WAITING = 64

_parts: list[Parts] = []


def _ready(settings: ReadSettings) -> None:
    """In the process: lower rank, networks loaded."""
    if hasattr(os, "nice"):
        os.nice(RANK)
    _parts.append(parts_of(replace(settings, writer={}), threads=1))


def _read(film: Film) -> dict[str, Any]:
    """In the process: the reading of the film's first knee."""
    look = examine(film, _parts[0])[0]
    row = to_dict(reading_of(look, None, _parts[0]))
    alignment = row["alignment"] or {}
    return {
        "refused": row["refused"],
        "view": row["view"]["name"],
        "rotation_deg": alignment.get("rotation_deg"),
        "rotation_90": alignment.get("rotation_90"),
        "tilt_deg": alignment.get("tilt_deg"),
        "tilt_90": alignment.get("tilt_90"),
        "square": alignment.get("square"),
        "square_probability": alignment.get("square_probability"),
        "moves": [move["text"] for move in row["moves"] if move["toward"]],
    }


@dataclass
class Adviser:
    """Reads films in the background.

    Attributes:
        settings: of the reading; None = no advice at all.
    """

    settings: ReadSettings | None
    _pool: ProcessPoolExecutor | None = None
    _asked: dict[tuple[str, int], Future[dict[str, Any]]] = field(default_factory=dict)

    def ask(self, round_id: str, number: int, film: Film) -> None:
        """Begins to read a film; returns at once."""
        if self.settings is None:
            return
        if self._pool is None:
            self._pool = ProcessPoolExecutor(
                1,
                mp_context=multiprocessing.get_context("spawn"),
                initializer=_ready,
                initargs=(self.settings,),
            )
        while len(self._asked) >= MOST_WAITING:
            self._asked.pop(next(iter(self._asked))).cancel()
        try:
            self._asked[round_id, number] = self._pool.submit(_read, film)
        except RuntimeError:  # the process ended: without it practice goes on
            self._pool = None

    def answer(self, round_id: str, number: int) -> dict[str, Any]:
        """`state` off, reading, ready or failed; when ready, the reading as well."""
        asked = self._asked.get((round_id, number))
        if asked is None:
            return {"state": "off"}
        if not asked.done():
            return {"state": "reading"}
        if asked.cancelled() or asked.exception() is not None:
            return {"state": "failed"}
        return {"state": "ready", **asked.result()}

    def close(self) -> None:
        """Ends the process."""
        if self._pool is not None:
            self._pool.shutdown(wait=False, cancel_futures=True)
