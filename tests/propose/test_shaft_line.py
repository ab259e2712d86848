"""The direction of an instrument: on drawn lines, and on rendered films of procedures."""

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.propose.shaft_line import shaft_line
from pipeline.registry import build

MM = 0.3


def drawn(angle: float, background: np.ndarray, bend: float = 0.0) -> np.ndarray:
    """A shaft of 1.5 mm that comes from `angle` to its tip at (200, 180), drawn finer by four."""
    large = cv2.resize(background, None, fx=4, fy=4, interpolation=cv2.INTER_LINEAR)
    away = np.array([np.cos(angle), np.sin(angle)])
    side = np.array([-away[1], away[0]])
    s = np.linspace(0, 120, 40)[:, None]
    line = np.array([200.0, 180.0]) + s * away + bend * (s / 120) ** 2 * side
    mask = np.zeros_like(large)
    points = np.round((line + 0.5) * 4 - 0.5).astype(np.int32)
    cv2.polylines(mask, [points], False, 0.3, round(4 * 1.5 / MM), cv2.LINE_AA)
    return cv2.resize(large + mask, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA)


@settings(max_examples=20)
@given(st.floats(0, 6.283), st.floats(-3, 3), st.integers(0, 999))
def test_a_drawn_shaft(angle, bend, seed):
    """Over noise and across the straight edge of something denser, tip known to half a pixel."""
    rng = np.random.default_rng(seed)
    background = 0.3 + 0.01 * rng.standard_normal((360, 400)).astype(np.float32)
    background[:, 230:] += 0.2
    found = shaft_line(drawn(angle, background, bend), np.array([200.3, 179.7]), MM)
    assert found is not None
    ahead = -np.array([np.cos(angle), np.sin(angle)])
    assert np.degrees(np.arccos(np.clip(found.ahead @ ahead, -1, 1))) < 3.0


def test_nothing_is_found_where_nothing_is():
    rng = np.random.default_rng(1)
    noise = 0.3 + 0.02 * rng.standard_normal((360, 400)).astype(np.float32)
    assert shaft_line(noise, np.array([200.0, 180.0]), MM) is None
    noise[:, 200:] += 0.3  # the edge of a bone is denser than one side only
    assert shaft_line(noise, np.array([200.0, 180.0]), MM) is None
    assert shaft_line(noise, np.array([-500.0, 180.0]), MM) is None


def test_on_rendered_films():
    """Half or more of the shafts in the film's plane are found, nearly all of them right."""
    options = {
        "styles": ["c_arm"],
        "views": ["AP"],
        "other_share": 0.0,
        "no_knee_share": 0.0,
        "findings": {"procedure": 1.0},
    }
    scenario = build("scenario", "knee_films", options)
    errors, shafts = [], 0
    for seed in range(600_010, 600_015):
        labelled = scenario.make(seed)
        film, (truth,) = labelled.film, labelled.knees
        known = truth.tips_truth
        for tip, ahead, rise in zip(
            truth.tips, known.ahead_shown, known.elevation_deg, strict=True
        ):
            if (
                not ((tip > 20) & (tip < np.array([film.columns, film.rows]) - 20)).all()
                or rise > 30
            ):
                continue
            shafts += 1
            found = shaft_line(film.pixels, tip, truth.mm_per_px_knee)
            if found is not None:
                errors.append(np.degrees(np.arccos(np.clip(found.ahead @ ahead, -1, 1))))
    assert shafts >= 5
    assert len(errors) >= 0.5 * shafts
    assert np.median(errors) == pytest.approx(0.0, abs=2.0)
    assert np.mean(np.array(errors) < 10) >= 0.8
