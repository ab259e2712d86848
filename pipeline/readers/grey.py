"""Stored values to a film's pixels: one grey channel, float32, 0 to 1. Pure functions."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.knee.errors import Problem

OUTLIERS = 0.0002
"""Share of pixels at either end that may be clipped where they stretch the range."""

STRETCH = 2.0
"""Clip only where the extremes make the range this many times as wide as the rest needs."""

TINT = 0.04
"""Channels that differ by less than this part of the range are one grey."""

SOME_COLOUR = 0.0005
MOSTLY_COLOUR = 0.2

SAMPLED = 16
"""One row in so many is asked first whether the extremes stretch the range at all."""

COUNTED = 1 << 24
"""Pixels counted at once: single precision counts so far without a gap."""

LUMINANCE = np.array([0.299, 0.587, 0.114], dtype=np.float32)
"""Weights of R, G, B (ITU-R BT.601)."""


def check_size(source: str, rows: int, columns: int, max_megapixels: float) -> None:
    """Raises `Problem` for a picture without area or larger than the limit."""
    if rows < 1 or columns < 1:
        raise Problem(source, f"has no area ({columns} x {rows} pixels)", "export it again")
    if rows * columns > max_megapixels * 1e6:
        raise Problem(
            source,
            f"is too large ({columns} x {rows} pixels, the limit is {max_megapixels:g} megapixels)",
            "crop it, or raise max_megapixels of the reader",
        )


def one_channel(values: NDArray[Any]) -> tuple[NDArray[Any], tuple[str, ...]]:
    """(rows, columns, 3) R, G, B to (rows, columns) and cautions.

    Grey kept in three channels gives the middle one unchanged; colour gives the luminance.
    """
    top = float(np.iinfo(values.dtype).max) if values.dtype.kind in "ui" else 1.0
    used = max(float(values.max()), 1e-9) if top > 255 or values.dtype.kind == "f" else top
    spread = values.max(axis=2).astype(np.float32) - values.min(axis=2).astype(np.float32)
    share = float((spread > TINT * used).mean())
    if share < SOME_COLOUR:
        return values[..., 1], ()
    grey = values.astype(np.float32) @ LUMINANCE
    if share < MOSTLY_COLOUR:
        caution = (
            f"{max(share * 100, 0.1):.1f} % of the picture is in colour; its luminance was read"
        )
    else:
        caution = "a colour picture: not a radiograph? its luminance was read"
    return grey, (caution,)


def to_film(
    values: NDArray[Any],
    *,
    invert: bool = False,
    padding: NDArray[np.bool_] | None = None,
) -> tuple[NDArray[np.float32], tuple[str, ...]]:
    """Stored values (rows, columns) to 0..1 (float32) and cautions.

    Linear from the smallest to the largest value in use. Nothing is windowed away: only where
    a few extreme pixels (`OUTLIERS` at either end) would squeeze all others into less than half
    the range are they clipped, and a caution says so.

    Args:
        invert: dense tissue is stored dark.
        padding: (rows, columns) pixels that are no part of the picture; not asked for the range.
    """
    cautions = []
    finite = np.isfinite(values) if values.dtype.kind == "f" else None
    if finite is not None and finite.all():
        finite = None
    use = finite if padding is None else ~padding if finite is None else finite & ~padding
    if finite is not None:
        cautions.append(f"{(~finite).sum()} pixels hold no number and were read as the darkest")
    inside = values if use is None else values[use]
    if not inside.size:  # all of it padding, or no number at all
        inside = values if finite is None else values[finite]
    ends = _ends(inside)
    if ends is None:
        return np.zeros(values.shape, np.float32), (*cautions, "the picture is blank")
    low, high, body_low, body_high = ends
    clip = finite is not None or padding is not None
    body = body_high - body_low
    if body > 0 and high - low > STRETCH * body:
        clipped = float(((inside < body_low) | (inside > body_high)).mean())
        low, high, clip = body_low, body_high, True
        cautions.append(
            f"{clipped * 100:.3f} % of the pixels are far brighter or darker than all others "
            "and were clipped"
        )
    exact = np.float64 if values.dtype.itemsize > 2 else np.float32
    scaled: NDArray[Any] = values.astype(exact)
    scaled -= exact(low)
    scaled /= exact(high - low)
    if clip:
        np.clip(scaled, 0, 1, out=scaled)
    if invert:
        np.subtract(1, scaled, out=scaled)
    if finite is not None:
        scaled[~finite] = 0
    return np.ascontiguousarray(scaled, dtype=np.float32), tuple(cautions)


def _ends(values: NDArray[Any]) -> tuple[float, float, float, float] | None:
    """Smallest, largest, and the values that cut `OUTLIERS` off either end; None: all the same.

    Where a few rows show already that the extremes stretch nothing, they stand for those values.
    """
    if not values.size:
        return None
    low, high = values.min(), values.max()
    if low == high:
        return None
    if _filled(values, float(low), float(high)):
        return float(low), float(high), float(low), float(high)
    if values.dtype.kind in "ui" and int(high) - int(low) < 1 << 18:
        # Counting is five times as fast as partitioning a film of nine million pixels.
        counts = np.cumsum(_counts(values.ravel(), int(low), int(high)))
        body = np.searchsorted(counts, (OUTLIERS * counts[-1], (1 - OUTLIERS) * counts[-1]))
        return float(low), float(high), float(int(low) + body[0]), float(int(low) + body[1])
    body = np.quantile(values, (OUTLIERS, 1 - OUTLIERS))
    return float(low), float(high), float(body[0]), float(body[1])


def _filled(values: NDArray[Any], low: float, high: float) -> bool:
    """Whether the range without `OUTLIERS` is certainly more than one in `STRETCH` of the whole.

    So it is where the parts beyond it at either end hold more than the outliers; those in a
    sample are at most as many as there are.
    """
    margin = (high - low) * (1 - 1 / STRETCH) / 2
    some, least = values[::SAMPLED], OUTLIERS * values.size + 2
    dark, bright = some <= low + margin, some >= high - margin
    return bool(np.count_nonzero(dark) > least and np.count_nonzero(bright) > least)


def _counts(values: NDArray[Any], low: int, high: int) -> NDArray[np.int64]:
    """How often each whole number from `low` to `high` occurs in (N,) integers."""
    if values.dtype not in (np.uint8, np.uint16):
        return np.bincount(values.astype(np.int64) - low)
    size = 1 << (8 * values.dtype.itemsize)
    total = np.zeros(size, dtype=np.int64)
    for start in range(0, len(values), COUNTED):
        part = np.ascontiguousarray(values[None, start : start + COUNTED])
        # Ten times as fast as bincount, which makes 64-bit numbers of all first.
        found = cv2.calcHist([part], [0], None, [size], [0.0, float(size)])
        total += found.ravel().astype(np.int64)
    return total[low : high + 1]
