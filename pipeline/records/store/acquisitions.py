"""How films were made, in codes: what the store keeps of headers and of a site's own tables.

Names of operators and stations become keyed codes, so that films of one operator belong together
and nobody can tell whose they are; a site may give each its own code. Days are kept, times are not.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import Connection, delete, func, insert, select

from pipeline.contracts import Progress, silent
from pipeline.knee.acquisition import Acquisition
from pipeline.knee.errors import Problem
from pipeline.readers.dicom_acquisition import read_acquisition
from pipeline.records.store import database, tables
from pipeline.records.store.keys import code_of, keyed
from pipeline.records.store.queries import pieces
from pipeline.records.store.secret import reopen
from pipeline.records.store.store import Store

COLUMNS = ("operator", "station", "day", "modality", "body_part", "reject")
BATCH = 400
"""Below the number of values that SQLite takes in one statement."""
LABEL = re.compile(r"(?!.*\d{6})[A-Za-z0-9][A-Za-z0-9 ._-]{0,15}")


@dataclass(frozen=True)
class Film:
    """One film of the store.

    Attributes:
        sha256: of its content.
        instance: keyed digest of its SOP Instance UID, None where it has none.
        source: its path as it was given.
        paths: where it may be, best first.
    """

    sha256: str
    instance: str | None
    source: str
    paths: tuple[Path, ...]


class Acquisitions:
    """The acquisitions of one store's films."""

    def __init__(self, store: Store) -> None:
        self._store = store

    # ---- codes ---------------------------------------------------------------------------------

    def code(self, kind: str, name: str) -> str:
        """The code that stands for an operator's or a station's name as written."""
        return code_of(self._store._key, kind, name)

    def give_code(self, kind: str, name: str, label: str) -> None:
        """Gives an operator or a station the site's own code. Raises `Problem`."""
        self._labels({self.code(kind, name): (kind, checked_label(label))})

    def _labels(self, given: Mapping[str, tuple[str, str]]) -> None:
        table = tables.codes
        rows = [
            {"code": code, "kind": kind, "label": label} for code, (kind, label) in given.items()
        ]
        with database.told(self._store.url), database.writing(self._store._engine) as connection:
            for part in pieces(rows, BATCH):
                codes = [row["code"] for row in part]
                connection.execute(delete(table).where(table.c.code.in_(codes)))
                connection.execute(insert(table), part)

    def labels(self) -> dict[str, str]:
        """Code to the site's own code."""
        query = select(tables.codes.c.code, tables.codes.c.label)
        with database.told(self._store.url), database.reading(self._store._engine) as connection:
            return {row.code: row.label for row in connection.execute(query)}

    def codes_of(self, kind: str, words: Iterable[str]) -> tuple[str, ...]:
        """Codes that `words` may mean: names as in headers, the site's codes, codes themselves."""
        labels = self.labels()
        found = []
        for word in words:
            found += [self.code(kind, word), word.strip().lower()]
            found += [
                code for code, label in labels.items() if label.lower() == word.strip().lower()
            ]
        return tuple(dict.fromkeys(found))

    def instance(self, uid: str) -> str:
        """What stands for a SOP Instance UID."""
        return keyed(self._store._key, "sop_instance", uid)

    # ---- noting --------------------------------------------------------------------------------

    def note(self, made: Mapping[str, Acquisition], *, prevails: bool = False) -> None:
        """Notes how films were made.

        Args:
            made: SHA-256 of a film's content to what is known.
            prevails: whether this stands above what is noted already, as a site's table does;
                otherwise it only fills what is not said yet.
        """
        with database.told(self._store.url), database.writing(self._store._engine) as connection:
            self.note_within(connection, made, prevails=prevails)

    def note_within(
        self, connection: Connection, made: Mapping[str, Acquisition], *, prevails: bool = False
    ) -> None:
        """As `note`, in a transaction that is open already."""
        table = tables.acquisitions
        for part in pieces(made.items(), BATCH):
            chosen = table.c.sha256.in_([sha256 for sha256, _ in part])
            there = {
                row["sha256"]: dict(row)
                for row in connection.execute(select(table).where(chosen)).mappings()
            }
            rows = []
            for sha256, acquisition in part:
                new, old = self._row(acquisition), there.get(sha256, {})
                first, second = (new, old) if prevails else (old, new)
                merged = {
                    name: first.get(name) if first.get(name) is not None else second.get(name)
                    for name in new
                }
                rows.append({"sha256": sha256, **merged})
            connection.execute(delete(table).where(chosen))
            connection.execute(insert(table), rows)

    def _row(self, made: Acquisition) -> dict[str, str | None]:
        return {
            "instance": made.instance and self.instance(made.instance),
            "operator": made.operator and self.code("operator", made.operator),
            "station": made.station and self.code("station", made.station),
            "day": None if made.day is None else made.day.isoformat(),
            "modality": made.modality,
            "body_part": made.body_part,
            "reject": made.reject,
        }

    def fill(self, progress: Progress = silent) -> int:
        """Notes the headers of films that nothing is noted about; returns how many were found.

        A film that is not where it was is looked for again next time.
        """
        films = self.films(unnoted=True)
        found: dict[str, Acquisition] = {}
        for number, film in enumerate(films, start=1):
            path = next((path for path in film.paths if path.is_file()), None)
            if path is not None:
                found[film.sha256] = self._trusted(film, read_acquisition(path))
            if len(found) % BATCH == 0 or number == len(films):
                progress(number, len(films))
        if found:
            self.note(found)
        return len(found)

    def _trusted(self, film: Film, made: Acquisition) -> Acquisition:
        """What the file says, if it is still that film by its SOP Instance UID."""
        if film.instance is None or made.instance is None:
            return made if film.instance is made.instance else Acquisition()
        same = self.instance(made.instance) == film.instance
        return made if same else Acquisition()

    def reject(self, causes: Mapping[str, str]) -> int:
        """Notes causes of rejection by SOP Instance UID; returns how many films were known."""
        wanted = {self.instance(uid): cause for uid, cause in causes.items()}
        known = {film.instance: film.sha256 for film in self.films() if film.instance in wanted}
        self.note(
            {known[at]: Acquisition(reject=wanted[at]) for at in known if at is not None},
            prevails=True,
        )
        return len(known)

    # ---- looking -------------------------------------------------------------------------------

    def films(self, *, unnoted: bool = False, about: int | None = None) -> list[Film]:
        """The store's films, each once.

        Args:
            unnoted: only those that nothing is noted about.
            about: not more than twice as many of them, spread over the store.
        """
        readings, history, heads = tables.readings.c, tables.history.c, tables.heads.c
        query = (
            select(readings.sha256, heads.location, heads.source, history.payload)
            .join_from(tables.readings, tables.heads, heads.reading_id == readings.id)
            .join(tables.history, (history.reading_id == readings.id) & (history.revision == 1))
            .order_by(readings.id)
        )
        if unnoted:
            query = query.where(~readings.sha256.in_(select(tables.acquisitions.c.sha256)))
        store = self._store
        found: dict[str, Film] = {}
        with database.told(store.url), database.reading(store._engine) as connection:
            if about is not None:
                last = connection.scalar(select(func.max(readings.id))) or 0
                query = query.where(readings.id % max(1, last // about) == 0)
            rows = connection.execute(query, execution_options={"yield_per": 200})
            for sha256, location, source, payload in rows:
                if sha256 in found:
                    continue
                instance = json.loads(payload)["reading"]["film"]["sop_instance"]
                paths = store._places(location, source)
                found[sha256] = Film(sha256, instance, reopen(store._key, source), paths)
        return list(found.values())

    def counts(self) -> dict[str, int]:
        """How many films there are ("films"), and of how many each column is known."""
        table = tables.acquisitions.c
        films = select(func.count(func.distinct(tables.readings.c.sha256)))
        query = select(*(func.count(table[name]) for name in COLUMNS))
        with database.told(self._store.url), database.reading(self._store._engine) as connection:
            total = connection.scalar(films) or 0
            known = connection.execute(query).one()
        return {"films": total, **dict(zip(COLUMNS, map(int, known), strict=True))}


def checked_label(label: str) -> str:
    """A code that a site chose; raises `Problem` where it may be more than a code."""
    text = label.strip()
    if LABEL.fullmatch(text) is None:
        raise Problem(
            "a code",
            "is not a short code",
            "give 1 to 16 letters, digits, dots or dashes, without six digits in a row",
        )
    return text
