"""A spheroid seen by a cone beam: the ellipse that its shadow's edge is.

The edge of a quadric's projection is a conic, and the dual of that conic is the projection of the
dual quadric: C* = P Q* P^T (Hartley & Zisserman, Multiple View Geometry, 2nd ed. 2004, section
8.3). Exact, magnification and off-axis stretch included.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.knee.camera import unit

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Ellipse:
    """`centre` (2,) pixels and `shape` (2, 2): (x - c)^T shape^-1 (x - c) = 1 on its edge."""

    centre: Array
    shape: Array

    def points(self, count: int = 72) -> Array:
        """(count, 2) pixels along its edge."""
        turn = np.linspace(0.0, 2 * np.pi, count, endpoint=False)
        circle = np.stack([np.cos(turn), np.sin(turn)])
        edge: Array = self.centre + (np.linalg.cholesky(self.shape) @ circle).T
        return edge

    def holds(self, xy: Array) -> bool:
        """Whether the point `xy`, (2,) pixels, lies inside."""
        off = np.asarray(xy, dtype=np.float64) - self.centre
        return bool(off @ np.linalg.solve(self.shape, off) <= 1.0)


@dataclass(frozen=True)
class Spheroid:
    """A body of revolution about its own axis, all in mm.

    Attributes:
        centre: (3,); axis: (3,) unit.
        along: semi-axis along `axis`; across: at right angles to it.
    """

    centre: Array
    axis: Array
    along: float
    across: float

    @staticmethod
    def at_tip(
        tip: Array, ahead: Array, *, width: float, length: float, projection: float
    ) -> Spheroid:
        """The spheroid of a lesion about an instrument's tip.

        Args:
            tip: (3,) mm.
            ahead: (3,) the way the instrument points, from its shaft through its tip.
            width, length: whole extents, mm.
            projection: how far it reaches beyond the tip, mm.
        """
        axis = unit(ahead)
        centre = np.asarray(tip, dtype=np.float64) + (projection - length / 2) * axis
        return Spheroid(centre, axis, length / 2, width / 2)

    @property
    def dual(self) -> Array:
        """(4, 4) dual quadric: planes p with p^T Q* p = 0 touch it."""
        spread = self.across**2 * np.eye(3) + (self.along**2 - self.across**2) * np.outer(
            self.axis, self.axis
        )
        q = np.empty((4, 4))
        q[:3, :3] = spread - np.outer(self.centre, self.centre)
        q[:3, 3] = q[3, :3] = -self.centre
        q[3, 3] = -1.0
        return q


def shadow(spheroid: Spheroid, matrix: Array) -> Ellipse:
    """The edge of a spheroid's shadow.

    Args:
        matrix: (3, 4) projection from mm to pixels (`Camera.matrix`); the whole spheroid lies in
            front of the source.
    """
    dual = matrix @ spheroid.dual @ matrix.T
    dual = dual / -dual[2, 2]
    centre = -dual[:2, 2]
    return Ellipse(centre, dual[:2, :2] + np.outer(centre, centre))


def film_matrix(mm_per_px: float, source_mm: float, principal: Array) -> Array:
    """(3, 4) projection of a film whose camera is known by its scale and distance alone.

    World axes are the film's: x and y in mm at the knee from the film's first pixel, z in mm away
    from the source, 0 in the plane in which `mm_per_px` holds.

    Args:
        source_mm: source to knee.
        principal: (2,) pixel hit by the central ray.
    """
    p = np.asarray(principal, dtype=np.float64)
    matrix = np.zeros((3, 4))
    matrix[0] = [source_mm / mm_per_px, 0.0, p[0], 0.0]
    matrix[1] = [0.0, source_mm / mm_per_px, p[1], 0.0]
    matrix[2] = [0.0, 0.0, 1.0, source_mm]
    # (x, y) counts from the first pixel: at z = 0 pixel = (x, y) / mm_per_px.
    return matrix
