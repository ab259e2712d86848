"""Lines drawn with known ends: where they end, which way they point, and what is no end."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from models.line_ends import POINT_MM, LineEnd, line_ends, measured

Array = NDArray[np.float64]
SIDE = 220


def drawn(
    tip: Array,
    angle: float,
    mm_per_px: float,
    *,
    width_mm: float = 1.4,
    long_mm: float = 60.0,
    height: float = 0.4,
    blur_px: float = 1.0,
    noise: float = 0.0,
    seed: int = 0,
) -> NDArray[np.float32]:
    """A film with one line that ends at `tip` (pixels) and runs toward `angle` (degrees) there."""
    fine = 4
    way = np.array([np.cos(np.deg2rad(angle)), np.sin(np.deg2rad(angle))])
    y, x = (np.mgrid[0 : SIDE * fine, 0 : SIDE * fine] + 0.5) / fine - 0.5
    along = ((x - tip[0]) * way[0] + (y - tip[1]) * way[1]) * mm_per_px
    across = (-(x - tip[0]) * way[1] + (y - tip[1]) * way[0]) * mm_per_px
    line = (along <= 0) & (along >= -long_mm) & (np.abs(across) <= width_mm / 2)
    film = cv2.resize(line.astype(np.float32), (SIDE, SIDE), interpolation=cv2.INTER_AREA)
    film = 0.3 + height * cv2.GaussianBlur(film, (0, 0), blur_px)
    rng = np.random.default_rng(seed)
    return (film + noise * rng.standard_normal(film.shape)).astype(np.float32)


def off(end: LineEnd, tip: Array, angle: float, mm_per_px: float) -> tuple[float, float]:
    """(mm past the tip less what a taper is allowed for, mm aside)."""
    way = np.array([np.cos(np.deg2rad(angle)), np.sin(np.deg2rad(angle))])
    v = (end.xy - tip) * mm_per_px
    return float(v @ way) - POINT_MM, float(v @ np.array([-way[1], way[0]]))


@settings(deadline=None, max_examples=40, derandomize=True)
@given(
    st.floats(0, 360),
    st.floats(0.2, 0.45),
    st.floats(1.1, 2.0),
    st.floats(0.1, 0.6),
    st.floats(0.6, 1.6),
    st.floats(0.0, 0.06),
    st.integers(0, 999),
)
def test_a_drawn_end_is_found(
    angle: float,
    mm_per_px: float,
    width: float,
    height: float,
    blur: float,
    noise: float,
    seed: int,
) -> None:
    rng = np.random.default_rng(seed)
    tip = SIDE / 2 + rng.uniform(-3, 3, 2)
    film = drawn(
        tip,
        angle,
        mm_per_px,
        width_mm=width,
        height=height,
        blur_px=blur,
        noise=noise * height,
        seed=seed,
    )
    near = tip + rng.uniform(-3, 3, 2) / mm_per_px
    found = line_ends(film, near, mm_per_px, 6.0)
    assert found
    past, aside = off(found[0], tip, angle, mm_per_px)
    assert abs(past) < 0.6
    assert abs(aside) < 0.35
    way = np.array([np.cos(np.deg2rad(angle)), np.sin(np.deg2rad(angle))])
    assert found[0].ahead @ way > np.cos(np.deg2rad(3.0))
    assert found[0].contrast > 0.3 * height
    assert abs(found[0].rest) < 0.25


def test_noise_widens_the_uncertainty_as_the_error_grows() -> None:
    tip, errors, told = np.array([110.3, 109.6]), [], []
    bare, rng = drawn(tip, 25.0, 0.35), np.random.default_rng(1)
    way = np.array([np.cos(np.deg2rad(25.0)), np.sin(np.deg2rad(25.0))])
    for noise in (0.02, 0.1):
        own = []
        for _ in range(40):
            film = (bare + noise * rng.standard_normal(bare.shape)).astype(np.float32)
            end = measured(film, tip, way, 0.35)
            assert end is not None
            own.append((off(end, tip, 25.0, 0.35)[0], end.sd_mm))
        past, sd = np.array(own).T
        errors.append(past.std())
        told.append(sd.mean())
    assert errors[1] > 2 * errors[0]
    assert told[1] > 2 * told[0]
    # noise of a film is white, that of the strip is not: within a factor of two and a half
    assert 0.4 < told[1] / errors[1] < 2.5


def test_wide_and_thin_lines_are_told_apart() -> None:
    tip = np.array([110.0, 110.0])
    widths = []
    for width in (1.0, 1.6, 2.4):
        (end, *_) = line_ends(drawn(tip, 200.0, 0.3, width_mm=width), tip, 0.3, 4.0)
        widths.append(end.width_mm)
    assert widths[0] < widths[1] < widths[2]
    assert widths[1] == pytest.approx(1.6, abs=0.5)


def test_a_line_that_goes_on_has_no_end() -> None:
    """Half way along a shaft, and beside it."""
    tip, way = np.array([190.0, 110.0]), np.array([1.0, 0.0])
    film = drawn(tip, 0.0, 0.35, noise=0.02)
    for aside in (0.0, 8.0):
        for end in line_ends(film, np.array([110.0, 110.0 + aside]), 0.35, 8.0):
            assert abs(end.ahead @ way) < 0.5 or end.clear < 3.0


def test_two_ends_near_each_other_are_both_found() -> None:
    one, other = np.array([104.0, 110.0]), np.array([109.0, 119.0])
    film = drawn(one, 20.0, 0.35, noise=0.01) + drawn(other, 235.0, 0.35) - 0.3
    found = line_ends(film, one, 0.35, 6.0)
    for tip in (one, other):
        assert min(np.linalg.norm(end.xy - tip) * 0.35 for end in found) < 1.0


def test_an_edge_of_bone_and_an_empty_film_have_none() -> None:
    rng = np.random.default_rng(3)
    edge = np.full((SIDE, SIDE), 0.3, np.float32)
    edge[:, 100:] = 0.8
    edge = cv2.GaussianBlur(edge, (0, 0), 1.5) + 0.01 * rng.standard_normal(edge.shape)
    assert [
        e
        for e in line_ends(edge.astype(np.float32), np.array([100.0, 110.0]), 0.35, 8.0)
        if e.clear > 6
    ] == []
    assert line_ends(np.zeros((SIDE, SIDE), np.float32), np.array([50.0, 50.0]), 0.35, 8.0) == []


def test_at_the_films_corner_nothing_fails() -> None:
    film = drawn(np.array([3.0, 4.0]), 215.0, 0.35)
    for at in ([0.0, 0.0], [SIDE - 1.0, 0.0], [-4.0, SIDE + 3.0]):
        line_ends(film, np.array(at), 0.35, 8.0)
    line_ends(np.full((3, 2), 0.5, np.float32), np.array([1.0, 1.0]), 0.35, 8.0)


def test_finer_films_tell_the_same() -> None:
    """The same knee at a third of the pixel size."""
    coarse = drawn(np.array([110.0, 110.0]), 60.0, 0.45, blur_px=1.0)
    fine = cv2.resize(coarse, None, fx=3, fy=3, interpolation=cv2.INTER_CUBIC)
    one = line_ends(coarse, np.array([112.0, 108.0]), 0.45, 5.0)[0]
    same = line_ends(fine, np.array([337.0, 325.0]), 0.15, 5.0)[0]
    assert np.linalg.norm((same.xy + 0.5) / 3 - 0.5 - one.xy) * 0.45 < 0.25
