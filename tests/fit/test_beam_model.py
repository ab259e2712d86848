"""The fit's camera, turns and angles against OpenCV, SciPy and laws of geometry."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from pipeline.fit.beam_model import (
    AXES,
    LOG_D,
    LOG_G,
    PATELLA,
    ROLL,
    ROTATION,
    SHAPE,
    TA,
    TB,
    TIBIA,
    TIP,
    BeamModel,
    femur_turn,
    joint_turn,
)
from pipeline.fit.knee_shape import BONES, load_shape
from pipeline.fit.outlines import angles, femur_axes, touching_points

MEAN_KNEE = load_shape()
ANGLE = st.floats(-0.5, 0.5)


def theta_of(model: BeamModel, rng: np.random.Generator, spread: float = 1.0) -> np.ndarray:
    theta = np.zeros(model.size)
    theta[[ROTATION, TIP]] = rng.normal(0, 0.15, 2) * spread
    theta[ROLL] = rng.normal(0, 0.5) * spread
    theta[[TA, TB]] = rng.normal(0, 40, 2) * spread
    theta[LOG_G], theta[LOG_D] = 0.3, np.log(900.0)
    for part, bone in ((TIBIA, "tibia"), (PATELLA, "patella")):
        pose = MEAN_KNEE.joint[bone][:, 0]
        theta[part] = np.concatenate([np.radians(pose[:3]), pose[3:]])
    theta[TIBIA.start] = 0.3
    theta[SHAPE : SHAPE + MEAN_KNEE.count] = rng.normal(0, 1, MEAN_KNEE.count) * spread
    return theta


@given(ANGLE, ANGLE, st.floats(-3, 3))
def test_turns_are_scipys(rotation: float, tip: float, roll: float) -> None:
    for view, axis in (("AP", "Z"), ("lateral", "X")):
        theta = np.zeros(SHAPE)
        theta[[ROTATION, TIP, ROLL]] = rotation, tip, roll
        own = Rotation.from_euler(f"Y{axis}", [rotation, tip])
        expected = Rotation.from_euler("z", roll) * Rotation.from_matrix(AXES[view]) * own
        assert femur_turn(view, theta) == pytest.approx(expected.as_matrix(), abs=1e-12)  # type: ignore[arg-type]
    joint = Rotation.from_euler("ZXY", [-roll, rotation, tip]).as_matrix()
    assert joint_turn(np.array([roll, rotation, tip])) == pytest.approx(joint, abs=1e-12)


@pytest.mark.parametrize("view", ["AP", "lateral"])
@pytest.mark.parametrize("side", [1.0, -1.0])
def test_projection_is_opencvs(view: str, side: float) -> None:
    rng = np.random.default_rng(1)
    model = BeamModel(MEAN_KNEE, view, side, np.array([250.0, 310.0]))  # type: ignore[arg-type]
    theta = theta_of(model, rng)
    points = rng.normal(0, 30, (40, 3))
    own = model.pixels(model.film("femur", points, theta), theta)
    # OpenCV looks along +z from the source. A source at the far end sees the mirror image: turn
    # the depth axis and the film's x, which keeps the frame right-handed.
    flip = np.diag([side, 1.0, side])
    turn = flip @ femur_turn(view, theta)  # type: ignore[arg-type]
    distance = np.exp(theta[LOG_D])
    focal = np.exp(theta[LOG_G]) * distance
    shift = flip @ np.array([theta[TA], theta[TB], 0.0]) + [0, 0, distance]
    matrix = np.array([[focal, 0, 0], [0, focal, 0], [0, 0, 1.0]])
    seen, _ = cv2.projectPoints(points, cv2.Rodrigues(turn)[0], shift, matrix, np.zeros(4))
    expected = seen[:, 0] * [side, 1.0] + model.principal
    assert own == pytest.approx(expected, abs=1e-6)

    centred = (own - model.principal) * [side, 1.0]
    good, turned, moved = cv2.solvePnP(points, centred, matrix, np.zeros(4))
    assert good
    assert cv2.Rodrigues(turned)[0] == pytest.approx(turn, abs=1e-5)
    assert moved.ravel() == pytest.approx(shift, abs=1e-2)


@pytest.mark.parametrize("view", ["AP", "lateral"])
@pytest.mark.parametrize("side", [1.0, -1.0])
def test_jacobian_is_the_difference_quotient(view: str, side: float) -> None:
    model = BeamModel(MEAN_KNEE, view, side, np.array([250.0, 310.0]))  # type: ignore[arg-type]
    theta = theta_of(model, np.random.default_rng(2), 0.5)
    placed = model.place(theta)
    own = model.jacobian(theta, placed)

    def at(t: np.ndarray) -> np.ndarray:
        out = np.zeros((len(placed.names), 2))
        for number, bone in enumerate(BONES):
            rows = placed.bone == number
            index = placed.index[rows]
            local = MEAN_KNEE.points(bone, model.coefficients(t))[index]
            if bone == "tibia" and view == "AP":
                rims = [MEAN_KNEE.index[f"point.{n}"] for n in RIM_NAMES]
                for i, rim in enumerate(rims):
                    local[index == rim] += t[model.rim].reshape(4, 3)[i]
            out[rows] = model.pixels(model.film(bone, local, t), t)
        return out

    assert placed.xy == pytest.approx(at(theta), abs=1e-9)
    for i in range(model.size):
        step = np.zeros(model.size)
        step[i] = 1e-5
        slope = (at(theta + step) - at(theta - step)) / 2e-5
        assert own[:, :, i] == pytest.approx(slope, abs=1e-4, rel=1e-5)


RIM_NAMES = (
    "medial_plateau_anterior",
    "medial_plateau_posterior",
    "lateral_plateau_anterior",
    "lateral_plateau_posterior",
)


def separation(model: BeamModel, theta: np.ndarray, end: str, axis: int) -> float:
    """mm at the knee by which the lateral condyle's landmark lies beyond the medial one's."""
    placed = model.place(theta)
    at = dict(zip(placed.names, placed.xy, strict=True))
    gap = at[f"lateral_condyle_{end}"] - at[f"medial_condyle_{end}"]
    return float(gap[axis] / np.exp(theta[LOG_G]))


def aim(model: BeamModel, theta: np.ndarray, rotation: float) -> None:
    """Turns the knee, its origin on the central ray, until the angles are (rotation, 0)."""
    held = touching_points(model, theta)
    for _ in range(6):
        _, origin = femur_axes(model, theta[None], held)
        theta[[TA, TB]] -= origin[0, :2]
        read = angles(model, theta[None], held)[0]
        # On a lateral film turning the femur forward turns the beam backward.
        theta[ROTATION] -= np.radians(rotation - read[0])
        theta[TIP] -= np.radians(read[1])
    read = angles(model, theta[None], held)[0]
    assert read == pytest.approx([rotation, 0.0], abs=1e-3)


@settings(max_examples=20)
@given(st.floats(-10, 10))
def test_a_parallel_beam_separates_condyles_by_the_published_law(degrees: float) -> None:
    """D sin(angle), 0.87 mm a degree for D = 50 mm (facts of geometry, sections 0 and 2a)."""
    model = BeamModel(MEAN_KNEE, "lateral", 1.0, np.zeros(2))
    theta = theta_of(model, np.random.default_rng(3), 0.0)
    theta[LOG_D] = np.log(1e7)
    held = touching_points(model, theta)
    posterior = MEAN_KNEE.mean["femur"][held[2:4]]
    aim(model, theta, degrees)
    width = float(np.ptp(posterior[:, 2]))
    # Lateral condyle posterior (+x on the canonical film) when the rotation is positive.
    law = width * np.sin(np.radians(degrees))
    assert separation(model, theta, "posterior", 0) == pytest.approx(
        law, abs=0.25 + 0.08 * abs(law)
    )
    assert 50 * np.sin(np.radians(1)) == pytest.approx(0.87, abs=0.005)


@pytest.mark.parametrize("side", [1.0, -1.0])
def test_off_centring_mimics_rotation_by_the_published_law(side: float) -> None:
    """17 mm off the central ray at 850 mm: 1.15 degrees, 1.0 mm for condyles 50 mm apart."""
    model = BeamModel(MEAN_KNEE, "lateral", side, np.zeros(2))
    theta = theta_of(model, np.random.default_rng(4), 0.0)
    theta[LOG_D] = np.log(850.0)
    held = touching_points(model, theta)
    aim(model, theta, 0.0)
    moved = theta.copy()
    moved[TA] += 17.0
    rotation = angles(model, np.stack([theta, moved]), held)[:, 0]
    assert rotation[0] == pytest.approx(0.0, abs=1e-3)
    assert abs(rotation[1]) == pytest.approx(np.degrees(np.arctan(17 / 850)), abs=0.02)
    width = float(np.ptp(MEAN_KNEE.mean["femur"][held[2:4], 2]))
    split = separation(model, moved, "posterior", 0) - separation(model, theta, "posterior", 0)
    assert abs(split) == pytest.approx(width * 17 / 850, rel=0.1)
    assert np.sign(split) == np.sign(rotation[1])
