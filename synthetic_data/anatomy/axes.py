"""Working axes of femur and tibia on a mesh of known topology.

The same words as docs/explanation/conventions.md, on fixed vertex sets, so that one person's
bones can be laid out in a few matrix products. The truth of a film is measured elsewhere.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from synthetic_data.anatomy.geometry import cross, unit

Array = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Frame:
    """Origin (3,) mm and rotation (3, 3) whose rows are X (anterior), Y (up), Z (lateral)."""

    origin: Array
    rotation: Array

    def local(self, points: Array) -> Array:
        """(N, 3) world mm to this frame."""
        return np.asarray((points - self.origin) @ self.rotation.T)


def section_weights(vertices: Array, faces: Ints, y: float) -> Array:
    """(N,) weights giving the centroid of the section at height `y`: linear in the vertices."""
    weights = np.zeros(len(vertices))
    above = vertices[:, 1] > y
    cut = faces[above[faces].any(axis=1) & ~above[faces].all(axis=1)]
    for triangle in cut:
        ends, parts = [], []
        for a, b in ((0, 1), (1, 2), (2, 0)):
            i, j = triangle[a], triangle[b]
            if above[i] != above[j]:
                t = (y - vertices[i, 1]) / (vertices[j, 1] - vertices[i, 1])
                ends.append((1 - t) * vertices[i] + t * vertices[j])
                parts.append((i, j, t))
        length = np.linalg.norm(ends[0] - ends[1])
        for i, j, t in parts:
            weights[i] += length * (1 - t) / 2
            weights[j] += length * t / 2
    return weights / weights.sum()


def line_up(points: Array) -> Array:
    """(3,) unit direction, pointing up, of the line fitted to (N, 3) points."""
    direction = np.linalg.svd(points - points.mean(axis=0))[2][0]
    return np.asarray(direction if direction[1] > 0 else -direction)


def condylar_frame(distal: Array, medial: NDArray[np.bool_], shaft: Array, z: Array) -> Frame:
    """The femur's frame from its distal vertices.

    Args:
        distal: (N, 3) vertices of the distal end.
        medial: (N,) which of them belong to the medial half.
        shaft: (3,) direction of the shaft, up.
        z: (3,) first guess of the lateral direction.
    """
    one, other = distal[medial], distal[~medial]
    z = unit(z)
    for _ in range(4):
        y = unit(shaft - (shaft @ z) * z)
        x = cross(y, z)
        low = one[np.argmin(one @ y)], other[np.argmin(other @ y)]
        back = one[np.argmin(one @ x)], other[np.argmin(other @ x)]
        d, p = low[1] - low[0], back[1] - back[0]
        # Turned so that both pairs reach equally far, distally and posteriorly.
        z = unit(z + y * (d @ y) / (d @ z) + x * (p @ x) / (p @ z))
    y = unit(shaft - (shaft @ z) * z)
    x = cross(y, z)
    low = one[np.argmin(one @ y)], other[np.argmin(other @ y)]
    back = one[np.argmin(one @ x)], other[np.argmin(other @ x)]
    return Frame(np.mean([*low, *back], axis=0), np.stack([x, y, z]))
