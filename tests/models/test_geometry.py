"""Crops and letterboxes: exact half pixels, round trips, no aliasing."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models.geometry import (
    MIDDLE_GREY,
    crop_transform,
    inside_film,
    letterbox_transform,
    normalise,
    picture_of,
    resample,
)

QUICK = settings(deadline=None, max_examples=25)
ANGLE = st.floats(-180.0, 180.0)


def blob(rows: int, columns: int, xy: np.ndarray, sd: float) -> np.ndarray:
    """A Gaussian spot about `xy`, sampled at pixel centres."""
    y, x = np.mgrid[0:rows, 0:columns]
    return np.exp(-0.5 * ((x - xy[0]) ** 2 + (y - xy[1]) ** 2) / sd**2).astype(np.float32)


def centroid(picture: np.ndarray) -> np.ndarray:
    y, x = np.mgrid[0 : picture.shape[0], 0 : picture.shape[1]]
    w = picture.astype(np.float64)
    return np.array([(w * x).sum(), (w * y).sum()]) / w.sum()


@QUICK
@given(ANGLE, st.booleans(), st.floats(20.0, 900.0))
def test_crop_round_trip(angle: float, mirror: bool, width: float) -> None:
    up = np.array([np.sin(np.deg2rad(angle)), -np.cos(np.deg2rad(angle))])
    transform = crop_transform(np.array([310.0, 207.0]), up, width, mirror, 320)
    points = np.array([[0.0, 0.0], [511.0, 3.5], [310.0, 207.0], [-40.0, 900.0]])
    assert transform.back(transform.forward(points)) == pytest.approx(points, abs=1e-6)
    assert transform.forward(points[2]) == pytest.approx([159.5, 159.5])
    above = transform.forward(points[2] + up * width)
    assert above == pytest.approx([159.5, 159.5 - 320 / 3], abs=1e-6)
    assert transform.mirrored == mirror
    assert transform.direction_forward(up) == pytest.approx([0.0, -1.0], abs=1e-9)
    assert transform.direction_back(np.array([0.0, -1.0])) == pytest.approx(up, abs=1e-9)


@QUICK
@given(ANGLE, st.booleans())
def test_covariance_goes_back_as_a_cloud_of_points_does(angle: float, mirror: bool) -> None:
    up = np.array([np.sin(np.deg2rad(angle)), -np.cos(np.deg2rad(angle))])
    transform = crop_transform(np.array([100.0, 80.0]), up, 250.0, mirror, 320)
    rng = np.random.default_rng(3)
    covariance = np.array([[4.0, 1.5], [1.5, 2.0]])
    cloud = rng.multivariate_normal([160.0, 150.0], covariance, 4000)
    expected = np.cov(transform.back(cloud).T)
    assert transform.covariance_back(np.cov(cloud.T)) == pytest.approx(expected, rel=1e-6)


@pytest.mark.parametrize("mirror", [False, True])
@pytest.mark.parametrize(("width", "angle"), [(60.0, 0.0), (107.0, 33.0), (400.0, -71.0)])
def test_a_rendered_spot_lands_where_the_transform_says(
    mirror: bool, width: float, angle: float
) -> None:
    spot = np.array([403.3, 371.8])
    film = blob(760, 800, spot, max(6.0, width / 25))
    up = np.array([np.sin(np.deg2rad(angle)), -np.cos(np.deg2rad(angle))])
    transform = crop_transform(np.array([390.0, 380.0]), up, width, mirror, 320)
    picture = resample(film, transform)
    assert centroid(picture) == pytest.approx(transform.forward(spot), abs=0.06)


@pytest.mark.parametrize("shape", [(1000, 700), (300, 640), (97, 101)])
def test_letterbox_keeps_the_half_pixel_rule(shape: tuple[int, int]) -> None:
    rows, columns = shape
    transform = letterbox_transform(rows, columns, 256)
    corners = np.array([[-0.5, -0.5], [columns - 0.5, rows - 0.5]])
    low, high = transform.forward(corners)
    scale = 256 / max(shape)
    assert high - low == pytest.approx(np.array([columns, rows]) * scale)
    assert (low + high) / 2 == pytest.approx([127.5, 127.5])
    spot = np.array([columns * 0.37, rows * 0.61])
    picture = resample(blob(rows, columns, spot, max(shape) / 25), transform)
    assert centroid(picture) == pytest.approx(transform.forward(spot), abs=0.05)


def test_minified_stripes_turn_grey_instead_of_alias() -> None:
    film = np.zeros((1024, 1024), np.float32)
    film[:, ::2] = 1.0
    picture = resample(film, letterbox_transform(1024, 1024, 100))
    assert picture.std() < 0.06
    assert picture.mean() == pytest.approx(0.5, abs=0.01)


def test_inside_agrees_with_warping_a_film_of_ones() -> None:
    up = np.array([0.6, -0.8])
    transform = crop_transform(np.array([20.0, 200.0]), up, 120.0, True, 160)
    warped = cv2.warpAffine(np.ones((260, 230), np.float32), transform.matrix, (160, 160))
    inside = inside_film(transform, 260, 230)
    assert (inside == (warped > 0.5)).mean() > 0.995
    assert (resample(np.ones((260, 230), np.float32), transform)[~inside] == 0).all()


@pytest.mark.parametrize(("gain", "lift"), [(1.0, 0.0), (0.15, 0.5), (0.6, 0.1)])
def test_normalise_undoes_exposure(gain: float, lift: float) -> None:
    rng = np.random.default_rng(1)
    film = cv2.GaussianBlur(rng.random((200, 200)).astype(np.float32), (0, 0), 4)
    film = 0.05 + 0.9 * (film - film.min()) / (film.max() - film.min())
    inside = np.ones_like(film, dtype=bool)
    one = normalise(film, inside)
    other = normalise(film * np.float32(gain * 0.5) + np.float32(lift * 0.5), inside)
    assert other == pytest.approx(one, abs=2e-3)
    assert np.median(one[one > 0.05]) == pytest.approx(MIDDLE_GREY, abs=0.08)


def test_normalise_is_not_fooled_by_burnt_borders() -> None:
    rng = np.random.default_rng(2)
    film = cv2.GaussianBlur(rng.random((200, 200)).astype(np.float32), (0, 0), 3) * 0.5
    bordered = film.copy()
    bordered[:40] = 1.0
    bordered[:, :30] = 0.0
    inside = np.ones_like(film, dtype=bool)
    plain = normalise(film[40:, 30:], inside[40:, 30:])
    assert normalise(bordered, inside)[40:, 30:] == pytest.approx(plain, abs=0.03)


def test_nothing_to_see_is_all_zero() -> None:
    flat = np.full((300, 200), 0.4, np.float32)
    assert not picture_of(flat, letterbox_transform(300, 200, 128)).any()
    off_film = crop_transform(np.array([5000.0, 5000.0]), np.array([0.0, -1.0]), 50.0, False, 64)
    assert not picture_of(flat, off_film).any()
