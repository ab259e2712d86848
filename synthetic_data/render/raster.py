"""How much of each pixel's ray lies inside each closed surface, by signed-depth rasterisation.

Every triangle is projected; at each pixel centre that it covers, the depth of its plane along
that pixel's ray is added where the ray leaves the solid and subtracted where it enters. For a
closed surface the sum is the length inside; nothing is sorted.

Why no ray is lost or counted twice: projected vertices are rounded to 2**-16 pixel, so the edge
tests are exact in float64 for triangles up to 1000 pixels wide; each edge is tested from the same
end whichever triangle asks, and a pixel centre exactly on an edge counts as a hair to its right
(and above), the same hair for every triangle. Depths are summed as integers of 2**-30 of the
distance from source to receptor (about 1e-6 mm): the order of the triangles cannot matter, so
the compiled CPU and GPU kernels give the same film.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.knee.anatomy import Mesh
from pipeline.knee.camera import Camera
from pipeline.knee.compiled import compiled
from pipeline.knee.errors import Problem

SNAP = 65536.0
UNIT = 1073741824.0
NEAREST = 0.02
FARTHEST = 1.9
TIE = 1e-300
ROUNDING = 50
FOLDED = 0.1
"""Share of what a surface covers that may be folded; inside out it is nearly all."""


@compiled
def project(vertices, matrix, seen):  # type: ignore[no-untyped-def]
    """Fills `seen` (N, 3) with x, y (pixels, rounded) and 1 / w; returns the range of w.

    w is the depth as a share of the distance from source to receptor.
    """
    near, far = np.inf, -np.inf
    for i in range(vertices.shape[0]):
        x, y, z = vertices[i, 0], vertices[i, 1], vertices[i, 2]
        u = matrix[0, 0] * x + matrix[0, 1] * y + matrix[0, 2] * z + matrix[0, 3]
        v = matrix[1, 0] * x + matrix[1, 1] * y + matrix[1, 2] * z + matrix[1, 3]
        w = matrix[2, 0] * x + matrix[2, 1] * y + matrix[2, 2] * z + matrix[2, 3]
        if not (NEAREST < w < FARTHEST):
            return w, w
        seen[i, 0] = np.floor(u / w * SNAP + 0.5) / SNAP
        seen[i, 1] = np.floor(v / w * SNAP + 0.5) / SNAP
        seen[i, 2] = 1.0 / w
        near, far = min(near, w), max(far, w)
    return near, far


@compiled
def _edge(ax, ay, bx, by, turn):  # type: ignore[no-untyped-def]
    """The edge from its upper (then left) end, its inside positive: x, y, dx, dy, least value.

    A centre exactly on the edge belongs to the right (or upper) side of it.
    """
    if by > ay or (by == ay and bx > ax):
        return ax, ay, (bx - ax) * turn, (by - ay) * turn, (0.0 if turn > 0.0 else TIE)
    return bx, by, (bx - ax) * turn, (by - ay) * turn, (TIE if turn > 0.0 else 0.0)


@compiled
def _cut(low, high, slope, at):  # type: ignore[no-untyped-def]
    """The columns from `low` to `high` on the inner side of an edge that crosses at `at`."""
    if slope > 0.0:
        return max(low, at), high
    if slope < 0.0:
        return low, min(high, at)
    return low, high


@compiled
def _add_run(run, first, sign, at_a, at_b, at_c):  # type: ignore[no-untyped-def]
    """Adds the depths of one triangle to a run of pixels of one row that it covers."""
    ax, ady, a_row, q0 = at_a
    bx, bdy, b_row, q1 = at_b
    cx, cdy, c_row, q2 = at_c
    for n in range(run.shape[0]):
        column = first + np.float64(np.int32(n))
        a = (column - ax) * ady - a_row
        b = (column - bx) * bdy - b_row
        c = (column - cx) * cdy - c_row
        # 1 / w is affine on the film: this is the plane's depth on this very ray.
        w = (a + b + c) / (a * q0 + b * q1 + c * q2)
        run[n] += sign * np.int32(w * (0.5 * UNIT) + 0.5)


@compiled
def add_triangles(seen, faces, handed, total):  # type: ignore[no-untyped-def]
    """Adds the signed depths of all triangles to `total` (rows, columns) int32.

    `handed` is the sign of the camera's determinant (-1 on a mirrored film).
    """
    rows, columns = total.shape
    for f in range(faces.shape[0]):
        i, j, k = faces[f, 0], faces[f, 1], faces[f, 2]
        x0, y0, q0 = seen[i, 0], seen[i, 1], seen[i, 2]
        x1, y1, q1 = seen[j, 0], seen[j, 1], seen[j, 2]
        x2, y2, q2 = seen[k, 0], seen[k, 1], seen[k, 2]
        left = max(np.ceil(min(x0, x1, x2)), 0.0)
        right = min(np.floor(max(x0, x1, x2)), columns - 1.0)
        top = max(np.ceil(min(y0, y1, y2)), 0.0)
        bottom = min(np.floor(max(y0, y1, y2)), rows - 1.0)
        if left > right or top > bottom:
            continue
        area = (x1 - x0) * (y2 - y0) - (y1 - y0) * (x2 - x0)
        if area == 0.0:
            continue
        turn = -1.0 if area > 0.0 else 1.0
        sign = -1 if (turn > 0.0) == (handed > 0.0) else 1
        ax, ay, adx, ady, a_least = _edge(x1, y1, x2, y2, turn)
        bx, by, bdx, bdy, b_least = _edge(x2, y2, x0, y0, turn)
        cx, cy, cdx, cdy, c_least = _edge(x0, y0, x1, y1, turn)
        if right - left < 5.0:
            # A narrow triangle: testing its few columns is quicker than looking for its ends.
            for row in range(int(top), int(bottom) + 1):
                a_row = (row - ay) * adx
                b_row = (row - by) * bdx
                c_row = (row - cy) * cdx
                for column in range(int(left), int(right) + 1):
                    a = (column - ax) * ady - a_row
                    b = (column - bx) * bdy - b_row
                    c = (column - cx) * cdy - c_row
                    if (a >= a_least) & (b >= b_least) & (c >= c_least):
                        w = (a + b + c) / (a * q0 + b * q1 + c * q2)
                        total[row, column] += sign * np.int32(w * (0.5 * UNIT) + 0.5)
            continue
        # A level edge shuts out whole rows, no columns: it has no run.
        a_run = 1.0 / ady if ady != 0.0 else 0.0
        b_run = 1.0 / bdy if bdy != 0.0 else 0.0
        c_run = 1.0 / cdy if cdy != 0.0 else 0.0
        for row in range(int(top), int(bottom) + 1):
            a_row = (row - ay) * adx
            b_row = (row - by) * bdx
            c_row = (row - cy) * cdx
            # The edges' own columns, to a hair; each test below is true on one side of its edge
            # only, so that the triangle is an unbroken run and two ends settle it exactly.
            low, high = left, right
            low, high = _cut(low, high, ady, ax + a_row * a_run)
            low, high = _cut(low, high, bdy, bx + b_row * b_run)
            low, high = _cut(low, high, cdy, cx + c_row * c_run)
            first, last = int(max(low - 0.001, left)), int(min(high + 0.001, right))
            while first <= last and not (
                ((first - ax) * ady - a_row >= a_least)
                & ((first - bx) * bdy - b_row >= b_least)
                & ((first - cx) * cdy - c_row >= c_least)
            ):
                first += 1
            while first <= last and not (
                ((last - ax) * ady - a_row >= a_least)
                & ((last - bx) * bdy - b_row >= b_least)
                & ((last - cx) * cdy - c_row >= c_least)
            ):
                last -= 1
            if first <= last:
                _add_run(
                    total[row, first : last + 1],
                    float(first),
                    np.int32(sign),
                    (ax, ady, a_row, q0),
                    (bx, bdy, b_row, q1),
                    (cx, cdy, c_row, q2),
                )
    return 0


@compiled
def ray_lengths(origin, step_x, step_y, out):  # type: ignore[no-untyped-def]
    """Fills `out` (rows, columns) with mm from the source to each pixel."""
    for row in range(out.shape[0]):
        for column in range(out.shape[1]):
            x = origin[0] + column * step_x[0] + row * step_y[0]
            y = origin[1] + column * step_x[1] + row * step_y[1]
            z = origin[2] + column * step_x[2] + row * step_y[2]
            out[row, column] = np.sqrt(x * x + y * y + z * z)
    return 0


@compiled
def _taken(total, rays, out):  # type: ignore[no-untyped-def]
    """One row of `lengths`."""
    covered, below = 0, 0
    for n in range(out.shape[0]):
        share = total[n]
        total[n] = 0
        covered += share != 0
        below += share < -ROUNDING
        out[n] = max(share, 0) * (2.0 / UNIT) * rays[n]
    return covered, below


@compiled
def lengths(total, rays, seen, out):  # type: ignore[no-untyped-def]
    """Fills `out`, zeros so far, with mm, nothing below 0, and clears `total`.

    Returns how many pixels are covered and how many of them were below 0.
    """
    rows, columns = total.shape
    left, right = seen[:, 0].min(), seen[:, 0].max()
    top, bottom = seen[:, 1].min(), seen[:, 1].max()
    first, last = int(max(left, 0.0)), int(min(right, columns - 1.0)) + 1
    covered, below = 0, 0
    for row in range(int(max(top, 0.0)), int(min(bottom, rows - 1.0)) + 1):
        if first < last:
            more, under = _taken(
                total[row, first:last], rays[row, first:last], out[row, first:last]
            )
            covered += more
            below += under
    return covered, below


@compiled
def _area(vertices, faces):  # type: ignore[no-untyped-def]
    """Sum of the sizes of the faces' area vectors, and the largest coordinate of their sum.

    -1 and -1 where a face has a vertex that does not exist.
    """
    sx, sy, sz, whole = 0.0, 0.0, 0.0, 0.0
    for f in range(faces.shape[0]):
        i, j, k = faces[f, 0], faces[f, 1], faces[f, 2]
        if min(i, j, k) < 0 or max(i, j, k) >= vertices.shape[0]:
            return -1.0, -1.0
        ax, ay, az = vertices[i, 0], vertices[i, 1], vertices[i, 2]
        bx, by, bz = vertices[j, 0] - ax, vertices[j, 1] - ay, vertices[j, 2] - az
        cx, cy, cz = vertices[k, 0] - ax, vertices[k, 1] - ay, vertices[k, 2] - az
        x, y, z = by * cz - bz * cy, bz * cx - bx * cz, bx * cy - by * cx
        sx, sy, sz = sx + x, sy + y, sz + z
        whole += abs(x) + abs(y) + abs(z)
    return whole, max(abs(sx), abs(sy), abs(sz))


def checked(mesh: Mesh, name: str = "mesh") -> tuple[NDArray[np.float64], NDArray[np.int32]]:
    """Vertices and faces as contiguous arrays, safe for compiled code.

    Raises `Problem` for a surface that is not finite, refers to vertices it lacks, or is open
    (the area vectors of a closed surface add up to nothing).
    """
    vertices = np.ascontiguousarray(mesh.vertices, dtype=np.float64)
    faces = np.ascontiguousarray(mesh.faces, dtype=np.int32)
    again = "give one closed surface whose faces turn outward"
    if vertices.ndim != 2 or vertices.shape[1] != 3 or faces.ndim != 2 or faces.shape[1] != 3:
        raise Problem(name, f"arrays of {vertices.shape} and {faces.shape} are no mesh", again)
    whole, left_over = _area(vertices, faces)
    if whole < 0 or len(faces) == 0:
        raise Problem(name, "no faces, or faces with vertices that do not exist", again)
    if not np.isfinite(whole):
        raise Problem(name, "coordinates that are not finite numbers", again)
    if left_over > 1e-7 * whole:
        raise Problem(name, "the surface is not closed", again)
    return vertices, faces


def placed(
    vertices: NDArray[np.float64], camera: Camera, name: str = "mesh"
) -> NDArray[np.float64]:
    """(N, 3) of `project`.

    Raises `Problem` where a vertex is behind or too near the source, or far behind the receptor.
    """
    seen = np.empty_like(vertices)
    near, far = project(vertices, np.ascontiguousarray(camera.matrix), seen)
    if not NEAREST < near <= far < FARTHEST:
        raise Problem(
            name,
            f"reaches to {near:.2f} of the distance from source to receptor",
            f"keep every surface between {NEAREST} and {FARTHEST} of it",
        )
    return seen


def handedness(camera: Camera) -> float:
    """1.0, or -1.0 where the film is a mirror image."""
    basis = np.stack([camera.step_x, camera.step_y, camera.origin - camera.source])
    return 1.0 if np.linalg.det(basis) > 0 else -1.0


def path_lengths(mesh: Mesh, camera: Camera, name: str = "mesh") -> NDArray[np.float32]:
    """(rows, columns) mm of each pixel's ray inside one closed surface.

    Parts of the surface beyond the film's edge are left out. Where it runs through itself, a
    fold turned inside out counts as nothing. Raises `Problem` as `checked` and `placed` do, and
    where more than a tenth of what is covered is inside out.
    """
    return _all_lengths([(name, mesh)], camera)[0]


def _all_lengths(meshes: Sequence[tuple[str, Mesh]], camera: Camera) -> NDArray[np.float32]:
    """(M, rows, columns) of `path_lengths` for meshes with names."""
    shape = (camera.rows, camera.columns)
    total, rays = np.zeros(shape, np.int32), np.empty(shape)
    ray_lengths(camera.origin - camera.source, camera.step_x, camera.step_y, rays)
    handed = handedness(camera)
    out = np.zeros((len(meshes), *shape), np.float32)
    for (name, mesh), film in zip(meshes, out, strict=True):
        vertices, faces = checked(mesh, name)
        seen = placed(vertices, camera, name)
        add_triangles(seen, faces, handed, total)
        covered, below = lengths(total, rays, seen, film)
        if below > FOLDED * covered:
            raise Problem(
                name,
                "the surface is inside out or runs through itself",
                "give one closed surface whose faces turn outward",
            )
    return out


@dataclass(frozen=True)
class SignedDepthRasteriser:
    """The signed-depth rasteriser on one core of the CPU."""

    def path_lengths(self, meshes: Sequence[Mesh], camera: Camera) -> NDArray[np.float32]:
        """(len(meshes), rows, columns) mm of each pixel's ray inside each surface."""
        return _all_lengths([(f"mesh {n}", mesh) for n, mesh in enumerate(meshes)], camera)
