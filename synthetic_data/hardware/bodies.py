"""Closed bodies: tubes, ellipsoids, prisms, thick sheets; and rays through a bone.

Lengths mm. Faces are outward by the right hand; a hollow body carries its hollow as a second
surface turned inside out, so that path lengths through it count the wall alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from pipeline.knee.anatomy import Knee, Mesh
from synthetic_data.anatomy.geometry import unit

Array = NDArray[np.float64]
Ints = NDArray[np.int32]


def occupied(knee: Knee, kinds: Sequence[str] = ("implant", "hardware")) -> bool:
    """Whether the knee already holds a solid of such a kind."""
    return any(solid.kind in kinds for solid in knee.solids.values())


def joined(meshes: Sequence[Mesh]) -> Mesh:
    """Several closed surfaces as one."""
    start = np.cumsum([0] + [len(m.vertices) for m in meshes[:-1]])
    return Mesh(
        np.concatenate([m.vertices for m in meshes]),
        np.concatenate([m.faces + k for m, k in zip(meshes, start, strict=True)]).astype(np.int32),
    )


def hollow(outer: Mesh, inner: Mesh) -> Mesh:
    """`outer` with the room of `inner`, which lies inside it, taken out."""
    return joined([outer, Mesh(inner.vertices, inner.faces[:, ::-1])])


@lru_cache(maxsize=256)
def _rings(count: int, around: int) -> Ints:
    """Faces of `count` rings of `around` vertices each with a pole at either end.

    Vertices: first pole, rings in order, last pole. Outward where rings turn anticlockwise
    seen from ahead of the walk.
    """
    k = np.arange(around)
    n = (k + 1) % around
    last = count * around + 1
    parts = [np.stack([np.zeros_like(k), 1 + n, 1 + k], axis=1)]
    for i in range(count - 1):
        a, b = 1 + i * around, 1 + (i + 1) * around
        parts += [
            np.stack([a + k, a + n, b + n], axis=1),
            np.stack([a + k, b + n, b + k], axis=1),
        ]
    a = 1 + (count - 1) * around
    parts.append(np.stack([a + k, a + n, np.full_like(k, last)], axis=1))
    faces = np.concatenate(parts).astype(np.int32)
    faces.setflags(write=False)
    return faces


def _outward(mesh: Mesh) -> Mesh:
    """The same closed surface with its faces turned outward."""
    a, b, c = (mesh.vertices[mesh.faces[:, i]] - mesh.vertices[0] for i in range(3))
    volume = np.einsum("ij,ij->", a, np.cross(b, c))
    return mesh if volume > 0 else Mesh(mesh.vertices, mesh.faces[:, ::-1].copy())


def tube(line: Array, radii: Array | float, around: int = 12) -> Mesh:
    """A round body along a line.

    Args:
        line: (N, 3) its middle; bends must be gentler than its radius.
        radii: (N,) or one for all.
    """
    line = np.asarray(line, dtype=np.float64)
    size = np.broadcast_to(np.asarray(radii, dtype=np.float64), (len(line),))
    ahead = unit(np.gradient(line, axis=0))
    if np.abs(ahead - ahead[0]).max() < 1e-9:
        ahead[:] = ahead[0]
    side = np.eye(3)[int(np.argmin(np.abs(ahead[0])))]
    angles = 2 * np.pi * np.arange(around) / around
    sides = np.empty_like(line)
    for i, direction in enumerate(ahead):
        # Carried along, so that rings do not twist against one another.
        if i == 0 or not np.array_equal(direction, ahead[i - 1]):
            side = side - (side @ direction) * direction
            side = side / np.sqrt(side @ side)
        sides[i] = side
    round_ = np.stack([np.cos(angles), np.sin(angles)], axis=1) @ np.stack(
        [sides, np.cross(ahead, sides)], axis=1
    )
    rings = line[:, None] + size[:, None, None] * round_
    vertices = np.concatenate([line[:1], rings.reshape(-1, 3), line[-1:]])
    return _outward(Mesh(vertices, _rings(len(line), around)))


def rod(start: Array, end: Array, radius: float, around: int = 12) -> Mesh:
    """A cylinder from `start` to `end`, (3,) mm each."""
    return tube(np.stack([start, end]), radius, around)


def pipe(line: Array, outer: float, inner: float, around: int = 12) -> Mesh:
    """A tube along `line`, (n, 3) mm, with a hollow of radius `inner` nearly all its length."""
    line = np.asarray(line, dtype=np.float64)
    room = line.copy()
    room[0] += 0.01 * (line[1] - line[0])
    room[-1] += 0.01 * (line[-2] - line[-1])
    return hollow(tube(line, outer, around), tube(room, inner, around))


def screw(head: Array, tip: Array, radius: float, thread: tuple[float, float] = (0.0, 1.0)) -> Mesh:
    """A bone screw with its head's top at `head`.

    Args:
        head, tip: (3,) mm.
        radius: of the thread's crests, mm; the core has three quarters of it.
        thread: from and to which share of the length it is threaded.
    """
    length = float(np.linalg.norm(tip - head))
    ahead = (tip - head) / length
    s = np.concatenate([[0.0, 2.5, 4.0], np.arange(4.8, length - 2.0, 0.9), [length]])
    core = 0.75 * radius
    threaded = (s > thread[0] * length) & (s < thread[1] * length) & (np.arange(len(s)) % 2 == 1)
    size = np.where(threaded, radius, core)
    size[:3] = [1.55 * radius, 1.55 * radius, core]
    size[-1] = 0.2 * radius
    return tube(head + s[:, None] * ahead, size, 8)


def ellipsoid(centre: Array, radii: Sequence[float] | Array, axes: Array | None = None) -> Mesh:
    """About 380 triangles.

    Args:
        centre: (3,) mm.
        radii: mm, along the three `axes` (rows, (3, 3)); the world's by default.
    """
    return lump(centre, radii, axes, None)


def lump(
    centre: Array,
    radii: Sequence[float] | Array,
    axes: Array | None,
    rng: np.random.Generator | None,
) -> Mesh:
    """An ellipsoid with smooth random knobs, drawn from `rng` (none: smooth).

    Every point of it is in view of its middle, so it cannot run through itself. Arguments as of
    `ellipsoid`.
    """
    count, around = 12, 16
    up = np.pi * (np.arange(count) + 1) / (count + 1)
    turn = 2 * np.pi * np.arange(around) / around
    ring = np.stack(
        [
            np.sin(up)[:, None] * np.cos(turn),
            np.sin(up)[:, None] * np.sin(turn),
            np.repeat(np.cos(up)[:, None], around, axis=1),
        ],
        axis=-1,
    )
    ball = np.concatenate([[[0, 0, 1.0]], ring.reshape(-1, 3), [[0, 0, -1.0]]])
    if rng is not None:
        size = np.ones(len(ball))
        for _ in range(7):
            knob = unit(rng.normal(size=3))
            size += rng.uniform(-0.25, 0.4) * np.exp(3.5 * (ball @ knob - 1))
        ball = ball * np.clip(size, 0.5, None)[:, None]
    frame = np.eye(3) if axes is None else axes
    return _outward(Mesh(centre + (ball * np.asarray(radii)) @ frame, _rings(count, around)))


def prism(outline: Array, low: Array, high: Array) -> Mesh:
    """The body between an outline moved by `low` and moved by `high`.

    Args:
        outline: (N, 3) in order, every point in view of its mean.
        low, high: (3,) shifts.
    """
    middle = outline.mean(axis=0)
    vertices = np.concatenate([[middle + low], outline + low, outline + high, [middle + high]])
    return _outward(Mesh(vertices, _rings(2, len(outline))))


def sheet(outer: Array, inner: Array, cells: NDArray[np.bool_]) -> Mesh:
    """A thick sheet between two grids, with walls where its cells end.

    Args:
        outer, inner: (I, J, 3) grids that never meet.
        cells: (I - 1, J - 1) which cells are there; none may touch at a corner only.
    """
    rows, columns = cells.shape
    index = np.arange((rows + 1) * (columns + 1), dtype=np.int64).reshape(rows + 1, columns + 1)
    a, b = index[:-1, :-1][cells], index[1:, :-1][cells]
    c, d = index[1:, 1:][cells], index[:-1, 1:][cells]
    top = np.concatenate([np.stack([a, b, c], axis=1), np.stack([a, c, d], axis=1)])
    shift = index.size
    edges = np.concatenate([top[:, [0, 1]], top[:, [1, 2]], top[:, [2, 0]]])
    # An edge of one cell only is a border: its reverse is nowhere.
    code = edges[:, 0] * shift + edges[:, 1]
    border = edges[~np.isin(code, edges[:, 1] * shift + edges[:, 0])]
    p, q = border[:, 0], border[:, 1]
    walls = np.concatenate(
        [np.stack([p, p + shift, q], axis=1), np.stack([q, p + shift, q + shift], axis=1)]
    )
    faces = np.concatenate([top, top[:, ::-1] + shift, walls])
    used, packed = np.unique(faces, return_inverse=True)
    both = np.concatenate([outer.reshape(-1, 3), inner.reshape(-1, 3)])
    return _outward(Mesh(both[used], packed.reshape(-1, 3).astype(np.int32)))


def crossings(mesh: Mesh, start: Array, direction: Array) -> Array:
    """(K,) mm along a ray from `start` (both ways) at which it crosses a surface, in order.

    After Moller & Trumbore 1997.
    """
    helper = np.eye(3)[int(np.argmin(np.abs(direction)))]
    across = np.cross(direction, helper)
    s = start - mesh.vertices
    # A face that the ray meets has corners on both sides of any plane through the ray.
    left, below = s @ across > 0, s @ np.cross(direction, across) > 0
    faces = mesh.faces
    for side in (left, below):
        corner = side[faces[:, 0]]
        faces = faces[(side[faces[:, 1]] != corner) | (side[faces[:, 2]] != corner)]
    a = mesh.vertices[faces[:, 0]]
    e, g = mesh.vertices[faces[:, 1]] - a, mesh.vertices[faces[:, 2]] - a
    p = np.cross(direction, g)
    det = np.einsum("ij,ij->i", e, p)
    safe = np.where(np.abs(det) < 1e-12, np.inf, det)
    s = start - a
    u = np.einsum("ij,ij->i", s, p) / safe
    q = np.cross(s, e)
    v = (q @ direction) / safe
    hit = (u >= 0) & (v >= 0) & (u + v <= 1) & np.isfinite(safe)
    return np.sort(np.einsum("ij,ij->i", g, q)[hit] / safe[hit])


def span(mesh: Mesh, start: Array, direction: Array) -> tuple[Array, Array] | None:
    """First and last point, (3,) mm, of a surface along a line, if it is met.

    The line goes through `start`, (3,) mm, both ways along `direction`, (3,) unit.
    """
    at = crossings(mesh, start, direction)
    return (start + at[0] * direction, start + at[-1] * direction) if len(at) >= 2 else None
