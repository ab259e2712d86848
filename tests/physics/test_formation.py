"""From signal to picture: order of greys, geometry, marks, shutters, replay."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from synthetic_data.film_formation import tone
from synthetic_data.film_formation.drawing import STYLES
from synthetic_data.film_formation.formation import Formation, form
from synthetic_data.film_formation.marks import Mark, place, stamp
from synthetic_data.film_formation.shutters import Shutter, opening

PLAIN = Formation(gains=(1.0, 1.0), base=1.0, sigmoid=0.0, gamma=1.0, bits=16)


def knee(rows: int = 240, columns: int = 200) -> np.ndarray:
    """A limb with a denser bar in it."""
    x = np.abs(np.arange(columns) - columns / 2)
    signal = np.where(x < 70, 0.12, 1.0) * np.where(x < 25, 0.35, 1.0)
    noise = np.random.default_rng(0).normal(1, 0.01, (rows, columns))
    return (signal[None] * noise).astype(np.float32)


def test_bone_is_bright_and_the_order_of_greys_kept() -> None:
    made = form(knee(), PLAIN, np.random.default_rng(0))
    air, soft, bone = made[:, 5].mean(), made[:, 55].mean(), made[:, 100].mean()
    assert air < 0.1 < soft < bone
    assert bone > 0.9


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10**6), st.sampled_from(STYLES))
def test_any_drawn_film_is_a_picture_and_can_be_made_again(seed: int, style: str) -> None:
    films = []
    for _ in range(2):
        rng = np.random.default_rng(seed)
        formation = Formation.draw(rng, style, "left")
        films.append(form(knee(120, 90), formation, rng))
    assert films[0].dtype == np.float32
    assert films[0].shape == (120, 90)
    assert films[0].min() >= 0
    assert films[0].max() <= 1
    np.testing.assert_array_equal(*films)
    assert formation.side_marked in ("", "L")
    assert all(isinstance(v, str | float) for v in formation.facts().values())


def test_geometry_stays() -> None:
    """The edge of the bone is where it was, whatever the console does."""
    signal = knee(240, 201)
    edges = []
    for seed in range(12):
        rng = np.random.default_rng(seed)
        drawn = Formation.draw(rng, "radiography")
        drawn = replace(
            drawn, shutters=(), border=0.0, boxes=(), marks=(), cables=0, slab=0.0, equalise=0.0
        )
        profile = form(signal, drawn, rng).mean(axis=0)
        steps = np.diff(profile)
        left, right = 60 + np.argmax(steps[60:95]), 105 + np.argmin(steps[105:140])
        edges.append((left + right) / 2)
        assert right - left == pytest.approx(50, abs=3)
    assert np.ptp(edges) <= 2


def test_pyramid_with_gains_of_one_gives_the_picture_back() -> None:
    picture = np.random.default_rng(0).random((123, 97)).astype(np.float32)
    np.testing.assert_allclose(tone.enhanced(picture, (1.0,) * 4, 1.0), picture, atol=1e-5)
    sharper = tone.enhanced(picture, (2.0, 1.0), 1.0)
    assert sharper.std() > 1.2 * picture.std()


def test_curve_is_monotonic_and_exact_at_its_ends() -> None:
    ramp = np.linspace(-1, 2, 4000, dtype=np.float32)[None]
    for gamma in (0.5, 1.0, 3.0):
        for sigmoid in (0.0, 1.0):
            out = tone.curve(ramp, 0, 1, gamma=gamma, sigmoid=sigmoid, dark=0.1, bright=0.9)
            assert (np.diff(out) >= 0).all()
            assert out.min() == pytest.approx(0.1)
            assert out.max() == pytest.approx(0.9)


def test_quantised_has_that_many_levels() -> None:
    ramp = np.linspace(0, 1, 100_000, dtype=np.float32)[None]
    assert len(np.unique(tone.quantised(ramp, 8))) == 256


def test_jpeg_costs_more_at_lower_quality() -> None:
    picture = np.clip(1 - knee(), 0, 1)
    errors = [np.abs(tone.recompressed(picture, q) - picture).mean() for q in (30, 60, 95)]
    assert errors[0] > errors[1] > errors[2] > 0


@pytest.mark.parametrize("letter", ["R", "L"])
@pytest.mark.parametrize("lead", [True, False])
def test_side_marker_is_on_the_film(letter: str, lead: bool) -> None:
    mark = Mark((letter,), ((0.5, 0.5), (0.08, 0.3)), height=0.08, lead=lead)
    signal = knee()
    made = form(signal, replace(PLAIN, marks=(mark,)), np.random.default_rng(0))
    without = form(signal, PLAIN, np.random.default_rng(0))
    changed = np.abs(made - without) > 0.3
    rows, columns = np.nonzero(changed)
    # Beside the limb, not on it; a letter, not a block; two letters differ.
    assert columns.mean() == pytest.approx(0.08 * 199, abs=4)
    assert rows.mean() == pytest.approx(0.3 * 239, abs=6)
    box = (np.ptp(rows) + 1) * (np.ptp(columns) + 1)
    assert 0.15 < changed.sum() / box < 0.85
    cover, _, _ = stamp((240, 200), mark, place(tone.density(signal), mark))
    other, _, _ = stamp((240, 200), replace(mark, lines=("X",)), (16.0, 72.0))
    assert cover.shape != other.shape or np.abs(cover - other).max() > 0.5


def test_draw_marks_the_side_it_is_told() -> None:
    for side, letter in (("right", "R"), ("left", "L"), ("", "")):
        said = set()
        for seed in range(40):
            drawn = Formation.draw(np.random.default_rng(seed), "radiography", side)
            said.add(drawn.side_marked)
            if drawn.side_marked:
                assert drawn.marks[0].lines[0] == letter
        assert said == ({"", letter} if letter else {""})


@pytest.mark.parametrize("kind", ["rectangle", "polygon", "round"])
def test_shutters_cover_the_outside(kind: str) -> None:
    shutter = Shutter(kind, half=(0.4, 0.4), soft=0.0, after=True, fill=0.25)
    inside = opening((240, 200), shutter)
    assert inside[120, 100] == 1
    assert inside[2, 2] == 0
    if kind == "round":
        assert inside.sum() == pytest.approx(np.pi * (0.4 * 200) ** 2, rel=0.02)
    if kind == "rectangle":
        assert inside.sum() == pytest.approx(0.64 * 240 * 200, rel=0.03)
    made = form(knee(), replace(PLAIN, shutters=(shutter,)), np.random.default_rng(0))
    assert made[2, 2] == pytest.approx(0.25, abs=1e-3)


def test_metal_blades_leave_the_outside_unexposed_and_bright() -> None:
    blade = Shutter("rectangle", half=(0.6, 0.4), soft=0.0, leak=0.01)
    made = form(knee(), replace(PLAIN, shutters=(blade,)), np.random.default_rng(0))
    assert made[3, 5] > 0.9
    assert made[120, 5] < 0.15


def test_a_film_tells_where_it_shows_anything() -> None:
    """Inside the opening; not beyond the film, behind a shutter, under a border or a box."""
    shape = (240, 200)
    made = replace(
        PLAIN,
        shutters=(Shutter("rectangle", half=(0.4, 0.4), soft=0.0, after=False),),
        border=0.02,
        border_grey=1.0,
        border_sides=(False, True, False, False),
        boxes=((0.3, 0.3, 0.5, 0.4, 1.0),),
    )
    xy = np.array(
        [[100.0, 150.0], [100.0, 4.0], [-3.0, 150.0], [199.6, 150.0], [80.0, 84.0], [500.0, 2.0]]
    )
    assert made.shows(shape, xy).tolist() == [True, False, False, False, False, False]
    assert PLAIN.shows(shape, xy).tolist() == [True, True, False, False, True, False]
    assert made.shows(shape, np.zeros((0, 2))).shape == (0,)
    bright = replace(made, shutters=(Shutter("round", half=(0.3, 0.3), after=True, fill=1.0),))
    assert bright.shows(shape, np.array([[100.0, 120.0], [100.0, 30.0]])).tolist() == [True, False]
