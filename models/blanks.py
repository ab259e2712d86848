"""Pictures that are no knee: drawn here, so the locator learns to say so."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.knee.film import Film
from pipeline.knee.truth import LabelledFilm


def blank_film(rng: np.random.Generator, side: int = 400) -> LabelledFilm:
    """A film without a knee: noise, gradients, letters, blobs, rods or clutter."""
    rows, columns = (int(side * rng.uniform(0.5, 1.0)) for _ in range(2))
    kinds = [_noise, _gradient, _letters, _blobs, _rods, _clutter]
    picture = kinds[int(rng.integers(len(kinds)))](rng, rows, columns)
    if rng.random() < 0.5:
        other = kinds[int(rng.integers(len(kinds)))](rng, rows, columns)
        picture = picture + rng.uniform(0.2, 1.0) * other
    picture = picture - picture.min()
    picture = picture / max(float(picture.max()), 1e-6)
    film = Film(picture.astype(np.float32), source="blank", sha256="0" * 64)
    return LabelledFilm(film, ())


def _noise(rng: np.random.Generator, rows: int, columns: int) -> NDArray[Any]:
    """Smooth noise of random graininess."""
    grain = int(rng.integers(2, 60))
    coarse = rng.random((max(rows // grain, 2), max(columns // grain, 2)))
    return cv2.resize(coarse, (columns, rows), interpolation=cv2.INTER_CUBIC)


def _gradient(rng: np.random.Generator, rows: int, columns: int) -> NDArray[Any]:
    """A ramp or a vignette."""
    y, x = np.mgrid[0:rows, 0:columns] / max(rows, columns)
    a, b = rng.uniform(-1, 1, 2)
    return a * x + b * y if rng.random() < 0.5 else -((x - abs(a)) ** 2) - (y - abs(b)) ** 2


def _letters(rng: np.random.Generator, rows: int, columns: int) -> NDArray[Any]:
    """Lines of writing."""
    picture = np.zeros((rows, columns), np.uint8)
    for _ in range(int(rng.integers(1, 14))):
        text = "".join(chr(int(c)) for c in rng.integers(48, 123, int(rng.integers(1, 16))))
        at = (int(rng.integers(columns)), int(rng.integers(rows)))
        size = float(rng.uniform(0.4, 3.0))
        grey = int(rng.integers(60, 256))
        cv2.putText(picture, text, at, cv2.FONT_HERSHEY_SIMPLEX, size, grey, 2)
    return picture / 255.0


def _blobs(rng: np.random.Generator, rows: int, columns: int) -> NDArray[Any]:
    """Overlapping soft ellipses."""
    picture = np.zeros((rows, columns))
    for _ in range(int(rng.integers(1, 12))):
        layer = np.zeros((rows, columns))
        at = (int(rng.integers(columns)), int(rng.integers(rows)))
        axes = tuple(int(v) for v in rng.integers(8, max(rows, columns) // 3, 2))
        cv2.ellipse(layer, at, axes, float(rng.uniform(0, 180)), 0, 360, float(rng.random()), -1)
        picture += layer
    return cv2.GaussianBlur(picture, (0, 0), float(rng.uniform(0.5, 6.0)))


def _rods(rng: np.random.Generator, rows: int, columns: int) -> NDArray[Any]:
    """Long bright bars with bright edges: shafts without a joint."""
    picture = np.zeros((rows, columns))
    for _ in range(int(rng.integers(1, 5))):
        ends = [(int(rng.integers(columns)), int(rng.integers(rows))) for _ in range(2)]
        thick = int(rng.integers(6, max(rows, columns) // 6))
        level = float(rng.uniform(0.3, 1.0))
        layer = np.zeros((rows, columns))
        cv2.line(layer, ends[0], ends[1], level, thick)
        cv2.line(layer, ends[0], ends[1], level * float(rng.uniform(0.3, 1.0)), thick * 2 // 3)
        picture += layer
    return cv2.GaussianBlur(picture, (0, 0), float(rng.uniform(0.5, 3.0)))


def _clutter(rng: np.random.Generator, rows: int, columns: int) -> NDArray[Any]:
    """Rectangles and polygons of flat grey, as in a photograph of things."""
    picture = np.full((rows, columns), float(rng.random()))
    for _ in range(int(rng.integers(3, 25))):
        centre = rng.uniform(0, 1, 2) * [columns, rows]
        corners = centre + rng.normal(0, max(rows, columns) / 8, (int(rng.integers(3, 7)), 2))
        hull = cv2.convexHull(corners.astype(np.int32))
        cv2.fillPoly(picture, [hull], float(rng.random()))
    return picture + rng.normal(0, 0.03, picture.shape)
