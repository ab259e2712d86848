"""From polynomial patches to closed triangle surfaces whose vertices are linear in the nodes.

A vertex is a point in a patch's local coordinates, so its position is a fixed row of basis
values times the bone's nodes: one matrix per bone, the same triangles for every person.
Edges are halved until none is longer than wanted (measured on the mean shape); an edge is
halved in all triangles that share it, so no gap can open.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from synthetic_data.anatomy.shape_data import ELEMENTS, Topology, basis, node_positions

Array = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Surface:
    """Triangles over patches.

    Attributes:
        faces: (F, 3) vertex indices.
        matrix: (vertices, nodes) sparse, nodes to vertices.
    """

    faces: Ints
    matrix: sparse.csr_matrix


@dataclass
class _Draft:
    faces: Ints  # (F, 3)
    patch: Ints  # (F,)
    local: Array  # (F, 3, 2) local coordinates of each corner in the triangle's own patch
    vertices: Array  # (V, 3) on the mean shape
    owner: Ints  # (V,) a patch that holds the vertex
    at: Array  # (V, 2) its local coordinates there


def triangulate(
    topology: Topology, mean: Array, keep: Ints, wanted: Callable[[Array], Array], rounds: int = 6
) -> Surface:
    """Triangles over the patches `keep`, holes left by the other patches closed by a flat fan.

    Args:
        topology, mean: patches and (nodes, 3) mm of the mean shape.
        keep: indices of the patches to use.
        wanted: (n, 3) mm positions to (n,) mm, the longest edge wanted there.
        rounds: at most this many halvings of an edge.
    """
    draft = _first_draft(topology, mean, keep)
    for _ in range(rounds):
        if not _halve(draft, topology, mean, wanted):
            break
    used, faces = np.unique(draft.faces, return_inverse=True)
    faces = faces.reshape(-1, 3)
    matrix = _matrix(topology, draft.owner[used], draft.at[used], len(mean))
    vertices = draft.vertices[used]
    for loop in boundary_loops(faces):
        # The cap's centre is the mean of the rim: linear as well.
        centre = sparse.csr_matrix(np.asarray(matrix[loop].mean(axis=0)))
        matrix = sparse.vstack([matrix, centre]).tocsr()
        vertices = np.vstack([vertices, vertices[loop].mean(axis=0)])
        faces = np.vstack(
            [faces, np.stack([np.roll(loop, -1), loop, np.full(len(loop), len(vertices) - 1)], 1)]
        )
    return Surface(outward(vertices, faces), matrix)


def _first_draft(topology: Topology, mean: Array, keep: Ints) -> _Draft:
    faces, patch, local = [], [], []
    owner = np.full(len(mean), -1)
    at = np.zeros((len(mean), 2))
    for element in keep:
        kind, nodes = topology.kinds[element], topology.nodes[element]
        own = node_positions(kind)
        for triangle in _grid(kind):
            faces.append(nodes[triangle])
            patch.append(element)
            local.append(own[triangle])
        owner[nodes], at[nodes] = element, own
    return _Draft(np.array(faces), np.array(patch), np.array(local), mean.copy(), owner, at)


def _grid(kind: str) -> list[list[int]]:
    """Triangles over the nodes of one element type, counter-clockwise in local coordinates."""
    shape, p, q = ELEMENTS[kind]
    out = []
    if shape == "quad":
        for j in range(q):
            for i in range(p):
                a = j * (p + 1) + i
                b, c, d = a + 1, a + p + 2, a + p + 1
                # Alternate diagonals, so that no direction is favoured.
                out += [[a, b, c], [a, c, d]] if (i + j) % 2 else [[a, b, d], [b, c, d]]
        return out
    start = 0
    for j in range(p):
        width = p + 1 - j
        for i in range(width - 1):
            a, above = start + i, start + width + i
            out.append([a, a + 1, above])
            if i < width - 2:
                out.append([a + 1, above + 1, above])
        start += width
    return out


def _halve(
    draft: _Draft, topology: Topology, mean: Array, wanted: Callable[[Array], Array]
) -> bool:
    """Halves every edge that is too long; False where none was."""
    faces, count = draft.faces, len(draft.vertices)
    ends = np.sort(np.stack([faces, np.roll(faces, -1, axis=1)], axis=2), axis=2)  # edge k: k, k+1
    keys = ends[..., 0] * count + ends[..., 1]
    unique, first, inverse = np.unique(keys.ravel(), return_index=True, return_inverse=True)
    a, b = draft.vertices[unique // count], draft.vertices[unique % count]
    long = np.linalg.norm(a - b, axis=1) > wanted((a + b) / 2)
    if not long.any():
        return False
    new_index = np.full(len(unique), -1)
    new_index[long] = count + np.arange(long.sum())
    middle = (draft.local + np.roll(draft.local, -1, axis=1)) / 2
    face, corner = np.divmod(first[long], 3)
    owner, at = draft.patch[face], middle[face, corner]
    draft.owner, draft.at = np.append(draft.owner, owner), np.vstack([draft.at, at])
    added = _matrix(topology, owner, at, len(mean)) @ mean
    draft.vertices = np.vstack([draft.vertices, added])
    split = new_index[inverse.reshape(-1, 3)]
    new_faces, new_patch, new_local = [], [], []
    for pattern in range(8):
        rows = np.flatnonzero(((split >= 0) * np.array([1, 2, 4])).sum(axis=1) == pattern)
        if not len(rows):
            continue
        corners = np.concatenate([faces[rows], split[rows]], axis=1)  # 0 1 2 and middles 3 4 5
        places = np.concatenate([draft.local[rows], middle[rows]], axis=1)
        for triangle in _SPLITS[pattern]:
            new_faces.append(corners[:, triangle])
            new_local.append(places[:, triangle])
            new_patch.append(draft.patch[rows])
    draft.faces = np.concatenate(new_faces)
    draft.local, draft.patch = np.concatenate(new_local), np.concatenate(new_patch)
    return True


# Corners 0 1 2, middles 3 (0-1), 4 (1-2), 5 (2-0); which middles exist is the bit pattern.
_SPLITS: list[list[list[int]]] = [
    [[0, 1, 2]],
    [[0, 3, 2], [3, 1, 2]],
    [[0, 1, 4], [0, 4, 2]],
    [[3, 1, 4], [0, 3, 4], [0, 4, 2]],
    [[0, 1, 5], [5, 1, 2]],
    [[0, 3, 5], [3, 1, 5], [5, 1, 2]],
    [[5, 4, 2], [0, 1, 5], [1, 4, 5]],
    [[0, 3, 5], [3, 1, 4], [5, 4, 2], [3, 4, 5]],
]


def _matrix(topology: Topology, owner: Ints, at: Array, nodes: int) -> sparse.csr_matrix:
    rows, columns, values = [], [], []
    for element in np.unique(owner):
        mine = np.flatnonzero(owner == element)
        own = basis(topology.kinds[element], at[mine])
        values.append(own.ravel())
        rows.append(np.repeat(mine, own.shape[1]))
        columns.append(np.tile(topology.nodes[element], len(mine)))
    return sparse.csr_matrix(
        (np.concatenate(values), (np.concatenate(rows), np.concatenate(columns))),
        shape=(len(owner), nodes),
    )


def boundary_loops(faces: Ints) -> list[Ints]:
    """Closed chains of edges that belong to one triangle only, in the triangles' direction."""
    edges = np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]])
    there = {(int(a), int(b)) for a, b in edges}
    follows = {a: b for a, b in there if (b, a) not in there}
    loops = []
    while follows:
        start, here = follows.popitem()
        loop = [start]
        while here != start:
            loop.append(here)
            here = follows.pop(here)
        loops.append(np.array(loop))
    return loops


def outward(vertices: Array, faces: Ints) -> Ints:
    """The same (n, 3) faces of (m, 3) vertices, turned over if they enclosed a negative volume."""
    a, b, c = (vertices[faces[:, k]] for k in range(3))
    volume = np.einsum("ij,ij->", a, np.cross(b, c))
    return faces if volume > 0 else faces[:, ::-1].copy()


def components(topology: Topology) -> list[Ints]:
    """Groups of patches that hang together."""
    label = list(range(len(topology.nodes)))
    seen: dict[int, int] = {}

    def root(i: int) -> int:
        while label[i] != i:
            i = label[i]
        return i

    for element, nodes in enumerate(topology.nodes):
        for node in nodes:
            other = seen.setdefault(int(node), element)
            label[root(element)] = root(other)
    roots = np.array([root(i) for i in range(len(label))])
    return [np.flatnonzero(roots == r) for r in np.unique(roots)]
