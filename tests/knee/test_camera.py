"""The camera against OpenCV's pinhole model and SciPy's rotations."""

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from pipeline.knee.camera import Camera, unit

AHEAD = np.array([0.0, 0.0, 1.0])


def random_camera(rng: np.random.Generator) -> Camera:
    rotation = Rotation.random(random_state=int(rng.integers(1 << 31))).as_matrix()
    return Camera.looking(
        source=rng.uniform(-500, 500, 3),
        toward=rotation[2],
        up=-rotation[1],
        sid=float(rng.uniform(800, 1800)),
        spacing=float(rng.uniform(0.1, 1.0)),
        rows=700,
        columns=500,
        principal=(float(rng.uniform(0, 500)), float(rng.uniform(0, 700))),
    )


@given(st.integers(0, 10_000))
@settings(max_examples=50, deadline=None)
def test_projection_agrees_with_opencv(seed):
    """OpenCV `projectPoints` with the same intrinsics and the pose written by SciPy."""
    rng = np.random.default_rng(seed)
    camera = random_camera(rng)
    spacing = np.linalg.norm(camera.step_x)
    axes = np.stack([unit(camera.step_x), unit(camera.step_y), camera.normal])
    points = camera.source + (rng.uniform(-0.3, 0.3, (20, 3)) + AHEAD) @ axes * 700
    focal = camera.sid / spacing
    intrinsics = np.array(
        [[focal, 0, camera.principal[0]], [0, focal, camera.principal[1]], [0, 0, 1]]
    )
    turn = Rotation.from_matrix(axes).as_rotvec()
    expected, _ = cv2.projectPoints(points, turn, -axes @ camera.source, intrinsics, None)
    assert np.allclose(camera.project(points), expected[:, 0], atol=1e-6)


def test_solvepnp_recovers_the_source():
    """OpenCV `solvePnP` finds the camera again from its own projections."""
    camera = random_camera(np.random.default_rng(4))
    axes = np.stack([unit(camera.step_x), unit(camera.step_y), camera.normal])
    rng = np.random.default_rng(5)
    points = camera.source + (rng.uniform(-0.2, 0.2, (12, 3)) + AHEAD) @ axes * 900
    focal = camera.sid / np.linalg.norm(camera.step_x)
    intrinsics = np.array(
        [[focal, 0, camera.principal[0]], [0, focal, camera.principal[1]], [0, 0, 1]]
    )
    ok, turn, move = cv2.solvePnP(points, camera.project(points), intrinsics, None)
    assert ok
    rotation = Rotation.from_rotvec(turn[:, 0]).as_matrix()
    assert np.allclose(-rotation.T @ move[:, 0], camera.source, atol=0.01)


@given(st.integers(0, 10_000))
@settings(max_examples=30, deadline=None)
def test_pixels_lie_on_their_rays(seed):
    rng = np.random.default_rng(seed)
    camera = random_camera(rng)
    xy = rng.uniform(0, 500, (10, 2))
    on_receptor = camera.pixel(xy)
    halfway = (on_receptor + camera.source) / 2
    assert np.allclose(camera.project(halfway), xy, atol=1e-7)


def test_up_is_up_and_the_viewer_stands_at_the_source():
    camera = Camera.looking(
        source=np.array([1000.0, 0, 0]),
        toward=np.array([-1.0, 0, 0]),
        up=np.array([0, 1.0, 0]),
        sid=1100,
        spacing=0.5,
        rows=101,
        columns=101,
    )
    middle = camera.project(np.zeros(3))
    assert np.allclose(middle, 50)
    assert camera.project(np.array([0, 10.0, 0]))[1] < middle[1]
    # In front of a right knee (x anterior, z lateral) its lateral side is to the viewer's left.
    assert camera.project(np.array([0, 0, 10.0]))[0] < middle[0]
    assert camera.mirrored().project(np.array([0, 0, 10.0]))[0] > middle[0]
    assert camera.sid == pytest.approx(1100)


def test_a_crop_sees_the_same_points():
    camera = random_camera(np.random.default_rng(1))
    point = camera.source + camera.normal * 700 + unit(camera.step_x) * 20
    x, y = camera.project(point)
    crop = camera.cropped(30.5, -12.0, 64, 64, zoom=2.0)
    assert np.allclose(crop.project(point), [(x - 30.5) * 2, (y + 12.0) * 2])


def test_half_a_degree_law_of_magnification():
    """Magnification is SID/SOD: a 10 mm bar at SOD 850, SID 1000 is 11.76 mm on the receptor."""
    camera = Camera.looking(
        source=np.zeros(3),
        toward=np.array([0, 0, 1.0]),
        up=np.array([0, 1.0, 0]),
        sid=1000,
        spacing=1.0,
        rows=3,
        columns=3,
    )
    ends = camera.project(np.array([[-5.0, 0, 850], [5.0, 0, 850]]))
    assert np.linalg.norm(ends[1] - ends[0]) == pytest.approx(10 * 1000 / 850)
