"""What the store gives and takes, as plain dataclasses."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any, Literal, get_args

from pipeline.knee.errors import Problem

DecisionKind = Literal["accept", "accept_with_changes", "reject", "reopen", "second", "adjudicate"]
Outcome = Literal["accept", "accept_with_changes", "reject"]
Role = Literal["first", "second"]
State = Literal["proposed", "accepted", "changed", "rejected", "double", "adjudicate"]
Order = Literal["most_to_gain", "newest", "source"]

DECISION_KINDS: tuple[str, ...] = get_args(DecisionKind)
OUTCOMES: tuple[str, ...] = get_args(Outcome)
ROLES: tuple[str, ...] = get_args(Role)
STATES: tuple[str, ...] = get_args(State)
ORDERS: tuple[str, ...] = get_args(Order)


@dataclass(frozen=True)
class Filter:
    """Which readings a worklist shows; an empty part does not filter.

    Attributes:
        verdict: values of `square`; "" stands for a reading without a verdict.
        view, side: names; "" stands for a side that is not known.
        state: states (`STATES`).
        tags: a reading must carry all of them.
        uncertainty: (least, most) width in degrees of the wider 90 % interval.
        study: the keyed digest of one study.
        search: part of the film's path.
        waiting_for: a reviewer: undecided readings that this person has not given yet.
        rotation, tilt: (least, most) degrees, signed.
        off: (least, most) degrees of the larger of |rotation| and |tilt|.
        since, until: first and last day of acquisition, both included.
        operator, station: codes as `Acquisitions.codes_of` gives them.
        modality, body_part, reject: as in `Acquisition`; "" stands for not known.
        rejected: only films that were rejected, or only those that were not.
        weights: beginnings of digests of weights.
        latest: of several readings of one knee only the one that was made last.
    """

    verdict: tuple[str, ...] = ()
    view: tuple[str, ...] = ()
    side: tuple[str, ...] = ()
    state: tuple[str, ...] = ()
    tags: tuple[str, ...] = ()
    uncertainty: tuple[float, float] | None = None
    study: str | None = None
    search: str = ""
    waiting_for: str = ""
    rotation: tuple[float, float] | None = None
    tilt: tuple[float, float] | None = None
    off: tuple[float, float] | None = None
    since: date | None = None
    until: date | None = None
    operator: tuple[str, ...] = ()
    station: tuple[str, ...] = ()
    modality: tuple[str, ...] = ()
    body_part: tuple[str, ...] = ()
    reject: tuple[str, ...] = ()
    rejected: bool | None = None
    weights: tuple[str, ...] = ()
    latest: bool = False


@dataclass(frozen=True)
class Row:
    """One line of the worklist. `view`, `side`, `verdict` and angles are the current ones.

    Attributes:
        id: the reading's number in the store.
        source: the film's path as it was given to `squareon read`.
        frame: frame of the film, from 1; None for a single film.
        knee: index of the knee on the film.
        view, side, verdict: names; None where not known.
        rotation_deg, tilt_deg: degrees.
        uncertainty: width in degrees of the wider 90 % interval; None without angles.
        square_probability, view_probability, side_probability: 0 to 1.
        gain: how much a person is expected to add, 0 to 1.
        state: one of `STATES`.
        tags: sorted.
        revision: number of the last entry of its history, from 1.
        study: keyed digest of the study, None without one.
        changed_at: UTC, ISO 8601, of the last entry.
        refused: why the film was not read, or None.
    """

    id: int
    source: str
    frame: int | None
    knee: int
    view: str | None
    side: str | None
    verdict: str | None
    rotation_deg: float | None
    tilt_deg: float | None
    uncertainty: float | None
    square_probability: float | None
    view_probability: float | None
    side_probability: float | None
    gain: float
    state: str
    revision: int
    study: str | None
    changed_at: str
    refused: str | None
    tags: tuple[str, ...]


@dataclass(frozen=True)
class Entry:
    """One row of the history; never changed once written.

    Attributes:
        sequence: place in the whole store's history, from 1 without gaps.
        reading_id, revision: the reading, and the place in that reading's history, from 1.
        kind: "add", "move", "tag", "untag", one of `DECISION_KINDS`, or "hidden".
        outcome: what a decision comes to (`OUTCOMES`), else "".
        role: "first" or "second" reader; "" where no reading was given.
        who: the reviewer's name as the site writes it; "squareon" for the program.
        at: UTC, ISO 8601 with microseconds.
        program: version of the program that wrote the row.
        weights, config_sha256: of the reading.
        reason: the reviewer's words.
        final: the object a reviewer ended with; of "add", the reading as it was made.
        hidden: whether who, outcome, reason and final are kept back (blinded double reading).
        hash: SHA-256 over this row and the hash of the row before it.
    """

    sequence: int
    reading_id: int
    revision: int
    kind: str
    outcome: str
    role: str
    who: str
    at: str
    program: str
    weights: str
    config_sha256: str
    reason: str
    final: dict[str, Any] | None
    hash: str
    hidden: bool = False


Decision = Entry
"""A decision is an entry whose kind is one of `DECISION_KINDS`."""


@dataclass(frozen=True)
class StoredReading:
    """One reading with its history, as one viewer may see it.

    Attributes:
        id: its number in the store.
        original: the object of `readings.jsonl`, UIDs replaced by keyed digests.
        current: the object after the last decision that counts; the original before one.
        revision: number of the last entry; give it back to `Store.decide`.
        state: one of `STATES`.
        history: all entries, oldest first; `Entry.hidden` ones without their content.
        tags: sorted.
        paths: where the film may be, best first.
        decision: the decision that made the state; None while there is none. While blinded,
            the viewer's own.
        blinded: whether decisions of another reader are hidden.
        first_reader, second_reader: who gave each reading, None before one or while hidden.
    """

    id: int
    original: dict[str, Any]
    current: dict[str, Any]
    revision: int
    state: str
    history: tuple[Entry, ...]
    tags: tuple[str, ...]
    paths: tuple[Path, ...]
    decision: Entry | None = None
    blinded: bool = False
    first_reader: str | None = None
    second_reader: str | None = None

    @property
    def film_sha256(self) -> str:
        return str(self.original["film"]["sha256"])


@dataclass(frozen=True)
class DoubleReading:
    """One reading that two people gave independently.

    Attributes:
        id: its number.
        original: what the program proposed.
        first, second: the two decisions; `final` None means the original as it was.
        settled: what counts (the first one's where they agree, or the adjudication), or None.
    """

    id: int
    original: dict[str, Any]
    first: Entry
    second: Entry
    settled: Entry | None


@dataclass(frozen=True)
class Break:
    """One place where the store is not what was written.

    Attributes:
        where: the table and row.
        what: one sentence.
    """

    where: str
    what: str


class Conflict(Problem):
    """Someone else has decided since the revision the reviewer saw.

    Args:
        current: the reading as it stands now, as this reviewer may see it.
        expected: the revision the reviewer saw.
    """

    def __init__(self, current: StoredReading, expected: int) -> None:
        others = [
            entry
            for entry in current.history
            if entry.revision > expected and entry.kind in DECISION_KINDS
        ]
        who = others[-1].who if others and not others[-1].hidden else "someone"
        super().__init__(
            f"reading {current.id}",
            f"{who} has changed it since you opened it",
            "look at both versions and decide again",
        )
        self.current = current
        self.expected = expected

    def __reduce__(self) -> tuple[Any, ...]:
        return (type(self), (self.current, self.expected))
