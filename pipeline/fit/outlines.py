"""Outlines, heights and angles of a fitted knee."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import ConvexHull

from pipeline.fit.beam_model import (
    LOG_D,
    RIM_POINTS,
    SHAPE,
    TA,
    TB,
    TIBIA,
    BeamModel,
    femur_turn,
    joint_turn,
)

Array = NDArray[np.float64]


def near_end(model: BeamModel, q: Array, theta: Array) -> Array:
    """(3,) unit vector e at a point in film axes: front on AP, lateral side on a lateral film."""
    d = np.exp(theta[LOG_D])
    s = model.source_side
    # From the source (0, 0, -s D) to the point, turned toward the viewer on AP, away on lateral.
    away = s * np.array([q[0], q[1], q[2] + s * d])
    e = away / np.linalg.norm(away)
    return -e if model.view == "AP" else e


def femur_axes(model: BeamModel, theta: Array) -> tuple[Array, Array]:
    """(3, 3) with X_f, Y_f, Z_f as rows in film axes, and (3,) the femur's origin, mm.

    The fitted shape's own condyles are asked once more for the direction in which they eclipse:
    a blend of knees that are level in their frames is level only nearly.
    """
    shape, b = model.shape, model.coefficients(theta)
    mean, modes = shape.mean["femur"], shape.modes["femur"]

    def some(index: NDArray[np.int32]) -> Array:
        return mean[index] + np.tensordot(b, modes[:, index], axes=1)

    joint, high = some(np.array([shape.index[f"point.shaft_{n}"] for n in ("joint", "high")]))
    shaft = (high - joint) / np.linalg.norm(high - joint)
    sets = [some(shape.index[f"set.{name}"]) for name in _TOUCHING]
    z = np.array([0.0, 0.0, 1.0])
    x = y = z
    touching = np.zeros((4, 3))
    for _ in range(3):
        y = shaft - (shaft @ z) * z
        y /= np.linalg.norm(y)
        x = np.cross(y, z)
        for i, cloud in enumerate(sets):
            touching[i] = cloud[np.argmin(cloud @ (y if i < 2 else x))]
        down, back = touching[1] - touching[0], touching[3] - touching[2]
        z = z + x * (back @ x) / (back @ z) + y * (down @ y) / (down @ z)
        z /= np.linalg.norm(z)
    y = shaft - (shaft @ z) * z
    y /= np.linalg.norm(y)
    r, _ = femur_turn(model.view, theta)
    axes = np.stack([np.cross(y, z), y, z]) @ r.T
    return axes, model.film("femur", touching.mean(axis=0)[None], theta)[0]


_TOUCHING = (
    "medial_condyle_distal",
    "lateral_condyle_distal",
    "medial_condyle_posterior",
    "lateral_condyle_posterior",
)


def angles(model: BeamModel, theta: Array) -> Array:
    """(rotation, tilt) in degrees by docs/explanation/conventions.md."""
    (x, y, z), origin = femur_axes(model, theta)
    e = near_end(model, origin, theta)
    if model.view == "lateral":
        rotation, tilt = np.arctan2(e @ x, e @ z), np.arcsin(np.clip(e @ y, -1, 1))
        return np.degrees(np.array([rotation, tilt]))
    rotation = np.arctan2(e @ z, e @ x)
    index = [int(model.shape.index[name]) for name in RIM_POINTS]
    modes = model.shape.modes["tibia"][:, index]
    local = model.shape.mean["tibia"][index] + np.tensordot(
        model.coefficients(theta), modes, axes=1
    )
    rim = model.film("tibia", local + theta[model.rim].reshape(4, 3), theta)
    centre = rim.mean(axis=0)
    normal = np.linalg.svd(rim - centre)[2][2]
    normal = normal if normal @ y > 0 else -normal
    tilt = np.arcsin(np.clip(near_end(model, centre, theta) @ normal, -1, 1))
    return np.degrees(np.array([rotation, tilt]))


def flexion_deg(model: BeamModel, theta: Array) -> float:
    """Angle between Y_f and the tibial shaft in the plane at right angles to Z_f, degrees."""
    a, b = (int(model.shape.index[f"point.{n}"]) for n in ("tibia_low", "tibia_joint"))
    local = model.shape.points("tibia", model.coefficients(theta))[[a, b]]
    step = joint_turn(theta[TIBIA])[0] @ (local[1] - local[0])
    return float(np.degrees(np.arctan2(step[0], step[1])))


def angles_jacobian(model: BeamModel, theta: Array) -> Array:
    """(2, P) degrees per parameter, by central differences."""
    out = np.zeros((2, len(theta)))
    for i in range(len(theta)):
        h = 1e-4 if i < SHAPE else 1e-3
        up, down = theta.copy(), theta.copy()
        up[i] += h
        down[i] -= h
        out[:, i] = (angles(model, up) - angles(model, down)) / (2 * h)
    return out


def off_centre(model: BeamModel, theta: Array) -> Array:
    """(rotation, tilt) degrees that the ray's obliquity adds: angles less the central ray's."""
    central = theta.copy()
    # The same turn of the bones, the knee moved into the central ray.
    shift = np.zeros_like(theta)
    shift[TA], shift[TB] = theta[TA], theta[TB]
    return angles(model, theta) - angles(model, central - shift)


def whole(model: BeamModel, bone: str, theta: Array) -> Array:
    """(N, 2) pixels of all points of a bone."""
    local = model.shape.points(bone, model.coefficients(theta))
    return model.pixels(model.film(bone, local, theta), theta)


def _chains(px: Array, rings: NDArray[np.int32], across: Array) -> tuple[Array, Array]:
    """Per ring, in order, the points least and greatest along `across`: two (R, 2) arrays."""
    points = px[rings]
    s = points @ across
    rows = np.arange(len(rings))
    return points[rows, s.argmin(axis=1)], points[rows, s.argmax(axis=1)]


def outlines(model: BeamModel, theta: Array) -> dict[str, Array]:
    """Bone name to a closed polygon (N, 2) in pixels, for drawing and for depths."""
    index = model.shape.index
    femur, tibia, patella = (whole(model, b, theta) for b in ("femur", "tibia", "patella"))
    up = _direction(femur, index, "shaft_joint", "shaft_high")
    across = np.array([-up[1], up[0]])
    left, right = _chains(femur, index["ring.femur"], across)
    ends = []
    for name in ("medial_condyle_distal", "lateral_condyle_distal"):
        part = femur[index[f"set.{name}"]]
        ends.append(part[np.argmin(part @ up)])
    ends.sort(key=lambda p: float(p @ across))
    if model.view == "AP":
        ends.insert(1, femur[int(index["point.notch_apex"])])
    found = {"femur": np.concatenate([left[::-1], ends, right])}

    down = _direction(tibia, index, "tibia_joint", "tibia_low")
    across = np.array([-down[1], down[0]])
    left, right = _chains(tibia, index["ring.tibia"], across)
    names = (
        [*RIM_POINTS] if model.view == "lateral" else ["point.medial_spine", "point.lateral_spine"]
    )
    edges = ["set.medial_plateau_edge", "set.lateral_plateau_edge"]
    top = [tibia[int(index[n])] for n in names]
    for name in edges if model.view == "AP" else []:
        part = tibia[index[name]]
        side = across if (part.mean(axis=0) - np.mean(top, axis=0)) @ across > 0 else -across
        top.append(part[np.argmax(part @ (side - down))])
    top.sort(key=lambda p: float(p @ across))
    found["tibia"] = np.concatenate([left[::-1], top, right])

    left, right = _chains(tibia, index["ring.fibula"], across)
    tip = tibia[int(index["point.fibular_head"])]
    found["fibula"] = np.concatenate([left[::-1], tip[None], right])
    hull = np.concatenate([index["hull.patella"], *(index[f"set.patella_{e}"] for e in _ENDS)])
    cloud = patella[hull]
    found["patella"] = cloud[ConvexHull(cloud).vertices]

    return found


_ENDS = ("superior", "inferior", "medial", "lateral")


def _direction(px: Array, index: Mapping[str, NDArray[np.int32]], a: str, b: str) -> Array:
    step = px[int(index[f"point.{b}"])] - px[int(index[f"point.{a}"])]
    return step / np.linalg.norm(step)


def heights(model: BeamModel, theta: Array) -> dict[str, tuple[Array, Array, float]]:
    """Named heights: (2,) pixels on the shaft's axis, (2, P) Jacobian, model's own sd in mm."""
    found = {}
    for name, index in model.shape.index.items():
        if not name.startswith("point.height."):
            continue
        bone = "tibia" if "tibial" in name or "plateau" in name else "femur"
        i = int(index)

        def at(t: Array, bone: str = bone, i: int = i) -> Array:
            local = (
                model.shape.mean[bone][i] + model.coefficients(t) @ model.shape.modes[bone][:, i]
            )
            return model.pixels(model.film(bone, local[None], t), t)[0]

        jacobian = np.zeros((2, len(theta)))
        for k in range(len(theta)):
            h = 1e-4 if k < SHAPE else 1e-3
            ahead, behind = theta.copy(), theta.copy()
            ahead[k] += h
            behind[k] -= h
            jacobian[:, k] = (at(ahead) - at(behind)) / (2 * h)
        found[name.removeprefix("point.height.")] = (
            at(theta),
            jacobian,
            float(model.shape.left[bone][i]),
        )
    return found
