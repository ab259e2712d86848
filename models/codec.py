"""Keypoints to heat maps and back, in numpy; `codec_torch` is the same for training.

A map has cells of `stride` x `stride` crop pixels; cell (i, j) covers the pixels whose centres
lie within it, so its own centre is at ((j + 0.5) stride - 0.5, (i + 0.5) stride - 0.5).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

WINDOW = 8
"""Cells on either side of a map's peak that count when a point is read from it."""


def to_cells(xy: NDArray[np.float64], stride: int) -> NDArray[np.float64]:
    """(..., 2) crop pixels to map coordinates."""
    return (xy + 0.5) / stride - 0.5


def to_pixels(xy: NDArray[np.float64], stride: int) -> NDArray[np.float64]:
    """(..., 2) map coordinates to crop pixels."""
    return (xy + 0.5) * stride - 0.5


def encode(
    xy: NDArray[np.float64], cells: int, stride: int, sigma: float = 1.0
) -> NDArray[np.float64]:
    """(K, 2) crop pixels to (K, cells, cells) maps, each a Gaussian that sums to 1.

    `sigma` is in cells. A point far off the map leaves its mass at the nearest border.
    """
    at = np.clip(to_cells(np.asarray(xy, dtype=np.float64), stride), -0.5, cells - 0.5)
    grid = np.arange(cells)
    across = np.exp(-0.5 * ((grid - at[:, :1]) / sigma) ** 2)
    down = np.exp(-0.5 * ((grid - at[:, 1:]) / sigma) ** 2)
    maps = down[:, :, None] * across[:, None, :]
    return maps / maps.sum(axis=(1, 2), keepdims=True)


def decode(logits: NDArray[np.float64], stride: int, window: int = WINDOW) -> NDArray[np.float64]:
    """(K, cells, cells) unnormalised log-probabilities to (K, 2) crop pixels.

    The mean of the softmax within `window` cells of its peak.
    """
    cells = logits.shape[-1]
    grid = np.arange(cells)
    points = np.empty((len(logits), 2))
    for k, logit in enumerate(np.asarray(logits, dtype=np.float64)):
        row, column = np.unravel_index(int(logit.argmax()), logit.shape)
        near = (np.abs(grid - row) <= window)[:, None] & (np.abs(grid - column) <= window)[None, :]
        p = np.where(near, np.exp(logit - logit.max()), 0.0)
        p /= p.sum()
        points[k] = (p.sum(axis=0) @ grid, p.sum(axis=1) @ grid)
    return to_pixels(points, stride)
