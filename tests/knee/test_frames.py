"""Frames, angles and landmarks on shapes whose answers are known in closed form."""

import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from pipeline.knee.anatomy import Mesh
from pipeline.knee.angles import angles_of
from pipeline.knee.camera import Camera, unit
from pipeline.knee.frames import (
    FemurFrame,
    Frames,
    PatellaFrame,
    TibiaFrame,
    femur_frame,
    section_centroids,
)

ORIGIN = np.zeros(3)


def mesh_of(body: trimesh.Trimesh) -> Mesh:
    return Mesh(np.array(body.vertices, dtype=float), np.array(body.faces, dtype=np.int32))


def ball_femur(turn: Rotation, radii=(20.0, 20.0)) -> Mesh:
    """A shaft along y and two balls 50 mm apart along a turned z axis."""
    shaft = trimesh.creation.cylinder(radius=15, height=220, sections=64)
    shaft.apply_transform(trimesh.geometry.align_vectors([0, 0, 1], [0, 1, 0]))
    shaft.apply_translation([0, 120, 0])
    balls = []
    for side, radius in zip((-1, 1), radii, strict=True):
        ball = trimesh.creation.icosphere(subdivisions=5, radius=radius)
        ball.apply_translation(turn.apply([-10.0, 0, side * 25.0]))
        balls.append(ball)
    return mesh_of(trimesh.util.concatenate([shaft, *balls]))


@given(st.floats(-8, 8), st.floats(-4, 4))
@settings(max_examples=8, deadline=None)
def test_equal_balls_eclipse_along_the_line_of_their_centres(axial, coronal):
    turn = Rotation.from_euler("yx", [axial, coronal], degrees=True)
    frame = femur_frame(ball_femur(turn))
    expected = turn.apply([0, 0, 1.0])
    error = np.degrees(np.arccos(np.clip(frame.z @ expected, -1, 1)))
    assert error < 0.25  # the balls' own facets
    assert np.allclose([frame.x @ frame.y, frame.y @ frame.z, frame.x @ frame.z], 0, atol=1e-9)
    assert np.linalg.det(np.stack([frame.x, frame.y, frame.z])) == pytest.approx(1)


def test_the_shaft_axis_is_the_cylinders_axis():
    frame = femur_frame(ball_femur(Rotation.identity()))
    assert frame.shaft @ [0, 1, 0] == pytest.approx(1, abs=1e-8)
    assert frame.width == pytest.approx(90, abs=0.2)


@given(st.floats(-60, 60), st.floats(-0.3, 0.3), st.floats(-0.3, 0.3))
@settings(max_examples=25, deadline=None)
def test_a_capsule_is_cut_in_a_disc_round_its_axis(height, nx, ny):
    """An oblique cut of a cylinder is an ellipse centred on the axis."""
    capsule = mesh_of(trimesh.creation.capsule(height=400, radius=15))
    capsule = Mesh(capsule.vertices - capsule.vertices.mean(axis=0), capsule.faces)
    normal = unit(np.array([nx, ny, 1.0]))
    centroids = section_centroids(capsule, normal, np.array([height * normal[2], 1e4]))
    assert len(centroids) == 1
    assert np.allclose(centroids[0], [0, 0, height], atol=1e-6)


def plain_frames(origin=ORIGIN) -> Frames:
    x, y, z = np.eye(3)
    femur = FemurFrame(x, y, z, origin, y, origin, 80.0, np.zeros((4, 3)))
    tibia = TibiaFrame(x, y, z, y, np.zeros((4, 3)), origin, origin, 75.0)
    return Frames(femur, tibia, PatellaFrame(x, y, z, origin))


def camera_along(direction, up, offset=ORIGIN) -> Camera:
    direction = unit(np.asarray(direction, dtype=float))
    return Camera.looking(
        source=850 * direction + offset,
        toward=-direction,
        up=np.asarray(up, dtype=float),
        sid=1000,
        spacing=0.5,
        rows=600,
        columns=600,
    )


@given(st.floats(-15, 15), st.floats(-15, 15), st.booleans())
@settings(max_examples=50, deadline=None)
def test_lateral_angles_are_those_of_the_turn(rotation, tilt, source_lateral):
    """A beam turned by SciPy about the knee's own axes reads as the angles it was turned by."""
    e = Rotation.from_euler("xy", [-tilt, rotation], degrees=True).apply([0, 0, 1.0])
    camera = camera_along(e if source_lateral else -e, [0, 1, 0])
    angles = angles_of(plain_frames(), camera, "lateral")
    assert angles.rotation == pytest.approx(rotation, abs=1e-6)
    assert angles.tilt == pytest.approx(tilt, abs=1e-6)


def test_ap_signs():
    """Positive rotation: the near end too lateral. Positive tilt: too cranial."""
    lateralward = camera_along([1, 0, 0.1], [0, 1, 0])
    cranial = camera_along([1, 0.1, 0], [0, 1, 0])
    assert angles_of(plain_frames(), lateralward, "AP").rotation > 5
    assert angles_of(plain_frames(), cranial, "AP").tilt > 5


def test_off_centring_law():
    """17 mm off the central ray at SOD 850 is 1.15 degrees (atan 17/850), and is all of it."""
    camera = camera_along([0, 0, 1], [0, 1, 0], offset=np.array([17.0, 0, 0]))
    angles = angles_of(plain_frames(), camera, "lateral")
    assert abs(angles.rotation) == pytest.approx(np.degrees(np.arctan(17 / 850)), abs=1e-6)
    assert angles.off_centre[0] == pytest.approx(angles.rotation, abs=1e-6)
    assert abs(angles.rotation) == pytest.approx(1.15, abs=0.005)


def test_a_degree_parts_the_condyles_by_087_mm():
    """d sin(angle) for d = 50 mm under a far source; 0.87 mm a degree (own arithmetic)."""
    points = np.array([[-20.0, 0, -25.0], [-20.0, 0, 25.0]])
    e = Rotation.from_euler("y", 1.0, degrees=True).apply([0, 0, 1.0])
    camera = Camera.looking(
        source=1e7 * e,
        toward=-e,
        up=np.array([0, 1.0, 0]),
        sid=1e7,
        spacing=1.0,
        rows=3,
        columns=3,
    )
    xy = camera.project(points)
    assert abs(xy[1, 0] - xy[0, 0]) == pytest.approx(50 * np.sin(np.radians(1)), rel=1e-3)
    assert abs(xy[1, 0] - xy[0, 0]) == pytest.approx(0.87, abs=0.005)


@given(st.floats(-170, 170))
@settings(max_examples=20, deadline=None)
def test_roll_is_clockwise(roll):
    up = Rotation.from_euler("z", roll, degrees=True).apply([0, 1.0, 0])
    # Looking from +z down -z with `up` turned counter-clockwise, content turns clockwise.
    angles = angles_of(plain_frames(), camera_along([0, 0, 1], up), "lateral")
    assert angles.roll == pytest.approx(roll, abs=1e-6)
