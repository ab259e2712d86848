"""The inner face of the cortex: each bone's surface moved inward by its local thickness."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from synthetic_data.anatomy.geometry import vertex_normals

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
        return np.full(len(from_joint), 1.5 * shell)
    if bone == "fibula":
        return np.interp(from_joint, [0, 30, 60, 110], [shell, shell, 2.0 * at_80 / 2.2, 2.6])
    return np.asarray(
        np.interp(
            from_joint,
            [0, 25, 50, 80, 140, 250],
            [1.2 * shell, shell, 1.1 * shell, at_80, at_140, at_140 + 1],
        )
    )


def inner_surface(
    vertices: Array,
    faces: NDArray[np.int32],
    average: sparse.csr_matrix,
    thick: Array,
    room: Array,
) -> Array:
    """(N, 3) vertices of the inner face.

    Args:
        average: (N, N) neighbour-averaging matrix, smooths the direction of the move.
        thick: (N,) mm wanted.
        room: (N,) mm of bone under each vertex; at most 0.3 of it is taken.
    """
    normals = vertex_normals(vertices, faces)
    for _ in range(3):
        normals = 0.5 * normals + 0.5 * (average @ normals)
    normals /= np.linalg.norm(normals, axis=1, keepdims=True)
    depth = np.minimum(thick, 0.3 * room)
    for _ in range(2):
        depth = np.minimum(depth, 0.5 * depth + 0.5 * (average @ depth))
    return np.asarray(vertices - depth[:, None] * normals)
