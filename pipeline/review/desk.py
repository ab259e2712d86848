"""What the review server does, without the web: looks up, recomputes, decides.

Everything that is stored is computed here again from the changes; numbers that a page sends are
never believed.
"""

from __future__ import annotations

import threading
import time
from collections import OrderedDict
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any

from pipeline.audit.sources import film_reads
from pipeline.knee.errors import Problem
from pipeline.looks import Look
from pipeline.records.overlay import short_name
from pipeline.records.store import Decision, Filter, Row, Store, StoredReading, open_original
from pipeline.review.changes import Changes, changes_between
from pipeline.review.films import FilmRoom
from pipeline.review.footprints import footprints_told, lesion_of
from pipeline.review.recompute import Base, Revised, look_of, recompute
from pipeline.review.series import series_of
from pipeline.run import Parts

FRESH_S = 2.0
"""How long a look into the store serves the recomputations of a drag."""
ROLES = ("first", "second", "adjudicator")
HIDDEN_FROM_SECOND = ("accepted", "changed", "rejected", "double")


@dataclass(frozen=True)
class Viewer:
    """Who looks: the name, and as first reader, second reader or adjudicator."""

    name: str = ""
    role: str = "first"

    def __post_init__(self) -> None:
        if self.role not in ROLES:
            raise Problem(self.role, "is no role", f"choose among {', '.join(ROLES)}")

    @property
    def reads_as(self) -> str:
        """The store's role."""
        return "second" if self.role == "second" else "first"


@dataclass(frozen=True)
class Opened:
    """A reading on the desk.

    Attributes:
        base: what changes count from.
        faithful: whether recomputing without changes gives what `squareon read` gave: the same
            weights and settings. Otherwise the stored reading is shown until it is changed.
        partner_id: the reading of the other view that heights come from.
    """

    stored: StoredReading
    base: Base
    faithful: bool
    partner_id: int | None


@dataclass
class Desk:
    """The work of one review server; threads may share it.

    Attributes:
        store, room, parts: ready-built.
        most: opened readings kept.
    """

    store: Store
    room: FilmRoom
    parts: Parts
    most: int = 24
    _bases: OrderedDict[tuple[Any, ...], tuple[Base, bool, int | None]] = field(
        default_factory=OrderedDict
    )
    _last: tuple[float, tuple[int, Viewer] | None, Opened | None] = (0.0, None, None)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    # ---- looking -------------------------------------------------------------------------------

    def worklist(self, viewer: Viewer) -> list[dict[str, Any]]:
        """All rows, those to which a person adds most first."""
        return [self._line(row, viewer) for row in self.store.readings()]

    def _line(self, row: Row, viewer: Viewer) -> dict[str, Any]:
        plain = asdict(row)
        plain["name"] = short_name(row.source)
        if viewer.role == "second" and row.state in HIDDEN_FROM_SECOND:
            # What the first reader made of it is not for the second one's eyes.
            plain |= {"verdict": None, "rotation_deg": None, "tilt_deg": None, "hidden": True}
        return plain

    def stored(self, id: int, viewer: Viewer) -> StoredReading:
        return self.store.reading(id, viewer.name or None, viewer.reads_as)

    def open(self, id: int, viewer: Viewer) -> Opened:
        """A reading with its film at hand. Raises `Problem`, also where the film is gone."""
        stored = self.stored(id, viewer)
        partner = self._partner_row(stored)
        key = (id, viewer, None if partner is None else (partner.id, partner.revision))
        with self._lock:
            if key in self._bases:
                self._bases.move_to_end(key)
                return Opened(stored, *self._bases[key])
        base, whole = self.room.base(self.film_path(stored), stored.original)
        look = None if partner is None else self._partner_look(partner, viewer)
        base = replace(base, partner=look)
        faithful = whole and self._faithful(stored.original, base)
        found = (base, faithful, None if look is None or partner is None else partner.id)
        with self._lock:
            self._bases[key] = found
            while len(self._bases) > self.most:
                self._bases.popitem(last=False)
        return Opened(stored, *found)

    def _faithful(self, original: Mapping[str, Any], base: Base) -> bool:
        """Whether these weights and settings give the original reading again."""
        made, own = original["made_by"], self.parts.made_by
        if made["weights"] != own.weights or made["version"] != own.version:
            return False
        if made["config_sha256"] == own.config_sha256:
            return True
        again = recompute(base, Changes(), self.parts).row()
        return same({**again, "film": original["film"], "knee": original["knee"]}, original)

    def film_path(self, stored: StoredReading) -> Path:
        """Where the film lies; its content is checked when it is opened. Raises `Problem`."""
        for path in stored.paths:
            if path.is_file():
                return path
        return open_original(stored)  # says what is wrong

    def _partner_row(self, stored: StoredReading) -> Row | None:
        """The reading of the other view of the same knee whose view is surest."""
        film, view = stored.current["film"], stored.current["view"]["name"]
        if film["study_digest"] is None or view not in ("AP", "lateral"):
            return None
        others = [
            row
            for row in self.store.readings(Filter(study=film["study_digest"]))
            if {row.view, view} == {"AP", "lateral"}
            and row.side == stored.current["side"]["name"]
            and row.verdict is not None
        ]
        return max(others, key=lambda row: row.view_probability or 0.0, default=None)

    def _partner_look(self, row: Row, viewer: Viewer) -> Look | None:
        try:
            stored = self.stored(row.id, viewer)
            base, _ = self.room.base(self.film_path(stored), stored.original)
        except Problem:
            return None  # without its film it is as if it were not there
        return look_of(base, changes_between(stored.original, stored.current), self.parts)

    def describe(self, id: int, viewer: Viewer) -> dict[str, Any]:
        """All that the film view shows at first."""
        opened = self.open(id, viewer)
        stored = opened.stored
        changes = changes_between(stored.original, stored.current)
        row, revised = self.shown(opened, changes)
        return {
            **self._plain(stored),
            "changes": changes.as_dict(),
            "shown": row,
            "drawn": revised.drawn(),
            "faithful": opened.faithful,
            "partner": opened.partner_id,
            "readers": self._two_readers(stored),
        }

    def _plain(self, stored: StoredReading) -> dict[str, Any]:
        return {
            "id": stored.id,
            "name": short_name(stored.original["film"]["source"]),
            "original": stored.original,
            "current": stored.current,
            "revision": stored.revision,
            "state": stored.state,
            "tags": list(stored.tags),
            "blinded": stored.blinded,
            "history": [self._entry(entry) for entry in stored.history],
        }

    @staticmethod
    def _entry(entry: Decision) -> dict[str, Any]:
        keep = ("revision", "kind", "outcome", "role", "who", "at", "reason", "hidden", "program")
        return {name: getattr(entry, name) for name in keep}

    @staticmethod
    def _two_readers(stored: StoredReading) -> list[dict[str, Any]]:
        """Both readers' versions, for the adjudicator; empty unless the state asks for one."""
        if stored.state != "adjudicate" or stored.blinded:
            return []
        found: dict[str, dict[str, Any]] = {}
        for entry in stored.history:
            if entry.kind == "reopen":
                found = {}
            elif entry.role and entry.outcome:
                final = entry.final or stored.original
                found[entry.role] = {
                    "role": entry.role,
                    "who": entry.who,
                    "outcome": entry.outcome,
                    "reason": entry.reason,
                    "final": final,
                    "changes": changes_between(stored.original, final).as_dict(),
                }
        return list(found.values())

    # ---- changing ------------------------------------------------------------------------------

    def shown(self, opened: Opened, changes: Changes) -> tuple[dict[str, Any], Revised]:
        """The object to show for these changes, and what is drawn with it."""
        revised = recompute(opened.base, changes, self.parts)
        original = opened.stored.original
        if changes.none and not opened.faithful:
            return original, revised
        # Whose film it is stands in the store under keyed digests.
        return {**revised.row(), "film": original["film"], "knee": original["knee"]}, revised

    def recompute(self, id: int, changes: Changes, viewer: Viewer) -> dict[str, Any]:
        """The reading with these changes. Raises `Problem`."""
        row, revised = self.shown(self._at_hand(id, viewer), changes)
        return {"shown": row, "drawn": revised.drawn()}

    def footprints(
        self,
        id: int,
        changes: Changes,
        lesion: Mapping[str, Any],
        behind: Mapping[str, Any],
        viewer: Viewer,
    ) -> dict[str, Any]:
        """Footprints of a lesion on the reading with these changes. Raises `Problem`."""
        opened = self._at_hand(id, viewer)
        _, revised = self.shown(opened, changes)
        return footprints_told(opened.base.film, revised.reading, lesion_of(lesion), behind)

    def _at_hand(self, id: int, viewer: Viewer) -> Opened:
        """`open`, from memory while a landmark is dragged; what is decided is looked up anew."""
        now = time.monotonic()
        with self._lock:
            at, key, opened = self._last
        if opened is not None and key == (id, viewer) and now - at < FRESH_S:
            return opened
        opened = self.open(id, viewer)
        with self._lock:
            self._last = (now, (id, viewer), opened)
        return opened

    def decide(
        self,
        id: int,
        viewer: Viewer,
        *,
        expected_revision: int,
        kind: str,
        changes: Changes,
        reason: str = "",
    ) -> dict[str, Any]:
        """Writes a decision: `accept` (with the changes, if any), `reject`, `reopen`, `second`.

        An adjudicator's `accept` and `reject` settle two differing readings. Raises `Conflict`
        where someone else has decided since, `Problem` where it is not possible.
        """
        if kind not in ("accept", "reject", "reopen", "second"):
            raise Problem(kind, "is no decision", "load the page again")
        final = self._final(id, viewer, changes) if kind == "accept" else None
        outcome = None
        if kind == "accept" and final is not None:
            kind = "accept_with_changes"
        if viewer.role == "adjudicator" and kind not in ("reopen", "second"):
            kind, outcome = "adjudicate", kind
        self.store.decide(
            id,
            expected_revision=expected_revision,
            kind=kind,
            reviewer=viewer.name,
            final=final,
            reason=reason,
            role=viewer.reads_as,
            outcome=outcome,
        )
        return self._plain(self.stored(id, viewer))

    def _final(self, id: int, viewer: Viewer, changes: Changes) -> dict[str, Any] | None:
        """What is accepted: None where it is the original itself."""
        opened = self.open(id, viewer)
        row, _ = self.shown(opened, changes)
        return None if changes.none and same(row, opened.stored.original) else row

    # ---- series --------------------------------------------------------------------------------

    def series(self, id: int, viewer: Viewer) -> dict[str, Any]:
        """The shots of the study to which a reading belongs."""
        stored = self.stored(id, viewer)
        study = stored.original["film"]["study_digest"]
        ids = [id]
        if study is not None:
            ids = [row.id for row in self.store.readings(Filter(study=study), "source")]
        films = []
        for each in ids:
            one = stored if each == id else self.stored(each, viewer)
            state = "double" if one.blinded else one.state
            films.append((one.id, one.current, state, one.paths))
        return series_of(list(film_reads(films)), self.parts.align)


def same(row: Mapping[str, Any], original: Mapping[str, Any]) -> bool:
    """Whether two objects say the same, to what five decimals hold; who made them apart."""
    left = {k: v for k, v in row.items() if k != "made_by"}
    right = {k: v for k, v in original.items() if k != "made_by"}
    return _near(left, right)


def _near(one: Any, other: Any) -> bool:
    if isinstance(one, Mapping) and isinstance(other, Mapping):
        return set(one) == set(other) and all(_near(one[key], other[key]) for key in one)
    if isinstance(one, list | tuple) and isinstance(other, list | tuple):
        return len(one) == len(other) and all(_near(a, b) for a, b in zip(one, other, strict=True))
    if isinstance(one, int | float) and isinstance(other, int | float):
        return abs(one - other) <= 1e-3 * max(1.0, abs(one))
    return bool(one == other)
