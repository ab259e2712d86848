"""Compiled loops over the faces of a surface, for `frames.py` and `outline.py`.

They import this module when they first cut a surface, so that importing the vocabulary costs
nothing and reading films never compiles anything.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.knee.compiled import compiled

Array = NDArray[np.float64]
Faces = NDArray[np.int32]


@compiled
def segments(
    vertices: Array, faces: Faces, height: Array, offsets: Array
) -> tuple[NDArray[np.intp], Array, Array]:
    """Where planes cut a surface: the plane of each segment (S,) and its ends (S, 3), (S, 3).

    Args:
        height: (N,) mm of each vertex along the planes' common normal.
        offsets: (P,) mm.

    The planes come in order, the faces in order within each, and all segments of a plane run
    the same way round.
    """
    planes = len(offsets)
    low, high = offsets.min(), offsets.max()
    count = np.zeros(planes + 1, np.intp)
    for f in range(len(faces)):
        a, b, c = height[faces[f, 0]], height[faces[f, 1]], height[faces[f, 2]]
        least, most = min(a, b, c), max(a, b, c)
        if most <= low or least > high:
            continue
        for p in range(planes):
            if least <= offsets[p] < most:
                count[p + 1] += 1
    first = np.cumsum(count)
    plane = np.empty(first[planes], np.intp)
    start = np.empty((first[planes], 3))
    end = np.empty((first[planes], 3))
    for f in range(len(faces)):
        a, b, c = height[faces[f, 0]], height[faces[f, 1]], height[faces[f, 2]]
        least, most = min(a, b, c), max(a, b, c)
        if most <= low or least > high:
            continue
        for p in range(planes):
            offset = offsets[p]
            if not least <= offset < most:
                continue
            above_a, above_b, above_c = a > offset, b > offset, c > offset
            alone = int(above_a) + int(above_b) + int(above_c) == 1
            # The corner that has its side of the plane to itself.
            lone = 0 if above_a == alone else (1 if above_b == alone else 2)
            i, j, k = faces[f, lone], faces[f, (lone + 1) % 3], faces[f, (lone + 2) % 3]
            if not alone:
                j, k = k, j
            h = height[i] - offset
            to_j = h / (h - (height[j] - offset))
            to_k = h / (h - (height[k] - offset))
            n = first[p]
            first[p] += 1
            plane[n] = p
            for x in range(3):
                start[n, x] = vertices[i, x] + to_j * (vertices[j, x] - vertices[i, x])
                end[n, x] = vertices[i, x] + to_k * (vertices[k, x] - vertices[i, x])
    return plane, start, end


@compiled
def extents(
    along: Array, across: Array, faces: Faces, heights: Array, least: Array, greatest: Array
) -> None:
    """Least and greatest `across` of a surface on lines of equal `along`, written into (H,).

    Args:
        along, across: (N,) film position of each vertex in the lines' own axes.
        heights: (H,) of the lines, in ascending order.
    """
    below = np.searchsorted(heights, along)
    for f in range(len(faces)):
        for corner in range(3):
            a, b = faces[f, corner], faces[f, (corner + 1) % 3]
            # Every edge of a closed surface is in two faces, once in each direction.
            if a > b or below[a] == below[b]:
                continue
            slope = (across[b] - across[a]) / (along[b] - along[a])
            for line in range(min(below[a], below[b]), max(below[a], below[b])):
                position = across[a] + (heights[line] - along[a]) * slope
                least[line] = min(least[line], position)
                greatest[line] = max(greatest[line], position)


@compiled
def centroids(
    vertices: Array, faces: Faces, height: Array, offsets: Array, basis: Array
) -> tuple[Array, Array]:
    """Centroids (P, 2) and signed areas (P,) of what planes cut out, in the planes' own axes.

    Args:
        basis: (3, 2) columns: two unit directions in the planes.
    """
    plane, start, end = segments(vertices, faces, height, offsets)
    planes = len(offsets)
    area, centroid = np.zeros(planes), np.zeros((planes, 2))
    origin = np.zeros((planes, 2))
    begun = np.zeros(planes, np.bool_)
    for n in range(len(plane)):
        p = plane[n]
        # Counted from a point of the outline: far from the world's origin digits would be lost.
        ax = ay = bx = by = 0.0
        for x in range(3):
            ax += start[n, x] * basis[x, 0]
            ay += start[n, x] * basis[x, 1]
            bx += end[n, x] * basis[x, 0]
            by += end[n, x] * basis[x, 1]
        if not begun[p]:
            begun[p] = True
            origin[p, 0], origin[p, 1] = ax, ay
        ax, bx = ax - origin[p, 0], bx - origin[p, 0]
        ay, by = ay - origin[p, 1], by - origin[p, 1]
        twice = ax * by - ay * bx
        area[p] += twice / 2
        centroid[p, 0] += (ax + bx) * twice / 6
        centroid[p, 1] += (ay + by) * twice / 6
    for p in range(planes):
        if area[p] != 0:
            centroid[p] = centroid[p] / area[p] + origin[p]
    return centroid, area
