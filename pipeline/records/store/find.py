"""Readings that answer a question, one after the other, with how their films were made.

Nothing here tells which film is meant but its number in the store and a keyed name: the review
page opens the film, to those who may.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict, dataclass
from typing import Any

from sqlalchemy import ColumnElement, select

from pipeline.records.store import database, tables
from pipeline.records.store.acquisitions import Acquisitions
from pipeline.records.store.keys import keyed
from pipeline.records.store.model import Filter
from pipeline.records.store.store import Store
from pipeline.records.store.worklist import filtered

NAME_LENGTH = 12
HEADS, READINGS, MADE = tables.heads.c, tables.readings.c, tables.acquisitions.c
COLUMNS: dict[str, ColumnElement[Any]] = {
    "reading": READINGS.id,
    "film": READINGS.sha256,
    "frame": READINGS.frame,
    "knee": READINGS.knee,
    "day": MADE.day,
    "operator": MADE.operator,
    "station": MADE.station,
    "modality": MADE.modality,
    "body_part": MADE.body_part,
    "reject": MADE.reject,
    "view": HEADS.view,
    "side": HEADS.side,
    "verdict": HEADS.verdict,
    "square_probability": HEADS.square_probability,
    "rotation_deg": HEADS.rotation_deg,
    "tilt_deg": HEADS.tilt_deg,
    "uncertainty_deg": HEADS.uncertainty,
    "state": HEADS.state,
    "refused": HEADS.refused,
    "weights": READINGS.weights,
}


@dataclass(frozen=True)
class Found:
    """One reading of one knee; None where not known.

    Attributes:
        reading: its number in the store.
        film: keyed name of the film.
        frame: from 1, None for a single film; knee: index of the knee on the film.
        day: of acquisition, YYYY-MM-DD.
        operator, station: the site's code, else a keyed one.
        modality, body_part, reject: as in `Acquisition`.
        view, side, verdict: names; the verdict is yes, no or cannot tell.
        square_probability: 0 to 1.
        rotation_deg, tilt_deg: degrees; uncertainty_deg: width of the wider 90 % interval.
        state: one of `STATES`.
        refused: why the film was not read further.
        weights: digest of the weights.
    """

    reading: int
    film: str
    frame: int | None
    knee: int
    day: str | None
    operator: str | None
    station: str | None
    modality: str | None
    body_part: str | None
    reject: str | None
    view: str | None
    side: str | None
    verdict: str | None
    square_probability: float | None
    rotation_deg: float | None
    tilt_deg: float | None
    uncertainty_deg: float | None
    state: str
    refused: str | None
    weights: str

    def row(self) -> dict[str, object]:
        """Its columns by name."""
        return asdict(self)


def find(store: Store, filter: Filter) -> Iterator[Found]:
    """Readings that pass `filter`, by day, then by number; those without a day come last.

    `Filter.operator` and `Filter.station` are what a person writes: a site's code, a keyed one,
    or the name as in a header. Memory stays flat, whatever the number of readings.
    """
    acquisitions = Acquisitions(store)
    given = {
        kind: acquisitions.codes_of(kind, getattr(filter, kind)) for kind in ("operator", "station")
    }
    labels = acquisitions.labels()
    query = (
        select(*(column.label(name) for name, column in COLUMNS.items()))
        .join_from(tables.heads, tables.readings, HEADS.reading_id == READINGS.id)
        .outerjoin(tables.acquisitions, MADE.sha256 == READINGS.sha256)
        .order_by(MADE.day.is_(None), MADE.day, READINGS.id)
    )
    query = filtered(query, Filter(**{**vars(filter), **given}))
    with database.told(store.url), database.reading(store._engine) as connection:
        rows = connection.execute(query, execution_options={"yield_per": 500})
        for row in rows.mappings():
            coded = {kind: labels.get(row[kind], row[kind]) for kind in given}
            hidden = {"film": film_name(store, row["film"]), "frame": row["frame"] or None}
            yield Found(**{**row, **coded, **hidden})


def film_name(store: Store, sha256: str) -> str:
    """What a film is called outside: from it neither its content nor its path can be found."""
    return f"film-{keyed(store._key, 'film', sha256)[:NAME_LENGTH]}"
