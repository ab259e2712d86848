"""Outlines, heights and angles of a fitted knee."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.fit.beam_model import (
    LOG_D,
    LOG_G,
    SHAPE,
    TA,
    TB,
    TIBIA,
    BeamModel,
    femur_turn,
    femur_turns,
    joint_turn,
    joint_turns,
)
from pipeline.fit.knee_shape import RIM_POINTS, KneeShape

Array = NDArray[np.float64]


_TOUCHING = (
    "medial_condyle_distal",
    "lateral_condyle_distal",
    "medial_condyle_posterior",
    "lateral_condyle_posterior",
)
_SHAFT = ("point.shaft_joint", "point.shaft_high")


def _axes(points: Array) -> Array:
    """(..., 3, 3) rows X_f, Y_f, Z_f from (..., 6, 3): touching points and two of the shaft.

    Z is level with the two distal and with the two posterior touching points, Y is the shaft
    made perpendicular to it: so X and Y stand at right angles to the lines between them.
    """
    shaft = points[..., 5, :] - points[..., 4, :]
    down = points[..., 1, :] - points[..., 0, :]
    back = points[..., 3, :] - points[..., 2, :]
    z = np.zeros_like(shaft)
    z[..., 2] = 1.0
    for _ in range(3):
        y = _unit(shaft - _dot(shaft, z) * z)
        x = _cross(y, z)
        z = _unit(z + x * _dot(back, x) / _dot(back, z) + y * _dot(down, y) / _dot(down, z))
    y = _unit(shaft - _dot(shaft, z) * z)
    return np.stack([_cross(y, z), y, z], axis=-2)


def _cross(a: Array, b: Array) -> Array:
    """(..., 3) vector products; np.cross spends most of its time on the shapes it allows."""
    out = np.empty_like(a)
    for i, j, k in ((0, 1, 2), (1, 2, 0), (2, 0, 1)):
        out[..., i] = a[..., j] * b[..., k] - a[..., k] * b[..., j]
    return out


def _dot(a: Array, b: Array) -> Array:
    return (a * b).sum(axis=-1, keepdims=True)


def _unit(a: Array) -> Array:
    return a / np.sqrt(_dot(a, a))


@lru_cache(maxsize=4)
def _touching_parts(shape: KneeShape) -> tuple[Array, Array, list[NDArray[np.int64]]]:
    """Candidates for the touching points, and two of the shaft: mean, modes, their numbers."""
    ends = np.array([int(shape.index[name]) for name in _SHAFT])
    sets = [np.asarray(shape.index[f"set.{name}"], dtype=np.int64) for name in _TOUCHING]
    every = np.concatenate([*sets, ends])
    modes = np.ascontiguousarray(shape.modes["femur"][:, every]).reshape(shape.count, -1)
    return shape.mean["femur"][every], modes, [*sets, ends]


def touching_points(model: BeamModel, theta: Array) -> NDArray[np.int64]:
    """(6,) point numbers of the femur: where the condyles touch, and two of the shaft."""
    mean, modes, (*sets, ends) = _touching_parts(model.shape)
    points = mean + (model.coefficients(theta) @ modes).reshape(-1, 3)
    clouds = np.split(points[:-2], np.cumsum([len(s) for s in sets])[:-1])
    axes = np.eye(3)
    chosen: list[int] = []
    for _ in range(3):
        before = chosen
        toward = (axes[1], axes[1], axes[0], axes[0])
        chosen = [int(np.argmin(c @ way)) for c, way in zip(clouds, toward, strict=True)]
        if chosen == before:
            break
        four = [cloud[i] for cloud, i in zip(clouds, chosen, strict=True)]
        axes = _axes(np.stack([*four, *points[-2:]]))
    return np.array([*(int(s[i]) for s, i in zip(sets, chosen, strict=True)), *ends])


def _linear(model: BeamModel, bone: str, index: NDArray[np.int64], thetas: Array) -> Array:
    """(B, N, 3) mm, points of a bone in its own frame for (B, P) parameters."""
    m = model.shape.count
    modes = model.shape.modes[bone][:, index].reshape(m, -1)
    flat = thetas[:, SHAPE : SHAPE + m] @ modes
    return model.shape.mean[bone][index] + flat.reshape(len(thetas), len(index), 3)


def femur_axes(model: BeamModel, thetas: Array, held: NDArray[np.int64]) -> tuple[Array, Array]:
    """(B, 3, 3) with X_f, Y_f, Z_f as rows in film axes, and (B, 3) the femur's origin, mm.

    The fitted shape's own condyles are asked once more for the direction in which they eclipse:
    a blend of knees that are level in their frames is level only nearly.
    """
    points = _linear(model, "femur", held, thetas)
    r = femur_turns(model.view, thetas)
    shift = np.zeros((len(thetas), 3))
    shift[:, :2] = thetas[:, [TA, TB]]
    origin = np.einsum("bij,bj->bi", r, points[:, :4].mean(axis=1)) + shift
    return _axes(points) @ r.transpose(0, 2, 1), origin


def shaft_ends(model: BeamModel, theta: Array, held: NDArray[np.int64]) -> Array:
    """(2, 3) mm in film axes: the femoral shaft's axis at the joint line and higher up."""
    points = _linear(model, "femur", held[4:], theta[None])[0]
    return points @ femur_turn(model.view, theta).T + np.array([theta[TA], theta[TB], 0.0])


def _near_end(model: BeamModel, q: Array, thetas: Array) -> Array:
    """(B, 3) unit vector e at points in film axes: front on AP, lateral side on a lateral film."""
    s = model.source_side
    # From the source (0, 0, -s D) to the point, turned toward the viewer on AP, away on lateral.
    away = s * q
    away[:, 2] += np.exp(thetas[:, LOG_D])
    return _unit(-away if model.view == "AP" else away)


def angles(model: BeamModel, thetas: Array, held: NDArray[np.int64]) -> Array:
    """(B, 2) rotation and tilt in degrees by docs/explanation/conventions.md.

    Args:
        thetas: (B, P) parameters.
        held: touching points, from `touching_points`.
    """
    axes, origin = femur_axes(model, thetas, held)
    x, y, z = (axes[:, i] for i in range(3))
    e = _near_end(model, origin, thetas)
    if model.view == "lateral":
        rotation = np.arctan2(_dot(e, x), _dot(e, z))
        return np.degrees(np.concatenate([rotation, np.arcsin(_dot(e, y))], axis=1))
    rotation = np.arctan2(_dot(e, z), _dot(e, x))
    index = np.array([int(model.shape.index[name]) for name in RIM_POINTS])
    local = _linear(model, "tibia", index, thetas)
    local = local + thetas[:, model.rim].reshape(-1, 4, 3)
    pose = thetas[:, TIBIA]
    femoral = local @ joint_turns(pose).transpose(0, 2, 1) + pose[:, None, 3:]
    shift = np.zeros((len(thetas), 1, 3))
    shift[:, 0, :2] = thetas[:, [TA, TB]]
    rim = femoral @ femur_turns(model.view, thetas).transpose(0, 2, 1) + shift
    centre = rim.mean(axis=1)
    normal = np.linalg.svd(rim - centre[:, None])[2][:, 2]
    normal = normal * np.sign(_dot(normal, y))
    tilt = np.arcsin(_dot(_near_end(model, centre, thetas), normal))
    return np.degrees(np.concatenate([rotation, tilt], axis=1))


def flexion_deg(model: BeamModel, theta: Array) -> float:
    """Angle between Y_f and the tibial shaft in the plane at right angles to Z_f, degrees.

    `theta`: (P,) parameters of `model`.
    """
    a, b = (int(model.shape.index[f"point.{n}"]) for n in ("tibia_low", "tibia_joint"))
    local = model.shape.points("tibia", model.coefficients(theta))[[a, b]]
    step = joint_turn(theta[TIBIA]) @ (local[1] - local[0])
    return float(np.degrees(np.arctan2(step[0], step[1])))


def angles_jacobian(model: BeamModel, theta: Array, held: NDArray[np.int64]) -> Array:
    """(2, P) degrees per parameter, by central differences with the touching points held."""
    h = np.where(np.arange(len(theta)) < SHAPE, 1e-4, 1e-3)
    steps = np.diag(h)
    moved = angles(model, np.concatenate([theta + steps, theta - steps]), held)
    ahead, behind = np.split(moved, 2)
    return ((ahead - behind) / (2 * h[:, None])).T


def off_centre(model: BeamModel, theta: Array, held: NDArray[np.int64]) -> Array:
    """(rotation, tilt) degrees that the ray's obliquity adds: angles less the central ray's."""
    central = theta.copy()
    central[LOG_D] = 20.0  # from so far away every ray is a central one
    both = angles(model, np.stack([theta, central]), held)
    return both[0] - both[1]


def whole(model: BeamModel, bone: str, theta: Array) -> Array:
    """(N, 2) pixels of all points of a bone."""
    local = model.shape.points(bone, model.coefficients(theta))
    return model.pixels(model.film(bone, local, theta), theta)


CELL_MM = 0.4
"""Size of the cells in which silhouettes are painted."""


def _silhouette(pieces: Sequence[Array], cell: float) -> Array:
    """(N, 2) the outer boundary of the union of convex hulls, closed.

    Args:
        pieces: point clouds (M, 2) in pixels, each standing for its convex hull.
        cell: pixels per painted cell.
    """
    every = np.concatenate(pieces)
    low = every.min(axis=0) - 2 * cell
    size = np.ceil((every.max(axis=0) - low) / cell).astype(int) + 3
    mask = np.zeros((size[1], size[0]), np.uint8)
    bits = 4
    for piece in pieces:
        hull = cv2.convexHull(np.round((piece - low) / cell * 2**bits).astype(np.int32))
        cv2.fillConvexPoly(mask, hull, 255, cv2.LINE_8, bits)
    contours, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    longest = max(contours, key=len)[:, 0].astype(np.float64)
    # Stairs of single cells are smoothed away; corners keep their place within a cell.
    smooth = np.mean([np.roll(longest, k, axis=0) for k in (-2, -1, 0, 1, 2)], axis=0)
    return low + smooth[::2] * cell


def _slabs(px: Array, rings: NDArray[np.int32]) -> list[Array]:
    """Each ring with the next one: together a tube."""
    return [px[np.concatenate([a, b])] for a, b in pairwise(rings)]


@lru_cache(maxsize=4)
def _condyle_points(shape: KneeShape) -> dict[str, NDArray[np.int32]]:
    """Point numbers of each condyle, each on its own side of the notch."""
    index, level, local = shape.index, shape.heights["femur"], shape.mean["femur"]
    # Lower rings run through both condyles and the notch: their outline is no star.
    low = index["ring.femur"][(level >= 0.3) & (level <= 0.35)].ravel()
    found = {}
    for side, sign in (("medial", -1.0), ("lateral", 1.0)):
        sets = [index[f"set.{side}_{part}"] for part in ("condyle_distal", "condyle_posterior")]
        own = low[sign * local[low, 2] > 12.0]
        found[side] = np.concatenate([*sets, own, index[f"set.{side}_epicondyle"]])
    return found


def condyles(model: BeamModel, theta: Array) -> dict[str, Array]:
    """`medial` and `lateral` to a closed polygon (N, 2) in pixels: each condyle by itself."""
    femur, cell = whole(model, "femur", theta), CELL_MM * float(np.exp(theta[LOG_G]))
    points = _condyle_points(model.shape)
    return {side: _silhouette([femur[own]], cell) for side, own in points.items()}


def outlines(model: BeamModel, theta: Array) -> dict[str, Array]:
    """Bone name to a closed polygon (N, 2) in pixels, for drawing and for depths."""
    index, heights_of = model.shape.index, model.shape.heights
    femur, tibia, patella = (whole(model, b, theta) for b in ("femur", "tibia", "patella"))
    cell = CELL_MM * float(np.exp(theta[LOG_G]))
    rings, level = index["ring.femur"], heights_of["femur"]
    pieces = _slabs(femur, rings[level >= 0.3])
    pieces += [femur[own] for own in _condyle_points(model.shape).values()]
    pieces.append(femur[index["set.trochlea_anterior"]])
    found = {"femur": _silhouette(pieces, cell)}

    top = index["ring.tibia"][0]
    spines = [index[f"point.{side}_spine"] for side in ("medial", "lateral")]
    pieces = [
        *_slabs(tibia, index["ring.tibia"]),
        tibia[np.concatenate([top, *(index[f"set.{s}_plateau_edge"] for s in _SIDES)])],
        tibia[np.array([*top, *map(int, spines)])],
        tibia[np.array([*top, *(int(index[n]) for n in RIM_POINTS)])],
        tibia[index["set.tibial_tuberosity"]],
    ]
    found["tibia"] = _silhouette(pieces, cell)
    tip = tibia[int(index["point.fibular_head"])]
    fibular = index["ring.fibula"]
    pieces = [*_slabs(tibia, fibular), np.concatenate([tibia[fibular[0]], tip[None]])]
    found["fibula"] = _silhouette(pieces, cell)
    hull = np.concatenate([index["hull.patella"], *(index[f"set.patella_{e}"] for e in _ENDS)])
    found["patella"] = _silhouette([patella[hull]], cell)
    return found


_SIDES = ("medial", "lateral")
_ENDS = ("superior", "inferior", "medial", "lateral")


def heights(model: BeamModel, theta: Array, covariance: Array) -> dict[str, tuple[Array, Array]]:
    """Named heights: (2,) pixels on the shaft's axis, and (2, 2) square pixels.

    What the shape's modes leave out of a point on an axis lies along that axis: it is three
    times the mean square of its three coordinates.
    """
    index = model.shape.index
    found = {}
    for name in index:
        if not name.startswith("point.height."):
            continue
        bone = "tibia" if "tibial" in name or "plateau" in name else "femur"
        ends = ("tibia_low", "tibia_joint") if bone == "tibia" else ("shaft_joint", "shaft_high")
        i = np.array([int(index[n]) for n in (name, *(f"point.{end}" for end in ends))])
        local = _linear(model, bone, i, theta[None])[0]
        xy, low, high = model.pixels(model.film(bone, local, theta), theta)
        along = _unit(high - low) * float(np.exp(theta[LOG_G]) * model.shape.left[bone][i[0]])
        slope = model.point_jacobian(bone, i[:1], theta)[0]
        spread = slope @ covariance @ slope.T + 3.0 * np.outer(along, along)
        found[name.removeprefix("point.height.")] = (xy, spread)
    return found
