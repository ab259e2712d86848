"""Which way an instrument points on the film, found from its shaft behind the tip.

A shaft is a thin straight line, denser than what lies beside it. Around the tip rays are drawn;
the one along which the film is densest against both its sides is the shaft.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

NEAR_MM = 2.0
FAR_MM = (22.0, 11.0)
"""Ends of the stretch of shaft that is looked at behind the tip: the shorter one where nothing is
found on the longer, because the shaft leaves the field or is seen nearly end on."""
BESIDE_MM = 2.2
"""From the shaft's middle to its sides: shafts are 1 to 2.2 mm thick (common practice)."""
LEAST_CONTRAST = 4.0
"""A line counts as found from this many standard deviations of all rays' contrast on."""
TURNS = 360


@dataclass(frozen=True)
class ShaftLine:
    """`ahead` (2,) unit film direction from the shaft through the tip; `contrast` of its ray, in
    standard deviations (by median) of the contrast of all rays."""

    ahead: Array
    contrast: float


def shaft_line(pixels: NDArray[np.float32], tip: Array, mm_per_px: float) -> ShaftLine | None:
    """The direction of the instrument whose tip is at `tip`; None where no shaft stands out.

    Args:
        pixels: (rows, columns), dense = bright.
        tip: (2,) pixels, x then y.
        mm_per_px: at the knee, to a tenth.
    """
    for far in FAR_MM:
        found = _along(pixels, np.asarray(tip, dtype=np.float64), mm_per_px, far)
        if found is not None:
            return found
    return None


def _along(
    pixels: NDArray[np.float32], tip: Array, mm_per_px: float, far_mm: float
) -> ShaftLine | None:
    """`shaft_line` over one stretch."""
    angles = np.arange(TURNS) * (2 * np.pi / TURNS)
    ray = np.stack([np.cos(angles), np.sin(angles)], axis=1)
    side = np.stack([-ray[:, 1], ray[:, 0]], axis=1)
    step = max(0.4, mm_per_px)
    along = np.arange(NEAR_MM, far_mm + 1e-9, step) / mm_per_px
    aside = np.array([0.0, BESIDE_MM, -BESIDE_MM]) / mm_per_px
    xy = (
        tip[None, None, None]
        + along[None, :, None, None] * ray[:, None, None]
        + aside[None, None, :, None] * side[:, None, None]
    )
    rows, columns = pixels.shape
    inside = ((xy >= 0) & (xy <= np.array([columns - 1, rows - 1]))).all(axis=(2, 3))
    grey = cv2.remap(
        np.asarray(pixels, dtype=np.float32),
        xy[..., 0].reshape(TURNS, -1).astype(np.float32),
        xy[..., 1].reshape(TURNS, -1).astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    ).reshape(TURNS, len(along), 3)
    # Denser than both sides: one edge of a bone is denser than one of them only.
    contrast = grey[..., 0] - grey[..., 1:].max(axis=2)
    contrast = np.where(inside, contrast, np.nan)
    known = inside.sum(axis=1) >= 0.5 * len(along)
    if not known.any():
        return None
    score = np.full(TURNS, -np.inf)
    # The lower quartile: what is dense on a part of the way only is no shaft.
    score[known] = np.nanpercentile(contrast[known], 25, axis=1)
    middle = float(np.median(score[known]))
    spread = 1.4826 * float(np.median(np.abs(score[known] - middle)))
    best = int(np.argmax(score))
    strength = (float(score[best]) - middle) / max(spread, 1e-6)
    if strength < LEAST_CONTRAST or score[best] <= 0:
        return None
    # The middle of the rays that share the shaft.
    near = (best + np.arange(-4, 5)) % TURNS
    weight = np.clip(score[near] - score[best] / 2, 0.0, None)
    angle = (
        angles[best] + float((weight * np.arange(-4, 5)).sum() / weight.sum()) * 2 * np.pi / TURNS
    )
    return ShaftLine(-np.array([np.cos(angle), np.sin(angle)]), strength)
