"""Small tools on triangle surfaces: normals, smoothing, turns, height maps."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from pipeline.knee.compiled import compiled

Array = NDArray[np.float64]
Ints = NDArray[np.int64]


def unit(vector: Array) -> Array:
    """`vector` (..., 3) scaled to length 1 along its last axis."""
    return np.asarray(vector / np.linalg.norm(vector, axis=-1, keepdims=True))


def cross(a: Array, b: Array) -> Array:
    """Cross product of two (3,) vectors; numpy's own is slow on so few numbers."""
    return np.array(
        [a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]]
    )


def turn(axis: int, degrees: float) -> Array:
    """(3, 3) right-handed turn about coordinate axis 0, 1 or 2; use as `points @ turn.T`."""
    c, s = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    out = np.eye(3)
    i, j = (axis + 1) % 3, (axis + 2) % 3
    out[i, i] = out[j, j] = c
    out[i, j], out[j, i] = -s, s
    return out


def smooth_step(x: Array | float, low: float, high: float) -> Array:
    """0 below `low`, 1 above `high`, with level ends and a level slope in between them."""
    t = np.clip((np.asarray(x, dtype=np.float64) - low) / (high - low), 0.0, 1.0)
    return np.asarray(t * t * (3 - 2 * t))


def neighbours(faces: Ints, count: int) -> sparse.csr_matrix:
    """(count, count) averaging matrix over each vertex's neighbours."""
    a = np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]])
    both = np.concatenate([a, a[:, ::-1]])
    link = sparse.csr_matrix((np.ones(len(both)), (both[:, 0], both[:, 1])), shape=(count, count))
    link.data[:] = 1.0
    return sparse.diags(1 / np.asarray(link.sum(axis=1)).ravel()) @ link


def taubin(faces: Ints, count: int, rounds: int) -> sparse.csr_matrix:
    """(count, count) smoothing that keeps volume (Taubin 1995: a step in, a larger step out)."""
    average = neighbours(faces, count)
    one = sparse.identity(count, format="csr")
    step = (one + (-0.53) * (average - one)) @ (one + 0.5 * (average - one))
    out = one
    for _ in range(rounds):
        out = step @ out
    return out.tocsr()


@compiled
def vertex_normals(vertices: Array, faces: NDArray[np.int32]) -> Array:
    """(N, 3) unit normals, weighted by the triangles' areas."""
    out = np.zeros_like(vertices)
    for f in range(faces.shape[0]):
        a, b, c = faces[f, 0], faces[f, 1], faces[f, 2]
        x, y, z = vertices[a, 0], vertices[a, 1], vertices[a, 2]
        ux, uy, uz = vertices[b, 0] - x, vertices[b, 1] - y, vertices[b, 2] - z
        vx, vy, vz = vertices[c, 0] - x, vertices[c, 1] - y, vertices[c, 2] - z
        nx, ny, nz = uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx
        for k in (a, b, c):
            out[k, 0] += nx
            out[k, 1] += ny
            out[k, 2] += nz
    for i in range(out.shape[0]):
        length = np.sqrt(out[i, 0] ** 2 + out[i, 1] ** 2 + out[i, 2] ** 2)
        if length > 0:
            out[i] /= length
    return out


@compiled
def height_map(
    vertices: Array,
    faces: NDArray[np.int32],
    low_u: float,
    low_v: float,
    step: float,
    nu: int,
    nv: int,
) -> Array:
    """(nu, nv) greatest height of a surface over a grid; -1e9 where there is none.

    Args:
        vertices: (N, 3): u, v, height.
        low_u, low_v, step: the grid's first node and pitch, mm.
    """
    out = np.full((nu, nv), -1e9)
    for f in range(faces.shape[0]):
        a, b, c = vertices[faces[f, 0]], vertices[faces[f, 1]], vertices[faces[f, 2]]
        det = (b[0] - a[0]) * (c[1] - a[1]) - (c[0] - a[0]) * (b[1] - a[1])
        if abs(det) < 1e-12:
            continue
        i0 = max(0, int(np.ceil((min(a[0], b[0], c[0]) - low_u) / step)))
        i1 = min(nu - 1, int(np.floor((max(a[0], b[0], c[0]) - low_u) / step)))
        j0 = max(0, int(np.ceil((min(a[1], b[1], c[1]) - low_v) / step)))
        j1 = min(nv - 1, int(np.floor((max(a[1], b[1], c[1]) - low_v) / step)))
        for i in range(i0, i1 + 1):
            for j in range(j0, j1 + 1):
                du, dv = low_u + i * step - a[0], low_v + j * step - a[1]
                s = (du * (c[1] - a[1]) - dv * (c[0] - a[0])) / det
                t = (dv * (b[0] - a[0]) - du * (b[1] - a[1])) / det
                if s >= -1e-9 and t >= -1e-9 and s + t <= 1 + 1e-9:
                    h = a[2] + s * (b[2] - a[2]) + t * (c[2] - a[2])
                    if h > out[i, j]:
                        out[i, j] = h
    return out


@compiled
def clearance(points: Array, heights: Array, low_u: float, low_v: float, step: float) -> Array:
    """(N,) how far (N, 3) points (u, v, height) lie above a height map; 1e6 beside it."""
    out = np.full(points.shape[0], 1e6)
    nu, nv = heights.shape
    for k in range(points.shape[0]):
        fu, fv = (points[k, 0] - low_u) / step, (points[k, 1] - low_v) / step
        i, j = int(np.floor(fu)), int(np.floor(fv))
        if i < 0 or j < 0 or i + 1 >= nu or j + 1 >= nv:
            continue
        h00, h01 = heights[i, j], heights[i, j + 1]
        h10, h11 = heights[i + 1, j], heights[i + 1, j + 1]
        if min(h00, h01, h10, h11) < -1e8:
            continue
        s, t = fu - i, fv - j
        h = (1 - s) * ((1 - t) * h00 + t * h01) + s * ((1 - t) * h10 + t * h11)
        out[k] = points[k, 2] - h
    return out


@compiled
def _room(vertices: Array, faces: NDArray[np.int32], normals: Array) -> Array:
    out = np.full(vertices.shape[0], 1e6)
    for f in range(faces.shape[0]):
        ia, ib, ic = faces[f, 0], faces[f, 1], faces[f, 2]
        a = vertices[ia]
        e, g = vertices[ib] - a, vertices[ic] - a
        for k in range(vertices.shape[0]):
            if k in (ia, ib, ic):
                continue
            # Moller & Trumbore 1997, ray from vertex k straight into the bone.
            dx, dy, dz = -normals[k, 0], -normals[k, 1], -normals[k, 2]
            px, py, pz = dy * g[2] - dz * g[1], dz * g[0] - dx * g[2], dx * g[1] - dy * g[0]
            det = e[0] * px + e[1] * py + e[2] * pz
            if abs(det) < 1e-12:
                continue
            sx, sy, sz = vertices[k, 0] - a[0], vertices[k, 1] - a[1], vertices[k, 2] - a[2]
            u = (sx * px + sy * py + sz * pz) / det
            if u < 0 or u > 1:
                continue
            qx, qy, qz = sy * e[2] - sz * e[1], sz * e[0] - sx * e[2], sx * e[1] - sy * e[0]
            v = (dx * qx + dy * qy + dz * qz) / det
            if v < 0 or u + v > 1:
                continue
            t = (g[0] * qx + g[1] * qy + g[2] * qz) / det
            if 0.3 < t < out[k]:
                out[k] = t
    return out


def inward_room(vertices: Array, faces: NDArray[np.int32]) -> Array:
    """(N,) mm from each vertex straight through the body to its far side."""
    return np.asarray(_room(vertices, faces, vertex_normals(vertices, faces)))
