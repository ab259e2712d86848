"""Averages over films of training subjects: all that the baselines know.

Places are in W from the femur's origin in the oriented crop (`models.geometry.crop_transform`):
up is proximal, the knee's lateral side (on laterals the patella) lies to the left.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from models.geometry import EXTENT, Similarity, crop_transform
from pipeline.knee.landmarks import View, names_of

Array = NDArray[np.float64]
SHIPPED = Path(__file__).with_name("averages.npz")
VIEWS: tuple[View, ...] = ("AP", "lateral")
SIDE = 96
"""Rows and columns of the mean picture."""
WIDTH_MM = 79.0
"""Epicondylar width of an adult in the middle of men and women: 74.9 and 67.3 mm at a planned cut,
88.6 and 78.5 on dry bone (docs/reference/sources.md)."""


@dataclass(frozen=True)
class Averages:
    """Of one view.

    Attributes:
        places: (K, 2) W, in the order of `names_of`.
        spread: (K,) W, standard deviation of a landmark about its mean, both axes together.
        normals: (K, 2) mean outward normal of contour landmarks in the crop; zeros for fixed.
        picture: (SIDE, SIDE) mean of the normalised crops.
        angles, angle_sd: (3,) degrees: rotation, tilt, flexion.
        levers: (2, 2) of (rotation, tilt): sin(angle) = offset / lever + constant
            (`parallel_beam`).
        residual: (2,) degrees, standard deviation of what the formula leaves on these films with
            the landmarks of the classical detector.
    """

    places: Array
    spread: Array
    normals: Array
    picture: NDArray[np.float32]
    angles: Array
    angle_sd: Array
    levers: Array
    residual: Array


@cache
def averages(view: View) -> Averages:
    """Those that ship."""
    with np.load(SHIPPED, allow_pickle=False) as held:
        return Averages(**{name: held[f"{view}.{name}"] for name in Averages.__annotations__})


def placed(view: View, transform: Similarity) -> Array:
    """(K, 2) film pixels: the mean shape where `transform` puts it."""
    size = transform.size
    return transform.back(averages(view).places * (size / EXTENT) + (size - 1) / 2)


def at(centre: Array, up: Array, width_px: float, mirror: bool) -> Similarity:
    """The crop of a knee, the size of the mean picture.

    `centre`: (2,) pixels; `up`: (2,) unit film direction; `mirror`: left becomes right.
    """
    return crop_transform(centre, up, width_px, mirror, SIDE)


def box_of(centre: Array, width_px: float) -> tuple[float, float, float, float]:
    """x0, y0, x1, y1, pixels: 2 W on a side about `centre`, (2,) pixels."""
    (x, y), w = centre, width_px
    return float(x - w), float(y - w), float(x + w), float(y + w)


def to_right(up: Array, mirror: bool) -> bool:
    """Whether the lateral side lies toward larger x (`Detection.lateral_to_right`).

    `up`: (2,) unit film direction.
    """
    return bool(mirror != bool(up[1] > 0))


def count(view: View) -> int:
    """Landmarks of a view."""
    return len(names_of(view))
