"""Vascular channels: the slanting lucent lines of nutrient canals in the cortex of a shaft."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from synthetic_data.physics.texture import BoneAxis

Map = NDArray[Any]

WIDTH_MM, LENGTH_MM = (0.8, 1.8), (15.0, 45.0)
"""A canal's width and length: common practice, no source."""


def channelled(
    cortical: Map,
    marrow: Map,
    bones: Mapping[str, Map],
    axes: Mapping[str, BoneAxis],
    rng: np.random.Generator,
    depth_mm: float,
) -> None:
    """Up to a few lines in every shaft, in place: what they lack of bone is soft.

    Args:
        cortical, marrow: (rows, columns) float32 mm of the whole film.
        bones: bone's name to its outer path, mm: lines end where it does.
        axes: bone's name to its axis; bones without a shaft have no lines.
        depth_mm: cortical bone that is missing in the middle of a line.
    """
    rows, columns = cortical.shape
    for name, axis in axes.items():
        if name not in bones or np.hypot(*axis.along) < 1e-6:
            continue
        across = np.array([-axis.along[1], axis.along[0]])
        for _ in range(rng.poisson(0.8)):
            height, aside = rng.uniform(0.6, 1.8), rng.normal(0, 0.08)
            slant = rng.choice((-1.0, 1.0)) * np.radians(rng.uniform(4, 22))
            length, width = rng.uniform(*LENGTH_MM), rng.uniform(*WIDTH_MM)
            bow = rng.normal(0, 0.06)
            middle = axis.joint + axis.width_px * (height * axis.along + aside * across)
            way = np.cos(slant) * axis.along + np.sin(slant) * across
            t = np.linspace(-0.5, 0.5, 24)[:, None] * length / axis.mm_per_px
            side = np.array([-way[1], way[0]])
            line = middle + t * way + bow * t**2 / (length / axis.mm_per_px) * side
            if not ((line >= 0) & (line < (columns, rows))).all(axis=1).any():
                continue
            layer: Map = np.zeros((rows, columns), np.uint8)
            pen = max(1, round(width / axis.mm_per_px))
            points = np.rint(line * 16).astype(np.int32)
            cv2.polylines(layer, [points], False, 255, pen, cv2.LINE_AA, 4)
            soft = max(0.3, 0.3 / axis.mm_per_px)
            layer = cv2.GaussianBlur(layer.astype(np.float32), (0, 0), soft)
            taken = layer * np.float32(depth_mm / 255.0) * (bones[name] > 0)
            np.minimum(taken, np.float32(0.6) * cortical, out=taken)
            cortical -= taken
            marrow += taken
