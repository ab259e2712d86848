"""From the film to what a network sees, and back.

Coordinates are those of docs/explanation/conventions.md: continuous pixels, x right, y down, the
centre of the first pixel at (0, 0). A picture that is resized by s obeys x' = (x + 0.5) s - 0.5.
Training and reading both use these functions, so a network always meets the same pictures.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

EXTENT = 3.0
"""Side of a keypoint crop, in W (epicondylar width on the film)."""

STEPS = 16384
"""Grey values told apart when a picture is normalised."""

MIDDLE_GREY = 0.45
"""Where the median of tissue goes when a picture is normalised."""


@dataclass(frozen=True)
class Similarity:
    """A map from film pixels to the pixels of a square picture: turn, scale, shift, mirror.

    Attributes:
        matrix: (2, 3) float, film (x, y, 1) to picture (x, y).
        size: rows and columns of the picture.
    """

    matrix: Array
    size: int

    @property
    def scale(self) -> float:
        """Picture pixels per film pixel."""
        return float(np.sqrt(abs(np.linalg.det(self.matrix[:, :2]))))

    @property
    def mirrored(self) -> bool:
        return bool(np.linalg.det(self.matrix[:, :2]) < 0)

    @property
    def inverse_matrix(self) -> Array:
        """(2, 3) picture to film."""
        back = np.linalg.inv(self.matrix[:, :2])
        return np.concatenate([back, -back @ self.matrix[:, 2:]], axis=1)

    def forward(self, xy: Array) -> Array:
        """(..., 2) film pixels to picture pixels."""
        return np.asarray(xy, dtype=np.float64) @ self.matrix[:, :2].T + self.matrix[:, 2]

    def back(self, xy: Array) -> Array:
        """(..., 2) picture pixels to film pixels."""
        inverse = self.inverse_matrix
        return np.asarray(xy, dtype=np.float64) @ inverse[:, :2].T + inverse[:, 2]

    def direction_forward(self, vector: Array) -> Array:
        """(..., 2) unit directions on the film to unit directions on the picture."""
        return np.asarray(vector, dtype=np.float64) @ self.matrix[:, :2].T / self.scale

    def direction_back(self, vector: Array) -> Array:
        """(..., 2) unit directions on the picture to unit directions on the film."""
        inverse = self.inverse_matrix[:, :2]
        return np.asarray(vector, dtype=np.float64) @ inverse.T * self.scale

    def covariance_back(self, covariance: Array) -> Array:
        """(..., 2, 2) square picture pixels to square film pixels."""
        inverse = self.inverse_matrix[:, :2]
        return inverse @ np.asarray(covariance, dtype=np.float64) @ inverse.T


def crop_transform(
    centre: Array, up: Array, width_px: float, mirror: bool, size: int, extent: float = EXTENT
) -> Similarity:
    """The oriented crop of a knee: femoral shaft up, side `extent` W, `size` x `size` pixels.

    Args:
        centre: (2,) film pixels, goes to the middle of the crop.
        up: (2,) film direction that points up in the crop (proximal along the femur).
        width_px: W in film pixels.
        mirror: whether the crop is the film's mirror image.
    """
    up = np.asarray(up, dtype=np.float64)
    up = up / np.linalg.norm(up)
    right = np.array([-up[1], up[0]]) * (-1.0 if mirror else 1.0)
    linear = np.stack([right, -up]) * (size / (extent * width_px))
    shift = (size - 1) / 2 - linear @ np.asarray(centre, dtype=np.float64)
    return Similarity(np.concatenate([linear, shift[:, None]], axis=1), size)


def letterbox_transform(rows: int, columns: int, size: int) -> Similarity:
    """The whole film in the middle of a `size` x `size` picture, nothing cut off."""
    scale = size / max(rows, columns)
    # x' = (x + 0.5) s - 0.5, plus the margin that centres the shorter side
    shift = np.array([size - columns * scale, size - rows * scale]) / 2 + 0.5 * scale - 0.5
    return Similarity(np.array([[scale, 0.0, shift[0]], [0.0, scale, shift[1]]]), size)


def inside_film(transform: Similarity, rows: int, columns: int) -> NDArray[np.bool_]:
    """(size, size): whether each picture pixel's centre lies on the film."""
    edge = transform.size - 1.0
    corners = transform.back(np.array([[0.0, 0.0], [edge, 0.0], [0.0, edge], [edge, edge]]))
    if ((corners >= 0.0) & (corners <= [columns - 1.0, rows - 1.0])).all():
        return np.ones((transform.size, transform.size), dtype=bool)
    inverse = transform.inverse_matrix.astype(np.float32)
    grid = np.arange(transform.size, dtype=np.float32)
    x = inverse[0, 0] * grid[None, :] + (inverse[0, 1] * grid[:, None] + inverse[0, 2])
    y = inverse[1, 0] * grid[None, :] + (inverse[1, 1] * grid[:, None] + inverse[1, 2])
    return (x >= -0.5) & (x <= columns - 0.5) & (y >= -0.5) & (y <= rows - 0.5)


def resample(
    pixels: NDArray[np.float32], transform: Similarity, inside: NDArray[np.bool_] | None = None
) -> NDArray[np.float32]:
    """(size, size): what `transform` makes of a film, free of aliasing; 0 outside the film.

    `pixels`: (rows, columns) grey levels. `inside` is `inside_film`, where that is known already.
    Where the picture is coarser than the film, the part needed is first reduced by area to the
    picture's own scale; the turn is then interpolated linearly at that scale.
    """
    rows, columns = pixels.shape
    size, matrix = transform.size, transform.matrix
    edge = size - 0.5
    corners = transform.back(np.array([[-0.5, -0.5], [edge, -0.5], [-0.5, edge], [edge, edge]]))
    margin = 2.0 + 2.0 / transform.scale
    x0 = max(int(np.floor(corners[:, 0].min() - margin)), 0)
    y0 = max(int(np.floor(corners[:, 1].min() - margin)), 0)
    x1 = min(int(np.ceil(corners[:, 0].max() + margin)) + 1, columns)
    y1 = min(int(np.ceil(corners[:, 1].max() + margin)) + 1, rows)
    if x1 - x0 < 2 or y1 - y0 < 2:
        return np.zeros((size, size), dtype=np.float32)
    part: NDArray[Any] = pixels[y0:y1, x0:x1]
    linear = matrix[:, :2].copy()
    shift = matrix[:, 2] + linear @ np.array([x0, y0], dtype=np.float64)
    if transform.scale < 1.0:
        # Whole steps first: they are five times as fast, and what is left is small. At least
        # twice the picture's own scale is kept for the second reduction.
        step = int(0.5 / transform.scale)
        if step > 1 and min(part.shape) >= 2 * step:
            height, width = (n // step * step for n in part.shape)
            whole = part[:height, :width]
            part = cv2.resize(whole, (width // step, height // step), interpolation=cv2.INTER_AREA)
            shift = shift + linear @ np.full(2, 0.5 * step - 0.5)
            linear = linear * step
        height, width = part.shape
        rest = float(np.sqrt(abs(np.linalg.det(linear))))
        small_w, small_h = (max(round(n * rest), 1) for n in (width, height))
        part = cv2.resize(part, (small_w, small_h), interpolation=cv2.INTER_AREA)
        ratio = np.array([width / small_w, height / small_h])
        # film x = (small x + 0.5) ratio - 0.5
        shift = shift + linear @ (0.5 * ratio - 0.5)
        linear = linear * ratio[None, :]
    result = cv2.warpAffine(
        part,
        np.concatenate([linear, shift[:, None]], axis=1),
        (size, size),
        flags=cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    result[~(inside_film(transform, rows, columns) if inside is None else inside)] = 0.0
    return np.asarray(result, dtype=np.float32)


def normalise(picture: NDArray[np.float32], inside: NDArray[np.bool_]) -> NDArray[np.float32]:
    """Robust grey scale: (size, size) 0 to 1, from the 1st to the 99th percentile inside, then a
    power that brings the median of what is not background to `MIDDLE_GREY`.

    Values at the very ends of the film's scale (burnt borders, blanked boxes, collimated
    margins) do not count towards the percentiles unless they are nearly everything. Outside the
    film is 0. A picture without contrast becomes all 0.
    """
    values = picture[::2, ::2][inside[::2, ::2]]
    telling = values[(values > 0.004) & (values < 0.996)]
    if telling.size * 4 >= values.size and telling.size >= 16:
        values = telling
    if values.size < 16:
        return np.zeros_like(picture)
    low, high = np.percentile(values, (1.0, 99.0))
    if high - low < 1e-4:
        return np.zeros_like(picture)
    result = picture - np.float32(low)
    result *= np.float32(1.0 / (high - low))
    np.clip(result, 0.0, 1.0, out=result)
    tissue = np.clip((values - low) / (high - low), 0.0, 1.0)
    tissue = tissue[tissue > 0.1]
    middle = float(np.median(tissue)) if tissue.size else MIDDLE_GREY
    power = np.log(MIDDLE_GREY) / np.log(np.clip(middle, 0.01, 0.99))
    # by a table: a power of every pixel would take longer than all the rest
    curve = np.linspace(0.0, 1.0, STEPS, dtype=np.float32) ** np.float32(np.clip(power, 0.5, 4.0))
    result *= np.float32(STEPS - 1)
    result = np.asarray(curve[(result + np.float32(0.5)).astype(np.uint16)], dtype=np.float32)
    result[~inside] = 0.0
    return result


def normalise_bytes(picture: NDArray[np.uint8], inside: NDArray[np.bool_]) -> NDArray[np.uint8]:
    """`normalise` of a (rows, columns) picture of 256 grey values, by its histogram.

    The same to a grey value.
    """
    counts = np.bincount(picture[::2, ::2][inside[::2, ::2]], minlength=256)
    levels = np.arange(256)
    telling = np.where((levels > 1) & (levels < 254), counts, 0)
    if telling.sum() * 4 >= counts.sum() and telling.sum() >= 16:
        counts = telling
    if counts.sum() < 16:
        return np.zeros_like(picture)
    below = np.cumsum(counts)
    low, high = np.searchsorted(below, np.array([0.01, 0.99]) * (below[-1] - 1) + 1)
    if low == high:
        return np.zeros_like(picture)
    curve = np.clip((levels - low) / (high - low), 0.0, 1.0)
    below = np.cumsum(np.where(curve > 0.1, counts, 0))
    middle = MIDDLE_GREY
    if below[-1]:
        middle = float(curve[np.searchsorted(below, 0.5 * (below[-1] - 1) + 1)])
    power = np.log(MIDDLE_GREY) / np.log(np.clip(middle, 0.01, 0.99))
    curve = np.rint(255.0 * curve ** np.clip(power, 0.5, 4.0)).astype(np.uint8)
    result = np.asarray(cv2.LUT(picture, curve), dtype=np.uint8)
    result[~inside] = 0
    return result


def picture_of(pixels: NDArray[np.float32], transform: Similarity) -> NDArray[np.float32]:
    """What a network sees of a film: resampled and normalised, (size, size) float32, 0 to 1."""
    inside = inside_film(transform, *pixels.shape)
    return normalise(resample(pixels, transform, inside), inside)
