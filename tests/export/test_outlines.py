"""Outlines fitted again to a reading's landmarks pass where the bone's true outline passes."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.demo import PLAIN
from pipeline.fit.landmark_fit import LandmarkFit
from pipeline.knee.landmarks import BY_NAME
from pipeline.knee.truth import KneeTruth, LabelledFilm
from pipeline.records.export.outlines import FittedOutlines, detection_of
from pipeline.registry import build

USUAL_PERCENT, WORST_PERCENT = 1.0, 4.0
"""Of the knee's width: how far the fitted outline may pass from true points of the outline."""
INNER = ("notch_apex", "medial_condyle_posterior")
"""Contour points that lie inside the silhouette on these films."""


def film_of(view: str, side: str) -> LabelledFilm:
    options = {**PLAIN, "styles": ("radiography",), "views": (view,), "side": side,
               "knee_seed": 9019, "rotation_deg": 4.0, "tilt_deg": -3.0}  # fmt: skip
    return build("scenario", "knee_films", options).make(9111)


def reading_of(truth: KneeTruth) -> dict:
    """The truth as if it had been read."""
    inside = truth.xy[truth.seen]
    marks = [
        {"name": name, "x": float(x), "y": float(y), "sd_major": 0.5, "sd_minor": 0.5,
         "sd_angle_deg": 0.0, "seen": True}
        if seen
        else {"name": name, "x": None, "y": None, "sd_major": None, "sd_minor": None,
              "sd_angle_deg": None, "seen": False}
        for name, (x, y), seen in zip(truth.names, truth.xy, truth.seen, strict=True)
    ]  # fmt: skip
    return {
        "view": {"name": truth.view},
        "side": {"name": truth.side},
        "knee": {"index": 0, "box": [*inside.min(axis=0), *inside.max(axis=0)]},
        "landmarks": marks,
        "alignment": {},
    }


@pytest.mark.parametrize(("view", "side"), [("AP", "right"), ("AP", "left"), ("lateral", "left")])
def test_the_outline_passes_the_true_points_of_the_bones(view: str, side: str) -> None:
    labelled = film_of(view, side)
    (truth,) = labelled.knees
    outlines = FittedOutlines(LandmarkFit())
    outline = outlines.of(reading_of(truth), labelled.film)
    assert outline is not None
    assert {"femur", "tibia", "patella", "fibula"} == set(outline)
    strays = {}
    for name, point in zip(truth.names, truth.xy, strict=True):
        landmark = BY_NAME[name]
        if landmark.kind != "contour" or landmark.bone not in ("femur", "tibia"):
            continue
        ring = np.asarray(outline[landmark.bone])
        ends = np.roll(ring, -1, axis=0)
        step = ends - ring
        length = np.maximum((step**2).sum(axis=1), 1e-9)
        share = np.clip(((point - ring) * step).sum(axis=1) / length, 0, 1)[:, None]
        stray = np.linalg.norm(point - ring - share * step, axis=1).min()
        if name not in INNER:
            strays[name] = 100 * stray / truth.width_px
    assert len(strays) >= 8
    assert np.median(list(strays.values())) <= USUAL_PERCENT, strays
    assert max(strays.values()) <= WORST_PERCENT, strays


def test_the_way_round_is_found_from_the_landmarks() -> None:
    for view, side in (("AP", "right"), ("AP", "left"), ("lateral", "right"), ("lateral", "left")):
        (truth,) = film_of(view, side).knees
        detection = detection_of(reading_of(truth))
        assert detection is not None
        assert detection.lateral_to_right == truth.lateral_to_right


def test_nothing_is_fitted_to_what_was_not_read() -> None:
    labelled = film_of("AP", "right")
    reading = reading_of(labelled.knees[0])
    outlines = FittedOutlines(LandmarkFit())
    assert outlines.of({**reading, "alignment": None}, labelled.film) is None
    assert outlines.of({**reading, "view": {"name": "other"}}, labelled.film) is None
    assert outlines.of({**reading, "landmarks": []}, labelled.film) is None
