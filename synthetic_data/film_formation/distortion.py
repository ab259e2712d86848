"""Geometric distortion of an image intensifier, as a map that is exact in both directions.

The input screen of an image intensifier is curved and its picture is made flat by electron
optics: lengths grow toward the rim (pincushion). Its electrons are bent by magnetic fields, the
earth's among them: the rim is turned against the middle (S distortion). With z the complex
place relative to the middle of the field, in radii of it, and u = |z|^2, the map is

    z -> z (1 + pincushion u) exp(i twist u)

The form is the usual polynomial of lowest order; sizes: `drawing.py`. Beyond the field, where
nothing is shown, u is held, so that places far off the film stay sensible.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Map = NDArray[Any]

HELD = 1.5
"""Squared radii of the field from which the map's growth and turn are held."""


@dataclass(frozen=True)
class Distortion:
    """The map from where a place would fall without distortion to where it falls, in pixels.

    Attributes:
        centre: (x, y) of the field, pixels.
        radius: of the field, pixels.
        pincushion: relative growth of the radius at the rim, 0 or more.
        twist_deg: turn of the rim against the middle, + = clockwise on the film.
    """

    centre: tuple[float, float]
    radius: float
    pincushion: float
    twist_deg: float

    def forward(self, xy: Array) -> Array:
        """(..., 2) pixels without distortion to (..., 2) pixels of the film."""
        z = self._complex(xy)
        return self._pixels(z * self._gain(np.minimum(np.abs(z) ** 2, HELD)))

    def back(self, xy: Array) -> Array:
        """(..., 2) pixels of the film to (..., 2) pixels without distortion."""
        w = self._complex(xy)
        far = np.abs(w)
        held = 1.0 + self.pincushion * HELD
        # Newton's method for r (1 + pincushion r^2) = far; convex, from above: no overshoot.
        r = far.copy() if isinstance(far, np.ndarray) else np.asarray(far)
        for _ in range(8):
            r = r - (r * (1 + self.pincushion * r * r) - far) / (1 + 3 * self.pincushion * r * r)
        r = np.where(far >= held * np.sqrt(HELD), far / held, r)
        return self._pixels(w / self._gain(np.minimum(r * r, HELD)))

    def jacobian(self, xy: Array) -> Array:
        """(..., 2, 2) derivatives of `forward` at (..., 2) pixels without distortion."""
        z = self._complex(xy)
        u = np.minimum(np.abs(z) ** 2, HELD)
        gain = self._gain(u)
        turn = np.exp(1j * np.deg2rad(self.twist_deg) * u)
        slope = self.pincushion * turn + 1j * np.deg2rad(self.twist_deg) * gain
        slope = np.where(u < HELD, slope, 0.0)
        # d(z gain(u)) = gain dz + z slope du, and du = 2 (x dx + y dy).
        dx = gain + z * slope * 2 * z.real
        dy = 1j * gain + z * slope * 2 * z.imag
        return np.stack(
            [np.stack([dx.real, dy.real], axis=-1), np.stack([dx.imag, dy.imag], axis=-1)], axis=-2
        )

    def directions(self, xy: Array, vectors: Array) -> Array:
        """(..., 2) film directions at `xy` as they are on the distorted film, unit length."""
        moved = (self.jacobian(xy) @ np.asarray(vectors)[..., None])[..., 0]
        return moved / np.linalg.norm(moved, axis=-1, keepdims=True)

    def normals(self, xy: Array, normals: Array) -> Array:
        """(..., 2) unit normals of outlines through `xy` on the distorted film; zeros stay."""
        turned = np.linalg.inv(np.swapaxes(self.jacobian(xy), -1, -2))
        moved = (turned @ np.asarray(normals)[..., None])[..., 0]
        size = np.linalg.norm(moved, axis=-1, keepdims=True)
        return moved / np.where(size > 0, size, 1.0)

    def picture(self, signal: Map) -> Map:
        """(rows, columns) float32 above 0, distorted."""
        rows, columns = signal.shape
        # Where each pixel comes from is smooth: every fourth is worked out, the rest between.
        x = np.arange(0, columns + 4, 4, dtype=np.float64)
        y = np.arange(0, rows + 4, 4, dtype=np.float64)
        coarse = self.back(np.stack(np.meshgrid(x, y), axis=-1)).astype(np.float32)
        grid = np.meshgrid(
            np.arange(columns, dtype=np.float32) / 4, np.arange(rows, dtype=np.float32) / 4
        )
        source = cv2.remap(coarse, grid[0], grid[1], cv2.INTER_LINEAR)
        out = cv2.remap(
            signal,
            source[..., 0],
            source[..., 1],
            cv2.INTER_CUBIC,
            borderMode=cv2.BORDER_REFLECT,
        )
        # Cubic interpolation may overshoot at hard edges.
        return np.maximum(out, signal.min())

    def _gain(self, u: Any) -> Any:
        return (1.0 + self.pincushion * u) * np.exp(1j * np.deg2rad(self.twist_deg) * u)

    def _complex(self, xy: Array) -> NDArray[np.complex128]:
        xy = np.asarray(xy, dtype=np.float64)
        z: NDArray[np.complex128] = (xy[..., 0] - self.centre[0]) + 1j * (
            xy[..., 1] - self.centre[1]
        )
        return z / self.radius

    def _pixels(self, z: Any) -> Array:
        z = z * self.radius
        return np.stack([z.real + self.centre[0], z.imag + self.centre[1]], axis=-1)
