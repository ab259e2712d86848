"""What time, dust and a scanner do to a film, and what lies about in the beam."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Map = NDArray[Any]
"""One number a pixel: (rows, columns)."""


def dust(picture: Map, amount: float, rng: np.random.Generator) -> None:
    """Specks and hairs, mostly white (they shade the scanner's lamp), in place.

    `amount` 1 = about 40 specks and 6 hairs.
    """
    rows, columns = picture.shape
    layer = np.zeros(picture.shape, np.uint8)
    for _ in range(rng.poisson(40 * amount)):
        at = (int(rng.integers(columns)), int(rng.integers(rows)))
        cv2.circle(
            layer, at, int(rng.choice((0, 0, 1, 2))), int(rng.integers(40, 255)), -1, cv2.LINE_AA
        )
    for _ in range(rng.poisson(6 * amount)):
        steps = rng.normal(0, 0.012, (12, 2)).cumsum(axis=0).cumsum(axis=0) / 3
        points = (rng.random(2) + steps) * (columns, rows)
        grey = int(rng.integers(60, 200))
        cv2.polylines(layer, [points.astype(np.int32)], False, grey, 1, cv2.LINE_AA)
    dark = rng.random() < 0.25
    share = layer.astype(np.float32) / np.float32(255.0)
    picture += share * ((0.0 if dark else 1.0) - picture)


def scratches(picture: Map, amount: float, rng: np.random.Generator) -> None:
    """Long thin straight lines, in place; `amount` 1 = about 5."""
    rows, columns = picture.shape
    layer = np.zeros(picture.shape, np.uint8)
    for _ in range(rng.poisson(5 * amount)):
        start = rng.random(2) * (columns, rows)
        way = rng.normal(0, 0.4, 2) * (columns, rows)
        a, b = (tuple(int(v) for v in p) for p in (start, start + way))
        cv2.line(layer, a, b, int(rng.integers(30, 180)), 1, cv2.LINE_AA)
    picture += layer.astype(np.float32) * np.float32(rng.choice((-0.8, 0.8)) / 255.0)


def light_leak(picture: Map, strength: float, rng: np.random.Generator) -> None:
    """Light that reached the film from one edge darkens it there, in place."""
    rows, columns = picture.shape
    edge, width = rng.integers(4), rng.uniform(0.05, 0.3)
    centre, spread = rng.random(), rng.uniform(0.1, 0.6)
    long = np.linspace(0, 1, columns if edge < 2 else rows, dtype=np.float32)
    deep = np.linspace(0, 1, rows if edge < 2 else columns, dtype=np.float32)
    if edge % 2:
        deep = deep[::-1]
    fog = np.exp(-deep[:, None] / width) * np.exp(-(((long[None] - centre) / spread) ** 2))
    if edge >= 2:
        fog = fog.T
    picture *= (1.0 - strength * fog).astype(np.float32)


def uneven(picture: Map, strength: float, rng: np.random.Generator) -> None:
    """Slow shading of scanner and developer, in place."""
    coarse = rng.normal(0, strength, (4, 4)).astype(np.float32)
    picture *= 1.0 + cv2.resize(coarse, picture.shape[::-1], interpolation=cv2.INTER_CUBIC)


def dead(signal: Map, share: float, lines: int, mended: bool, rng: np.random.Generator) -> None:
    """Pixels and lines of a flat panel that do not answer, in place on the detector's signal.

    Args:
        share: of all pixels, those that are dead.
        lines: rows and columns that are dead, each over a random part of its length.
        mended: filled from the pixels on either side, as a console's defect map does; else one
            half of them is stuck at the least signal (white) and the other at the greatest.
    """
    rows, columns = signal.shape
    gone = rng.random(signal.shape, dtype=np.float32) < share
    for _ in range(lines):
        upright = bool(rng.random() < 0.5)
        long, across = (rows, columns) if upright else (columns, rows)
        at, ends = int(rng.integers(across)), np.sort(rng.integers(0, long + 1, 2))
        # Read out from one edge: a broken line is dead from the break onward.
        some = slice(int(ends[0]), long) if rng.random() < 0.5 else slice(0, int(ends[1]))
        gone[(some, at) if upright else (at, some)] = True
    if mended:
        known = np.where(gone, np.float32(0), signal)
        weight = cv2.blur((~gone).astype(np.float32), (3, 3), borderType=cv2.BORDER_REFLECT)
        around = cv2.blur(known, (3, 3), borderType=cv2.BORDER_REFLECT)
        filled = around / np.maximum(weight, np.float32(1e-6))
        gone &= weight > 0
        signal[gone] = filled[gone]
        return
    high = rng.random(signal.shape, dtype=np.float32) < 0.5
    least, greatest = signal.min(), signal.max()
    signal[gone & high] = greatest
    signal[gone & ~high] = least


def grid_lines(picture: Map, strength: float, period_px: float, upright: bool) -> None:
    """The shadow of a grid that stood still, in place."""
    n = picture.shape[1] if upright else picture.shape[0]
    wave = np.float32(strength) * np.sin(np.arange(n, dtype=np.float32) * (2 * np.pi / period_px))
    picture += wave[None, :] if upright else wave[:, None]


def cable(density: Map, strength: float, width_px: float, rng: np.random.Generator) -> None:
    """A lead or strap across the film, in place; `strength` in units of -ln(signal)."""
    rows, columns = density.shape
    ends = rng.uniform(-0.1, 1.1, (3, 2)) * (columns, rows)
    t = np.linspace(0, 1, 40)[:, None]
    points = (1 - t) ** 2 * ends[0] + 2 * t * (1 - t) * ends[1] + t**2 * ends[2]
    layer: Map = np.zeros(density.shape, np.uint8)
    pen = max(1, round(width_px))
    cv2.polylines(layer, [points.astype(np.int32)], False, 255, pen, cv2.LINE_AA)
    if pen > 8:
        layer = cv2.GaussianBlur(layer, (0, 0), 1.5)
    density += layer.astype(np.float32) * np.float32(strength / 255.0)


def slab(density: Map, strength: float, rng: np.random.Generator) -> None:
    """The edge of a table or cushion: a half of the film behind a little more, in place."""
    rows, columns = density.shape
    angle = rng.choice((0.0, 90.0, 180.0, 270.0)) + rng.normal(0, 4)
    cos, sin = np.cos(np.deg2rad(angle)), np.sin(np.deg2rad(angle))
    x = (np.arange(columns) / columns - 0.5) * cos
    y = (np.arange(rows) / rows - 0.5) * sin
    side = (x[None, :] + y[:, None] - rng.uniform(-0.1, 0.45)).astype(np.float32)
    density += np.float32(strength) * np.clip(side * rng.uniform(30, 300) + 0.5, 0, 1)
