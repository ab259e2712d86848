"""Moving the leg under the thigh, measuring the joint spaces, swelling bone here and there."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from pipeline.knee.anatomy import Knee, Mesh
from pipeline.knee.frames import Frames
from synthetic_data.anatomy.geometry import clearance, height_map, smooth_step, unit, vertex_normals

Array = NDArray[np.float64]

GRID = (-50.0, -60.0, 1.0, 101, 121)
"""Low u, low v, pitch, and numbers of nodes of height maps, mm."""


BEARING = 0.16
"""Share of the plateau's width from its middle outward that the spines and their flanks take."""


def noted(knee: Knee, prefix: str, facts: dict[str, float | str]) -> Knee:
    """The knee with what was drawn for one finding put on record."""
    return replace(knee, facts={**knee.facts, **{f"{prefix}_{k}": v for k, v in facts.items()}})


def turn_about(axis: Array, radians: float) -> Array:
    """(3, 3) turn about a unit axis (Rodrigues); use as `points @ turn.T`."""
    x, y, z = axis
    k = np.array([[0, -z, y], [z, 0, -x], [-y, x, 0]])
    return np.asarray(np.eye(3) + np.sin(radians) * k + (1 - np.cos(radians)) * k @ k)


def over(points: Array, surface: Mesh, origin: Array, u: Array, v: Array, up: Array) -> Array:
    """(N,) mm from points (N, 3) down along `up` to the top of a surface; 1e6 beside it."""
    basis = np.stack([u, v, up], axis=1)
    near = (surface.vertices - origin) @ basis
    keep = np.abs(near[:, 2]) < 80
    heights = height_map(near, surface.faces[keep[surface.faces].all(axis=1)], *GRID)
    return np.asarray(clearance((points - origin) @ basis, heights, *GRID[:3]))


def spaces(
    femur: Array, tibia: Mesh, frames: Frames
) -> tuple[tuple[float, float, float], tuple[Array, Array]]:
    """Narrowest joint spaces along the tibia's shaft, and where they are.

    Args:
        femur: (N, 3) points of the distal femur.

    Returns:
        (medial, lateral, middle) mm; (3,) points of the femur at the medial and lateral one.
    """
    t = frames.tibia
    gap = over(femur, tibia, t.centre, t.x, t.z, t.y)
    across = (femur - t.centre) @ t.z / t.plateau_width
    found, where = [], []
    for part in (across < -BEARING, across > BEARING, np.abs(across) <= BEARING):
        inside = np.where(part, gap, 1e6)
        k = int(np.argmin(inside))
        found.append(float(inside[k]))
        where.append(femur[k])
    return (found[0], found[1], found[2]), (where[0], where[1])


def move_leg(knee: Knee, frames: Frames, turn: Array, pivot: Array, shift: Array) -> Knee:
    """Tibia and fibula turned about `pivot` and shifted; the leg's soft tissue bends with them.

    Args:
        turn: (3, 3); pivot, shift: (3,) mm.
    """

    def moved(points: Array) -> Array:
        return np.asarray((points - pivot) @ turn.T + pivot + shift)

    legs = ("tibia", "fibula")
    bisector = unit(frames.tibia.y + frames.femur.y)

    def bent(mesh: Mesh) -> Mesh:
        below = -(mesh.vertices - frames.tibia.centre) @ bisector
        share = smooth_step(below, -30.0, 60.0)[:, None]
        return Mesh((1 - share) * mesh.vertices + share * moved(mesh.vertices), mesh.faces)

    def placed(meshes: dict[str, Mesh]) -> dict[str, Mesh]:
        return {
            name: Mesh(moved(mesh.vertices), mesh.faces) if name in legs else mesh
            for name, mesh in meshes.items()
        }

    points = dict(knee.points)
    for name in ("medial_spine", "lateral_spine", "fibular_head"):
        points[name] = moved(points[name])
    return replace(
        knee,
        bones=placed(dict(knee.bones)),
        marrow=placed(dict(knee.marrow)),
        measured=placed(dict(knee.measured)),
        soft={name: bent(mesh) for name, mesh in knee.soft.items()},
        points=points,
    )


def close_joint(
    knee: Knee, frames: Frames, wanted: tuple[float, float]
) -> tuple[Knee, Frames, float, tuple[float, float]]:
    """The leg brought so that the joint spaces become as `wanted` (medial, lateral), mm.

    Returns:
        the knee, its frames, its lean from where it was (varus positive, degrees), and the
        spaces reached.
    """
    femur = knee.bones["femur"].vertices
    f, t = frames.femur, frames.tibia
    ends = femur[(femur - f.origin) @ f.y < 35.0]
    tibia = knee.bones["tibia"]
    upper = (tibia.vertices - t.centre) @ t.y > -25.0
    faces = tibia.faces[upper[tibia.faces].all(axis=1)]
    turn, shift = np.eye(3), np.zeros(3)
    lean = 0.0
    for _ in range(3):
        now = Mesh((tibia.vertices - t.centre) @ turn.T + t.centre + shift, faces)
        (medial, lateral, middle), (at_m, at_l) = spaces(ends, now, frames)
        short = np.array([medial - wanted[0], lateral - wanted[1]])
        if middle - max(short.min(), 0.0) < 0.3:
            short = short - max(0.3 - (middle - short.min()), 0.0)
        if max(medial, lateral) > 1e5 or np.abs(short).max() < 0.05:
            break
        z = np.array([(at_m - t.centre) @ t.z, (at_l - t.centre) @ t.z])
        # A turn by da about x (forward) lifts a point at z by -z da.
        da = float(np.clip((short[0] - short[1]) / (z[1] - z[0]), -0.15, 0.15))
        rise = float(short[0] + z[0] * da)
        turn = turn_about(t.x, da) @ turn
        shift = shift + rise * t.y
        lean += float(np.degrees(da))
    out = move_leg(knee, frames, turn, t.centre, shift)
    (medial, lateral, _), _ = spaces(ends, out.bones["tibia"], frames)
    return out, moved_frames(frames, turn, t.centre, shift), lean, (medial, lateral)


def moved_frames(frames: Frames, turn: Array, pivot: Array, shift: Array) -> Frames:
    """Frames after the leg was turned about `pivot` and shifted, without finding them again.

    `turn`: (3, 3) rotation; `pivot`, `shift`: (3,) mm.
    """
    t = frames.tibia
    about = pivot + shift
    tibia = replace(
        t,
        x=turn @ t.x,
        y=turn @ t.y,
        z=turn @ t.z,
        normal=turn @ t.normal,
        rim=(t.rim - pivot) @ turn.T + about,
        centre=turn @ (t.centre - pivot) + about,
        shaft_point=turn @ (t.shaft_point - pivot) + about,
    )
    return replace(frames, tibia=tibia)


def bump(mesh: Mesh, anchor: Array, direction: Array, height: float, radius: float) -> Array:
    """(N, 3) how vertices move when bone grows at `anchor` toward `direction`.

    Only what faces that way grows, so thin parts do not run through themselves.
    """
    away = np.linalg.norm(mesh.vertices - anchor, axis=1)
    near = np.flatnonzero(away < 3 * radius)
    out = np.zeros_like(mesh.vertices)
    if len(near):
        facing = np.clip(vertex_normals(mesh.vertices, mesh.faces)[near] @ direction + 0.3, 0, 1)
        out[near] = (height * np.exp(-((away[near] / radius) ** 2)) * facing)[:, None] * direction
    return out
