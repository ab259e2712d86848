"""Distortion of an image intensifier: the map, its derivative, the picture, and the truth."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from synthetic_data.film_formation.distortion import HELD, Distortion
from synthetic_data.film_formation.formation import Formation, form
from synthetic_data.film_formation.shutters import Shutter

maps = st.builds(
    Distortion,
    centre=st.tuples(st.floats(200, 300), st.floats(200, 300)),
    radius=st.floats(150, 300),
    pincushion=st.floats(0, 0.12),
    twist_deg=st.floats(-6, 6),
)
places = st.tuples(st.floats(-600, 1200), st.floats(-600, 1200)).map(np.array)


@settings(max_examples=200, deadline=None)
@given(maps, places)
def test_back_undoes_forward(distortion: Distortion, xy: np.ndarray) -> None:
    assert distortion.back(distortion.forward(xy)) == pytest.approx(xy, abs=1e-8)


@settings(max_examples=100, deadline=None)
@given(maps, places, st.floats(0, 2 * np.pi))
def test_directions_and_normals_are_those_of_a_mapped_line(
    distortion: Distortion, xy: np.ndarray, angle: float
) -> None:
    z = np.hypot(*(xy - distortion.centre)) / distortion.radius
    if abs(z**2 - HELD) < 0.01:
        return  # the map has a corner there
    way = np.array([np.cos(angle), np.sin(angle)])
    ends = distortion.forward(np.stack([xy - 1e-3 * way, xy + 1e-3 * way]))
    tangent = (ends[1] - ends[0]) / np.linalg.norm(ends[1] - ends[0])
    assert distortion.directions(xy, way) == pytest.approx(tangent, abs=1e-6)
    normal = distortion.normals(xy, np.array([-way[1], way[0]]))
    assert normal @ tangent == pytest.approx(0, abs=1e-6)
    # On the same side of the line as before.
    beside = distortion.forward(xy + 1e-3 * np.array([-way[1], way[0]]))
    assert (beside - distortion.forward(xy)) @ normal > 0
    assert distortion.normals(xy, np.zeros(2)) == pytest.approx([0, 0])


def test_pincushion_by_hand() -> None:
    """Ten per cent longer at the rim, 2.5 at half way; turned by 4 degrees and by 1."""
    distortion = Distortion((100.0, 100.0), 80.0, 0.1, 4.0)
    for share, growth, turn in ((1.0, 1.1, 4.0), (0.5, 1.025, 1.0)):
        at = distortion.forward(np.array([100.0 + 80 * share, 100.0])) - 100
        assert np.hypot(*at) == pytest.approx(80 * share * growth)
        # y points down the film, so this is clockwise.
        assert np.degrees(np.arctan2(at[1], at[0])) == pytest.approx(turn)
    straight = distortion.forward(np.array([[60.0, 60.0], [140.0, 60.0], [100.0, 60.0]]))
    # The middle of an edge of a square is drawn in less than its corners stick out.
    assert straight[:2, 1].mean() < straight[2, 1]


@settings(max_examples=12, deadline=None)
@given(maps, st.integers(0, 10**6))
def test_the_picture_goes_through_the_same_map(distortion: Distortion, seed: int) -> None:
    """Small round shadows are found where `forward` says, to a twentieth of a pixel."""
    rng = np.random.default_rng(seed)
    size = 500
    spots = rng.uniform(120, 380, (30, 2))
    y, x = np.mgrid[:size, :size].astype(np.float64)
    inside = np.hypot(*(spots - distortion.centre).T) < distortion.radius
    assert inside.sum() >= 6
    for spot in spots[inside][:6]:
        signal = 1 - 0.8 * np.exp(-((x - spot[0]) ** 2 + (y - spot[1]) ** 2) / (2 * 1.2**2))
        made = 1 - distortion.picture(signal.astype(np.float32)).astype(np.float64)
        made[made < 1e-4] = 0
        found = np.array([(made * x).sum(), (made * y).sum()]) / made.sum()
        # A spot's centre of mass is bent a little with its shape: second order in its size.
        want = distortion.forward(spot)
        assert found == pytest.approx(want, abs=0.05)


def test_a_film_is_distorted_as_its_settings_say() -> None:
    field = Shutter("round", centre=(0.52, 0.49), half=(0.5, 0.5), after=True)
    shown = Formation(shutters=(field,), pincushion=0.08, twist_deg=3.0, marks=(), gains=())
    signal = np.full((240, 300), 0.6, np.float32)
    cv2.circle(signal, (240, 60), 6, 0.2, -1, cv2.LINE_AA)
    distortion = shown.distortion((240, 300))
    assert distortion is not None
    assert distortion.radius == 120
    assert distortion.centre == (156.0, 117.6)
    picture = form(signal, shown, np.random.default_rng(0))
    y, x = np.nonzero(picture > 0.5 * picture.max())
    near = np.hypot(x - 240, y - 60) < 40
    at = np.array([x[near].mean(), y[near].mean()])
    assert at == pytest.approx(distortion.forward(np.array([240.0, 60.0])), abs=0.5)
    assert np.linalg.norm(at - [240, 60]) > 1.5
    assert replace(shown, pincushion=0.0, twist_deg=0.0).distortion((240, 300)) is None
    assert Formation().distortion((240, 300)) is None


def test_only_round_fields_are_distorted() -> None:
    seen = 0
    for seed in range(200):
        drawn = Formation.draw(np.random.default_rng(seed), "c_arm")
        if drawn.pincushion:
            seen += 1
            assert any(s.kind == "round" for s in drawn.shutters)
            assert 0 < drawn.pincushion < 0.12
        other = Formation.draw(np.random.default_rng(seed), "radiography")
        assert other.pincushion == other.twist_deg == 0
    assert seen > 50
