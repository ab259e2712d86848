"""What the store says about one reading, in the words that every export uses."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Literal

from pipeline.records.store import Entry, StoredReading

State = Literal["proposed", "accepted", "changed", "rejected"]
NOTICE = "For research and teaching on archived films. Not for guidance of any procedure."
UNREVIEWED = "UNREVIEWED"
NEAR_PX = 0.01
"""A landmark that lies farther than this from where the program put it was moved."""


@dataclass(frozen=True)
class Record:
    """One reading and what a person decided about it.

    Attributes:
        number: its number in the store.
        revision: how often its history has grown.
        original, current: objects of `readings.jsonl`: as read, and after the last decision.
        state: a reading that waits for a second reader or an adjudication is `proposed`.
        reviewer, reason: who decided and why; "" before a decision.
        at: when it was decided, or read where nobody has decided; with its time zone.
        second: the other reader of a double reading who came to the same, and when; or None.
    """

    number: int
    revision: int
    original: Mapping[str, Any]
    current: Mapping[str, Any]
    state: State
    reviewer: str
    reason: str
    at: datetime
    second: tuple[str, datetime] | None = None

    @property
    def reviewed(self) -> bool:
        """Whether a person has accepted it, with changes or without."""
        return self.state in ("accepted", "changed")

    @property
    def mark(self) -> str:
        """What every export of it must say first; "" for an accepted reading."""
        return {"proposed": UNREVIEWED, "rejected": f"{UNREVIEWED}, REJECTED"}.get(self.state, "")

    def origin(self, name: str) -> Literal["as proposed", "moved", "added"]:
        """Where the current landmark `name` comes from."""
        before, now = (_place(reading, name) for reading in (self.original, self.current))
        if before is None:
            return "as proposed" if now is None else "added"
        if now is None:
            return "moved"
        near = all(abs(a - b) <= NEAR_PX for a, b in zip(before, now, strict=True))
        return "as proposed" if near else "moved"


def record_of(stored: StoredReading) -> Record:
    """The record of one reading of the store."""
    decision = stored.decision
    state = stored.state if decision is not None else "proposed"
    at = stored.history[0].at if decision is None else decision.at
    return Record(
        number=stored.id,
        revision=stored.revision,
        original=stored.original,
        current=stored.original if state == "rejected" else stored.current,
        state=state,  # type: ignore[arg-type]
        reviewer="" if decision is None else decision.who,
        reason="" if decision is None else decision.reason,
        at=_time(at),
        second=None if decision is None else _second(stored, decision),
    )


def _second(stored: StoredReading, decision: Entry) -> tuple[str, datetime] | None:
    """The reader beside the one whose decision counts; an adjudicator stands alone."""
    if decision.kind == "adjudicate" or stored.second_reader in (None, decision.who):
        return None
    entries = [e for e in stored.history if e.who == stored.second_reader and e.outcome]
    return (entries[-1].who, _time(entries[-1].at)) if entries else None


def _time(written: str) -> datetime:
    when = datetime.fromisoformat(written)
    if when.tzinfo is None:
        raise ValueError(f"expected a time with its zone, got {written}")
    return when.astimezone()


def _place(reading: Mapping[str, Any], name: str) -> tuple[float, float] | None:
    for landmark in reading["landmarks"]:
        if landmark["name"] == name and landmark["x"] is not None:
            return float(landmark["x"]), float(landmark["y"])
    return None
