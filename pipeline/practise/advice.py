"""The reader's own word on a practice film, worked out beside the game, never in its way.

A process of its own, at a lower rank, reads one film after the other.
"""

from __future__ import annotations

import os
import time
from collections.abc import Collection
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from functools import partial
from typing import Any

from pipeline.align.moves import CENTRE, turns_of
from pipeline.batch import ReadSettings, parts_of
from pipeline.batch.processes import Isolated, Mark
from pipeline.knee.film import Film
from pipeline.records.rows import to_dict
from pipeline.run import examine, reading_of

RANK = 10
MOST_WAITING = 64
REST_S = 0.8
"""Before a film is read: the browser has it to paint first, and a processor to paint it with."""


class Reader:
    """Reads films; made in the process, which it gives a lower rank."""

    def __init__(self, settings: ReadSettings) -> None:
        if hasattr(os, "nice"):
            os.nice(RANK)
        self._parts = parts_of(replace(settings, writer={}), threads=1)

    def __call__(self, film: Film, skip: Collection[str], mark: Mark) -> dict[str, Any]:
        """The reading of the film's first knee, as much as a learner compares with."""
        look = examine(film, self._parts)[0]
        reading = reading_of(look, None, self._parts)
        row = to_dict(reading)
        said = [move for move in reading.moves if move.toward and move.hypothesis == 0]
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
            # Of the likelier explanation, where it names degrees: signed turns, and centring.
            "turns": turns_of(row["view"]["name"], said) if said else {},
            "centre": any(move.move == CENTRE for move in said),
            "in_degrees": all(move.degrees is not None for move in said),
        }


@dataclass
class Adviser:
    """Reads films in the background.

    Attributes:
        settings: of the reading; None = no advice at all.
    """

    settings: ReadSettings | None
    _lane: ThreadPoolExecutor = field(default_factory=lambda: ThreadPoolExecutor(1))
    _process: Isolated[Film, dict[str, Any]] | None = None
    _asked: dict[tuple[str, int], Future[dict[str, Any]]] = field(default_factory=dict)

    def ask(self, round_id: str, number: int, film: Film) -> None:
        """Begins to read a film; returns at once."""
        if self.settings is None:
            return
        if self._process is None:
            self._process = Isolated(partial(Reader, self.settings))
        process = self._process

        def read() -> dict[str, Any]:
            time.sleep(REST_S)
            return process(film)

        while len(self._asked) >= MOST_WAITING:
            self._asked.pop(next(iter(self._asked))).cancel()
        self._asked[round_id, number] = self._lane.submit(read)

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
        """Ends the process; what is not read by then stays unread."""
        self._lane.shutdown(wait=False, cancel_futures=True)
        if self._process is not None:
            self._process.close()
