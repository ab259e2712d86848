"""A point source and a flat receptor: cone-beam projection (docs/explanation/conventions.md).

World coordinates are millimetres in any right-handed frame. Image coordinates are continuous
pixels of the stored matrix, x to the right and y down, the centre of the first pixel at (0, 0).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def unit(vector: Array) -> Array:
    """`vector` (..., 3) scaled to length 1 along its last axis."""
    vector = np.asarray(vector, dtype=np.float64)
    if vector.ndim == 1:
        return vector / np.sqrt(vector @ vector)
    return vector / np.linalg.norm(vector, axis=-1, keepdims=True)


def cross(a: Array, b: Array) -> Array:
    """(3,) cross product of two vectors; numpy's own takes twenty times as long for a pair."""
    return np.array(
        [a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]]
    )


@dataclass(frozen=True)
class Camera:
    """A point source in front of a flat grid of pixels.

    Attributes:
        source: (3,) mm, the focal spot.
        origin: (3,) mm, the centre of pixel (0, 0) on the receptor.
        step_x: (3,) mm, from one pixel's centre to the next column's.
        step_y: (3,) mm, from one pixel's centre to the next row's.
        rows, columns: size of the pixel matrix.
    """

    source: Array
    origin: Array
    step_x: Array
    step_y: Array
    rows: int
    columns: int

    @staticmethod
    def looking(
        *,
        source: Array,
        toward: Array,
        up: Array,
        sid: float,
        spacing: float,
        rows: int,
        columns: int,
        principal: tuple[float, float] | None = None,
    ) -> Camera:
        """Receptor at right angles to the central ray, `sid` mm from the source.

        Args:
            source: (3,) mm.
            toward: (3,) direction of the central ray, away from the source.
            up: (3,) world direction that points up (-y) on the film.
            sid: source to receptor, mm.
            spacing: pixel pitch at the receptor, mm.
            principal: (x, y) pixel hit by the central ray; the middle of the film by default.

        The film is seen as by someone looking from the source toward the receptor; what a
        viewer standing at the receptor sees is the mirror image (`mirrored`).
        """
        forward = unit(toward)
        right = unit(np.cross(forward, np.asarray(up, dtype=np.float64)))
        down = np.cross(forward, right)
        px, py = principal if principal is not None else ((columns - 1) / 2, (rows - 1) / 2)
        step_x, step_y = right * spacing, down * spacing
        origin = np.asarray(source, dtype=np.float64) + forward * sid - px * step_x - py * step_y
        return Camera(np.asarray(source, dtype=np.float64), origin, step_x, step_y, rows, columns)

    def mirrored(self) -> Camera:
        """The same beam with the film's columns in the opposite order (a mirror image)."""
        return Camera(
            self.source,
            self.origin + (self.columns - 1) * self.step_x,
            -self.step_x,
            self.step_y,
            self.rows,
            self.columns,
        )

    def cropped(self, x0: float, y0: float, rows: int, columns: int, zoom: float = 1.0) -> Camera:
        """The window whose first pixel's centre is at (x0, y0), pixels `1 / zoom` as large."""
        return Camera(
            self.source,
            self.origin + x0 * self.step_x + y0 * self.step_y,
            self.step_x / zoom,
            self.step_y / zoom,
            rows,
            columns,
        )

    @cached_property
    def matrix(self) -> Array:
        """(3, 4) projection matrix: homogeneous world mm to homogeneous pixels."""
        columns = np.stack([self.step_x, self.step_y, self.origin - self.source], axis=1)
        rotation = np.linalg.inv(columns)
        return np.concatenate([rotation, (-rotation @ self.source)[:, None]], axis=1)

    @cached_property
    def normal(self) -> Array:
        """(3,) unit normal of the receptor, pointing away from the source."""
        normal = unit(np.cross(self.step_x, self.step_y))
        return normal if normal @ (self.origin - self.source) > 0 else -normal

    @property
    def sid(self) -> float:
        """Distance from the source to the receptor's plane, mm."""
        return float(self.normal @ (self.origin - self.source))

    @property
    def principal(self) -> Array:
        """(2,) pixel at the foot of the perpendicular from the source."""
        foot = self.source + self.normal * self.sid - self.origin
        basis = np.stack([self.step_x, self.step_y], axis=1)
        xy: Array = np.linalg.lstsq(basis, foot, rcond=None)[0].astype(np.float64)
        return xy

    def project(self, points: Array) -> Array:
        """(..., 3) mm to (..., 2) pixels. Points must lie in front of the source."""
        p = self.matrix
        homogeneous = np.asarray(points, dtype=np.float64) @ p[:, :3].T + p[:, 3]
        return homogeneous[..., :2] / homogeneous[..., 2:]

    def depth(self, points: Array) -> Array:
        """(..., 3) mm to (...) mm from the source along the receptor's normal."""
        return (np.asarray(points, dtype=np.float64) - self.source) @ self.normal

    def pixel(self, xy: Array) -> Array:
        """(..., 2) pixels to their (..., 3) mm on the receptor."""
        xy = np.asarray(xy, dtype=np.float64)
        return self.origin + xy[..., :1] * self.step_x + xy[..., 1:] * self.step_y

    def ray(self, point: Array) -> Array:
        """(3,) unit vector of the ray through a world point, from source to receptor."""
        return unit(np.asarray(point, dtype=np.float64) - self.source)
