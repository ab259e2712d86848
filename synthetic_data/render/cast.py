"""How much of each pixel's ray lies inside each closed surface, by casting rays one at a time.

Another way to the same lengths, to test readings on films that the usual renderer had no part in:
where the rasteriser adds the depths of triangles to pixels, here each ray meets the triangles of
its tile (Moller & Trumbore 1997, J Graph Tools 2:21), its hits are sorted, and the stretches from
an odd to the next even hit are added up. Signs of faces are not used. A ray that grazes an edge and
counts an odd number of hits is moved by a ten-thousandth of a pixel. Several times slower.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.knee.anatomy import Mesh
from pipeline.knee.camera import Camera
from pipeline.knee.compiled import compiled
from synthetic_data.render.raster import checked

MOST = 64
"""Hits of one ray that are kept; a knee's surface gives a handful."""
TRIES = 4


@compiled
def _meet(direction, source, vertices, faces, listed, hits):  # type: ignore[no-untyped-def]
    """Fills `hits` with the distances at which a ray meets the listed faces; their number."""
    dx, dy, dz = direction
    count = 0
    for f in listed:
        i, j, k = faces[f, 0], faces[f, 1], faces[f, 2]
        ax, ay, az = vertices[i, 0], vertices[i, 1], vertices[i, 2]
        ux, uy, uz = vertices[j, 0] - ax, vertices[j, 1] - ay, vertices[j, 2] - az
        vx, vy, vz = vertices[k, 0] - ax, vertices[k, 1] - ay, vertices[k, 2] - az
        px, py, pz = dy * vz - dz * vy, dz * vx - dx * vz, dx * vy - dy * vx
        det = ux * px + uy * py + uz * pz
        if det == 0.0:
            continue
        sx, sy, sz = source[0] - ax, source[1] - ay, source[2] - az
        u = (sx * px + sy * py + sz * pz) / det
        if u < 0.0 or u > 1.0:
            continue
        qx, qy, qz = sy * uz - sz * uy, sz * ux - sx * uz, sx * uy - sy * ux
        v = (dx * qx + dy * qy + dz * qz) / det
        if v < 0.0 or u + v > 1.0:
            continue
        t = (vx * qx + vy * qy + vz * qz) / det
        if t > 0.0 and count < hits.shape[0]:
            hits[count] = t
            count += 1
    return count


@compiled
def _cast(origin, step_x, step_y, source, vertices, faces, starts, listed, tile, out):  # type: ignore[no-untyped-def]
    """Fills `out` (rows, columns) with mm inside; returns how many rays stayed at odds."""
    rows, columns = out.shape
    across = (columns + tile - 1) // tile
    hits = np.empty(MOST)
    odd = 0
    for row in range(rows):
        for column in range(columns):
            number = (row // tile) * across + column // tile
            own = listed[starts[number] : starts[number + 1]]
            if own.shape[0] == 0:
                continue
            count = 0
            for attempt in range(TRIES):
                nudge = attempt * 1e-4
                x = origin[0] + (column + nudge) * step_x[0] + (row + 0.7 * nudge) * step_y[0]
                y = origin[1] + (column + nudge) * step_x[1] + (row + 0.7 * nudge) * step_y[1]
                z = origin[2] + (column + nudge) * step_x[2] + (row + 0.7 * nudge) * step_y[2]
                x, y, z = x - source[0], y - source[1], z - source[2]
                size = np.sqrt(x * x + y * y + z * z)
                direction = (x / size, y / size, z / size)
                count = _meet(direction, source, vertices, faces, own, hits)
                if count % 2 == 0:
                    break
            odd += count % 2
            sorted_hits = np.sort(hits[:count])
            inside = 0.0
            for n in range(0, count - 1, 2):
                inside += sorted_hits[n + 1] - sorted_hits[n]
            out[row, column] = inside
    return odd


@compiled
def _tiles(low, high, across, down, tile, starts, listed):  # type: ignore[no-untyped-def]
    """Counts (with an empty `listed`) or lists the faces of each tile, by their boxes."""
    fill = starts.copy()
    for f in range(low.shape[0]):
        left, right = int(low[f, 0] // tile), int(high[f, 0] // tile)
        top, bottom = int(low[f, 1] // tile), int(high[f, 1] // tile)
        for j in range(max(top, 0), min(bottom, down - 1) + 1):
            for i in range(max(left, 0), min(right, across - 1) + 1):
                number = j * across + i
                if listed.shape[0] == 0:
                    starts[number + 1] += 1
                else:
                    listed[fill[number]] = f
                    fill[number] += 1
    return 0


@dataclass(frozen=True)
class RayCaster:
    """Casts a ray through each pixel's centre.

    Attributes:
        tile: side, pixels, of the squares for which faces are listed.
    """

    tile: int = 8

    def path_lengths(self, meshes: Sequence[Mesh], camera: Camera) -> NDArray[np.float32]:
        """(len(meshes), rows, columns) mm inside each. Raises `Problem` for an open surface."""
        out = np.zeros((len(meshes), camera.rows, camera.columns))
        across = -(-camera.columns // self.tile)
        down = -(-camera.rows // self.tile)
        for number, mesh in enumerate(meshes):
            vertices, faces = checked(mesh, f"mesh {number}")
            corners = camera.project(vertices)[faces]
            # a pixel's room about each box, for rays that are moved
            low, high = corners.min(axis=1) - 1.0, corners.max(axis=1) + 1.0
            starts = np.zeros(across * down + 1, dtype=np.int64)
            _tiles(low, high, across, down, self.tile, starts, np.zeros(0, dtype=np.int64))
            starts = np.cumsum(starts)
            listed = np.zeros(max(int(starts[-1]), 1), dtype=np.int64)
            _tiles(low, high, across, down, self.tile, starts, listed)
            _cast(
                camera.origin,
                camera.step_x,
                camera.step_y,
                camera.source,
                vertices,
                faces,
                starts,
                listed,
                self.tile,
                out[number],
            )
        return out.astype(np.float32)
