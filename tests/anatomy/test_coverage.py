"""The space of generated bones contains bones it was not made from.

The full table, with more draws, is docs/reference/anatomy.md.
"""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from synthetic_data.anatomy.coverage import Span, draw, people, without_modes, without_people
from synthetic_data.anatomy.template import template

DRAWS = 120
APART = range(0, 26, 5)


@pytest.fixture(scope="module", params=["femur", "tibia", "patella"])
def fits(request):
    """Fits of six people by spans made without them, and the name of the bone."""
    bone = request.param
    shapes, rng = people(bone), np.random.default_rng(8)
    less = without_people(template(), APART)
    spans = {
        way: Span.of(less, bone, draw(less, bone, DRAWS, rng, way == "generator"))
        for way in ("model", "generator")
    }
    return bone, {way: [span.fit(shapes[i]) for i in APART] for way, span in spans.items()}


def test_people_kept_apart_are_within_a_millimetre(fits):
    _, found = fits
    for fit in found["generator"]:
        assert fit.rms < 0.9
        assert fit.within(2.0) > 0.97
    assert np.mean([fit.rms for fit in found["generator"]]) < 0.6
    assert np.mean([fit.within(1.0) for fit in found["generator"]]) > 0.9


def test_widening_brings_them_nearer_than_the_model_alone_with_no_greater_effort(fits):
    _, found = fits
    rms = {way: np.mean([fit.rms for fit in each]) for way, each in found.items()}
    assert rms["generator"] < 0.85 * rms["model"]
    assert np.mean([fit.strength for fit in found["generator"]]) < 2.5


def test_whole_modes_kept_apart_are_made_up_for():
    t, rng = template(), np.random.default_rng(9)
    less = without_modes(t, range(4))
    span = Span.of(less, "femur", draw(less, "femur", DRAWS, rng, True))
    for k in range(4):
        fit = span.fit(t.femur.mean + 2 * t.femur.modes[:, :, k])
        assert fit.rms < 0.5
        assert fit.within(1.0) > 0.95


def test_what_no_knee_looks_like_is_not_covered():
    """A femur with a 12 mm lump, and one stretched by a half: the fit may not follow."""
    t, rng = template(), np.random.default_rng(10)
    span = Span.of(t, "femur", draw(t, "femur", DRAWS, rng, True))
    v = t.femur.mean
    place = v[t.epicondyles[1]]
    lump = v + 12.0 * np.exp(-np.sum((v - place) ** 2, axis=1) / (2 * 8.0**2))[:, None] * np.array(
        [0.0, 0.0, 1.0]
    )
    assert np.abs(span.fit(lump).distance).max() > 3.0
    long = (v - v.mean(axis=0)) * np.array([1.5, 1.0, 1.0])
    assert span.fit(long).rms > 1.5 or span.fit(long).strength > 3


def test_points_without_names_are_fitted_as_well():
    """Points strewn over a bone kept apart, in another place: no correspondence is given."""
    t, rng = template(), np.random.default_rng(11)
    less = without_people(t, APART)
    span = Span.of(less, "tibia", draw(less, "tibia", DRAWS, rng, True))
    shape = t.tibia_frame(people("tibia")[5]).local(people("tibia")[5])
    bone = trimesh.Trimesh(shape, t.tibia.faces, process=False)
    points = np.asarray(trimesh.sample.sample_surface(bone, 1500, seed=1)[0])
    points = points[points[:, 1] > points[:, 1].max() - 100.0] + np.array([8.0, -30.0, 5.0])
    fit = span.fit_points(points, rounds=25)
    assert fit.rms < 0.9
    assert fit.within(2.0) > 0.95
