"""Parts of a `Reading` made from what the stages return."""

from __future__ import annotations

import numpy as np

from pipeline.knee.detection import SEEN_FROM, Detection
from pipeline.knee.film import Film
from pipeline.knee.reading import (
    FilmRef,
    Found,
    Instrument,
    KneeRef,
    LandmarkRead,
    ScaleRead,
    ViewRead,
)


def film_ref(film: Film) -> FilmRef:
    return FilmRef(
        source=film.source,
        sha256=film.sha256,
        frame=film.frame,
        rows=film.rows,
        columns=film.columns,
        sop_instance=film.sop_instance,
        series_digest=film.series_digest,
        study_digest=film.study_digest,
    )


def knee_ref(index: int, detection: Detection) -> KneeRef:
    """The knee's box; None where the film shows no knee."""
    return KneeRef(index, None if detection.view == "none" else detection.box)


def scale_read(film: Film) -> ScaleRead:
    scale = film.scale
    return ScaleRead(scale.mm_per_px_detector, scale.mm_per_px_knee, scale.rule)


def view_read(detection: Detection) -> ViewRead:
    return ViewRead(detection.view, detection.view_probability)


def found(detection: Detection, instruments: tuple[Instrument, ...]) -> Found:
    return Found(detection.found.get("implant"), detection.found.get("hardware"), instruments)


def landmark_reads(film: Film, detection: Detection) -> tuple[LandmarkRead, ...]:
    """The detector's landmarks; coordinates are None outside the film or where not seen."""
    reads = []
    for name, xy, covariance, seen in zip(
        detection.names, detection.xy, detection.covariance, detection.seen, strict=True
    ):
        inside = 0 <= xy[0] <= film.columns - 1 and 0 <= xy[1] <= film.rows - 1
        if seen < SEEN_FROM or not inside or not np.all(np.isfinite(xy)):
            reads.append(LandmarkRead(name, None, None, None, None, None, False))
            continue
        major, minor, angle = ellipse(covariance)
        reads.append(LandmarkRead(name, float(xy[0]), float(xy[1]), major, minor, angle, True))
    return tuple(reads)


def ellipse(covariance: np.ndarray) -> tuple[float, float, float]:
    """(sd_major, sd_minor, sd_angle_deg) of a (2, 2) covariance.

    Pixels and degrees; the angle is that of the major axis from +x toward +y, in (-90, 90].
    """
    values, vectors = np.linalg.eigh(covariance)
    minor, major = np.sqrt(np.maximum(values, 0.0))
    angle = float(np.degrees(np.arctan2(vectors[1, 1], vectors[0, 1])))
    if angle <= -90:
        angle += 180
    elif angle > 90:
        angle -= 180
    return float(major), float(minor), angle
