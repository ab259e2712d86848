"""The outline of a knee fitted to a reading's landmarks, for drawing only.

A reading holds no outline. The pose estimator gives it again from the landmarks alone, as they were
proposed or as a person left them; angles and verdict are never taken from here.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from pipeline.contracts import PoseEstimator
from pipeline.knee.detection import Detection
from pipeline.knee.errors import Problem
from pipeline.knee.film import Film
from pipeline.knee.landmarks import names_of
from pipeline.records.export.record import Record

Outline = Mapping[str, NDArray[np.float64]]

ACROSS = {
    "AP": (
        ("medial_epicondyle", "lateral_epicondyle"),
        ("medial_condyle_distal", "lateral_condyle_distal"),
        ("medial_plateau_edge", "lateral_plateau_edge"),
    ),
    "lateral": (
        ("medial_condyle_posterior", "trochlea_anterior"),
        ("lateral_condyle_posterior", "trochlea_anterior"),
        ("medial_condyle_posterior", "patella_superior"),
    ),
}
"""Pairs from medial to lateral on AP, from back to front on a lateral film."""


@dataclass(frozen=True)
class FittedOutlines:
    """Fits a knee to landmarks.

    Attributes:
        pose: the estimator.
    """

    pose: PoseEstimator

    def __call__(self, record: Record, film: Film) -> tuple[Outline | None, Outline | None]:
        """Outlines of the reading as proposed and as reviewed; None where none can be fitted."""
        proposed = self.of(record.original, film)
        same = record.original["landmarks"] == record.current["landmarks"]
        return proposed, proposed if same else self.of(record.current, film)

    def of(self, reading: Mapping[str, Any], film: Film) -> Outline | None:
        """Bone to (N, 2) pixels; None where no knee fits."""
        detection = detection_of(reading)
        if detection is None or reading["alignment"] is None:
            return None
        try:
            return self.pose.estimate(film, detection).outline or None
        except Problem:
            return None


def detection_of(reading: Mapping[str, Any]) -> Detection | None:
    """The reading's landmarks as a detector would give them; None for other views."""
    view, box = reading["view"]["name"], reading["knee"]["box"]
    if view not in ("AP", "lateral") or box is None:
        return None
    at = {mark["name"]: mark for mark in reading["landmarks"] if mark["x"] is not None}
    towards = [
        at[end]["x"] - at[start]["x"] for start, end in ACROSS[view] if start in at and end in at
    ]
    if not towards:
        return None
    names = names_of(view)
    x0, y0, x1, y1 = (float(edge) for edge in box)
    xy = np.tile([(x0 + x1) / 2, (y0 + y1) / 2], (len(names), 1))
    covariance = np.tile(np.eye(2) * ((x1 - x0) / 4) ** 2, (len(names), 1, 1))
    seen = np.zeros(len(names))
    for index, name in enumerate(names):
        if name in at:
            xy[index] = at[name]["x"], at[name]["y"]
            covariance[index] = _covariance(at[name], x1 - x0)
            seen[index] = 1.0
    side: Literal["right", "left"] = "left" if reading["side"]["name"] == "left" else "right"
    return Detection(
        box=(x0, y0, x1, y1),
        view=view,
        view_probability=1.0,
        lateral_to_right=float(np.median(towards)) > 0,
        lateral_to_right_probability=1.0,
        side=side,
        side_probability=1.0,
        names=names,
        xy=xy,
        covariance=covariance,
        seen=seen,
    )


def _covariance(mark: Mapping[str, Any], width: float) -> NDArray[np.float64]:
    """(2, 2) of a landmark's ellipse; a point a person put down is taken as sharp."""
    if mark["sd_major"] is None:
        return np.eye(2) * (0.003 * width) ** 2
    angle = np.radians(mark["sd_angle_deg"] or 0.0)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    spread = np.diag(np.maximum([mark["sd_major"], mark["sd_minor"]], 0.1) ** 2)
    return np.asarray(turn @ spread @ turn.T)
