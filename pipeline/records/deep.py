"""Films as 16-bit grey pictures, for data sets, benchmarks and studies."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.knee.film import Film

FULL = 65535
"""The brightest level."""


def deep_levels(film: Film) -> NDArray[np.uint16]:
    """(rows, columns) levels, 0 = black."""
    return np.rint(np.clip(film.pixels, 0, 1) * np.float32(FULL)).astype(np.uint16)


def png16(levels: NDArray[np.uint16]) -> bytes:
    """(rows, columns) levels as a PNG file."""
    done, data = cv2.imencode(".png", levels, [cv2.IMWRITE_PNG_COMPRESSION, 3])
    if not done:
        raise RuntimeError("the PNG encoder refused a 16-bit grey picture")
    return data.tobytes()
