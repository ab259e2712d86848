"""A year of invented readings with a planted drift, so that the charts can be seen at work.

No film is made and nobody is meant: angles are drawn at random, verdicts follow from them. What
is planted is written down here, so that it can be told whether the charts find it.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

import numpy as np

from pipeline.knee.acquisition import Acquisition
from pipeline.readers.dicom_shot import read_shot
from pipeline.records.store import Acquisitions, Store

TAG = "invented"
"""Tag of invented readings; pages that show them say so."""
HEADERS = 100
"""About so many headers are looked at, spread over the store, before its films count as real."""
TOLERANCE = 5.0
OPERATORS = ("A1", "B2", "C3", "D4")
STATIONS = ("R1", "R2")
CAUSES = (
    ("motion", 0.012),
    ("over exposed", 0.008),
    ("under exposed", 0.006),
    ("image artifact", 0.004),
)


@dataclass(frozen=True)
class Year:
    """What is invented; every number is a choice, none was measured.

    Attributes:
        start: first day; weeks: how many.
        studies: mean number of studies a week, each an AP and a lateral film.
        drift_week: week (from 0) from which the drift stands.
        drift_deg: degrees added to the mean rotation of AP films from then on.
        seed: of the random numbers.
    """

    start: date = date(2025, 1, 6)
    weeks: int = 52
    studies: float = 32.0
    drift_week: int = 30
    drift_deg: float = -2.0
    seed: int = 1


@dataclass(frozen=True)
class Shot:
    """One invented film: its reading's numbers, and how it was made."""

    number: int
    week: int
    view: str
    side: str
    rotation: float
    tilt: float
    probability: float
    study: str
    made: Acquisition

    @property
    def verdict(self) -> str:
        """As `pipeline.align` draws the line: yes from 0.8, no up to 0.2."""
        if self.probability >= 0.8:
            return "yes"
        return "no" if self.probability <= 0.2 else "cannot tell"


def shots(year: Year) -> Iterator[Shot]:
    """The films, week by week; the same ones for the same year."""
    rng = np.random.default_rng(year.seed)
    number = 0
    for week in range(year.weeks):
        for study in range(int(rng.poisson(year.studies))):
            day = year.start + timedelta(days=7 * week + int(rng.integers(0, 5)))
            operator = OPERATORS[int(rng.integers(len(OPERATORS)))]
            station = STATIONS[int(rng.integers(len(STATIONS)))]
            side = ("right", "left")[int(rng.integers(2))]
            for view in ("AP", "lateral"):
                yield _shot(
                    year, rng, number, week, view, side, f"{week} {study}", day, operator, station
                )
                number += 1


def _shot(
    year: Year,
    rng: np.random.Generator,
    number: int,
    week: int,
    view: str,
    side: str,
    study: str,
    day: date,
    operator: str,
    station: str,
) -> Shot:
    wide = 3.0 if rng.random() < 0.08 else 1.0  # now and then a patient who cannot lie as asked
    rotation = float(rng.normal(-1.0 if view == "AP" else 0.5, 3.0 * wide))
    tilt = float(rng.normal(0.4, 2.2 * wide))
    if view == "AP" and week >= year.drift_week:
        rotation += year.drift_deg
    probability = _within(rotation) * _within(tilt)
    seen = max(abs(rotation), abs(tilt)) + rng.normal(0.0, 2.0)  # as somebody looks at it
    reject = None
    if seen > 9.0 and rng.random() < 0.5:
        reject = "positioning"
    else:
        for cause, share in CAUSES:
            if rng.random() < share:
                reject = cause
    made = Acquisition(
        operator=operator,
        station=station,
        day=day,
        modality="DX",
        body_part="KNEE",
        reject=reject,
    )
    return Shot(number, week, view, side, rotation, tilt, probability, study, made)


READ_SD = 1.3
"""Standard deviation of an invented reading's angle, degrees."""


def _within(angle: float) -> float:
    """Probability that the true angle lies within the tolerance."""
    low, high = ((edge - angle) / (READ_SD * math.sqrt(2)) for edge in (-TOLERANCE, TOLERANCE))
    return 0.5 * (math.erf(high) - math.erf(low))


def fill_invented(store: Store, year: Year = Year()) -> int:
    """Puts the year into a store, tagged `TAG`; returns the number of readings."""
    acquisitions = Acquisitions(store)
    made = list(shots(year))
    rows = [reading_row(one) for one in made]
    for start in range(0, len(rows), 1000):
        store.add_readings(rows[start : start + 1000], tags=[TAG])
    acquisitions.note(
        {row["film"]["sha256"]: one.made for row, one in zip(rows, made, strict=True)}
    )
    for kind, labels in (("operator", OPERATORS), ("station", STATIONS)):
        for label in labels:
            acquisitions.give_code(kind, label, label)
    return len(rows)


def is_invented(store: Store) -> bool:
    """Whether the store's readings are tagged as invented, or a film's header says that it is.

    In a large store only some of the headers are looked at.
    """
    if TAG in store.tag_names():
        return True
    films = Acquisitions(store).films(about=HEADERS)
    paths = (next((path for path in film.paths if path.is_file()), None) for film in films)
    return any(path is not None and read_shot(path).invented for path in paths)


def reading_row(shot: Shot) -> dict[str, Any]:
    """The object of `readings.jsonl` that the shot would have."""
    half = 1.645 * READ_SD
    return {
        "film": {
            "source": f"invented/{shot.number:05d}.dcm",
            "sha256": hashlib.sha256(f"invented {shot.number}".encode()).hexdigest(),
            "frame": None,
            "rows": 600,
            "columns": 500,
            "sop_instance": None,
            "series_digest": shot.study,
            "study_digest": shot.study,
        },
        "knee": {"index": 0, "box": [50.0, 50.0, 450.0, 550.0]},
        "scale": {"mm_per_px_detector": None, "mm_per_px_knee": None, "rule": "none"},
        "view": {"name": shot.view, "probability": 0.99},
        "side": {"name": shot.side, "probability": 0.99, "from": "header"},
        "landmarks": [],
        "alignment": {
            "rotation_deg": round(shot.rotation, 5),
            "rotation_90": [round(shot.rotation - half, 5), round(shot.rotation + half, 5)],
            "tilt_deg": round(shot.tilt, 5),
            "tilt_90": [round(shot.tilt - half, 5), round(shot.tilt + half, 5)],
            "roll_deg": None,
            "flexion_deg": None,
            "off_centre_deg": None,
            "square": shot.verdict,
            "square_probability": round(shot.probability, 5),
            "score": round(max(0.0, 100 - 10 * max(abs(shot.rotation), abs(shot.tilt))), 5),
            "hypotheses": [],
            "criteria": [],
        },
        "moves": [],
        "proposals": [],
        "warnings": [],
        "found": {"implant": None, "hardware": None, "instruments": []},
        "refused": None,
        "cautions": ["invented: no film was read"],
        "made_by": {
            "version": "invented",
            "weights": "invented",
            "config_sha256": "0" * 64,
            "seed": 0,
        },
    }
