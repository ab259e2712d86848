"""The inner face of the cortex: each bone's surface moved inward by its local thickness."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from synthetic_data.anatomy.geometry import smooth_step, vertex_normals

Array = NDArray[np.float64]


def thickness(bone: str, from_joint: Array, at_80: float, at_140: float, shell: float) -> Array:
    """(N,) mm of cortex.

    Thin shell near the joint, thickening along the shaft; 80 and 140 mm from the joint are the
    heights at which published methods measure (He et al., Bone Joint Res 2018;7:468). Patella
    and fibula are design values.

    Args:
        from_joint: (N,) mm along the shaft from the joint line.
        at_80, at_140: mm of cortex there (of the femur; the tibia is like it).
        shell: mm of subchondral plate and metaphyseal shell.
    """
    if bone == "patella":
        return np.full(len(from_joint), 0.9 * shell)
    if bone == "fibula":
        return np.interp(from_joint, [0, 50, 85, 130], [0.6 * shell, shell, 2.0 * at_80 / 4.8, 2.6])
    return np.asarray(
        np.interp(
            from_joint,
            [0, 25, 50, 80, 140, 250],
            [1.2 * shell, shell, shell + 0.45 * at_80, at_80, at_140, at_140 + 1],
        )
    )


def inner_surface(
    vertices: Array,
    faces: NDArray[np.int32],
    average: sparse.csr_matrix,
    thick: Array,
    room: Array,
    levels: Array,
) -> Array:
    """(N, 3) vertices of the inner face, y along the shaft.

    Near the joint the surface moves in along its normals. Along the shaft each section shrinks
    toward its middle instead, by the thickness wanted on average: it cannot run through itself
    at the tibia's sharp front, and is thicker there, as real ones are.

    Args:
        average: (N, N) neighbour-averaging matrix, smooths the direction of the move.
        thick: (N,) mm wanted.
        room: (N,) mm of bone under each vertex; at most 0.3 of it is taken.
        levels: (K, N) weights of the outline's centroid at heights along the shaft, or none.
    """
    normals = vertex_normals(vertices, faces)
    for _ in range(3):
        normals = 0.5 * normals + 0.5 * (average @ normals)
    normals /= np.linalg.norm(normals, axis=1, keepdims=True)
    depth = np.minimum(thick, 0.3 * room)
    for _ in range(2):
        depth = np.minimum(depth, 0.5 * depth + 0.5 * (average @ depth))
    move = -depth[:, None] * normals
    if len(levels):
        on, shrink = _shrink(vertices, thick, levels)
        move = (1 - on[:, None]) * move + on[:, None] * shrink
    return np.asarray(vertices + move)


def _shrink(vertices: Array, thick: Array, levels: Array) -> tuple[Array, Array]:
    """(N,) 0..1, how much a vertex belongs to the shaft; (N, 3) its move toward the middle."""
    centres = levels @ vertices
    order = np.argsort(centres[:, 1])
    centres = centres[order]
    y = vertices[:, 1]
    away = vertices[:, [0, 2]] - np.stack(
        [np.interp(y, centres[:, 1], centres[:, k]) for k in (0, 2)], axis=1
    )
    # Mean radius by height, from the vertices nearest to each level.
    nearest = np.argmin(np.abs(y[:, None] - centres[:, 1]), axis=1)
    count = np.maximum(np.bincount(nearest, minlength=len(centres)), 1)
    radius = np.bincount(nearest, np.hypot(*away.T), len(centres)) / count
    mean = np.interp(y, centres[:, 1], radius)
    move = np.zeros_like(vertices)
    move[:, [0, 2]] = -away * np.minimum(thick / mean, 0.6)[:, None]
    # Levels run from the knee away: the first is at the metaphysis, the last near the cut end.
    up = 1.0 if order[0] == 0 else -1.0
    start, end = (centres[0, 1], y.max()) if up > 0 else (centres[-1, 1], y.min())
    along = up * (y - start)
    move[:, 1] = -up * 2.0 * smooth_step(along, up * (end - start) - 20, up * (end - start))
    return smooth_step(along, -15.0, 25.0), move
