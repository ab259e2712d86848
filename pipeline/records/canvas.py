"""A small drawing surface: smooth lines and shapes (OpenCV), text (Pillow).

Canvas coordinates are pixels, x to the right and y down, the centre of the first pixel at (0, 0).
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

Colour = tuple[int, int, int]
Point = Sequence[float] | NDArray[np.float64]

# Colours that stay apart for colour-blind readers (Okabe and Ito 2008, from memory); a shape or a
# word always says the same as the colour.
ORANGE: Colour = (230, 159, 0)
SKY: Colour = (86, 180, 233)
GREEN: Colour = (0, 158, 115)
YELLOW: Colour = (240, 228, 66)
VERMILION: Colour = (233, 104, 20)
WHITE: Colour = (244, 244, 240)
GREY: Colour = (150, 154, 160)
DARK: Colour = (24, 27, 32)
BLACK: Colour = (0, 0, 0)

_SHIFT = 4
"""OpenCV draws on a grid of 1 / 16 pixel."""


@lru_cache(maxsize=32)
def font(size: int) -> ImageFont.FreeTypeFont | ImageFont.ImageFont:
    """The font that comes with Pillow."""
    return ImageFont.load_default(size)


class Canvas:
    """`rgb`: (rows, columns, 3) uint8."""

    def __init__(self, rgb: NDArray[np.uint8]) -> None:
        self.rgb = np.ascontiguousarray(rgb)

    def line(
        self,
        points: Sequence[Point] | NDArray[np.float64],
        colour: Colour,
        width: int = 2,
        *,
        closed: bool = False,
        dash: float = 0.0,
    ) -> None:
        """A line through `points`, (n, 2) pixels; `dash` > 0: pixels of each dash and each gap."""
        xy = np.asarray(points, dtype=np.float64)
        if closed:
            xy = np.concatenate([xy, xy[:1]])
        for piece in _dashes(xy, dash) if dash > 0 else [xy]:
            cv2.polylines(self.rgb, [_grid(piece)], False, colour, width, cv2.LINE_AA, shift=_SHIFT)

    def ellipse(
        self,
        centre: Point,
        major: float,
        minor: float,
        angle_deg: float,
        colour: Colour,
        width: int = 2,
        dash: float = 0.0,
    ) -> None:
        """Half axes `major` and `minor`; `angle_deg` of the major one from +x toward +y."""
        around = np.linspace(0, 2 * np.pi, 73)[:-1]
        c, s = np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))
        x, y = major * np.cos(around), minor * np.sin(around)
        ring = np.stack([centre[0] + c * x - s * y, centre[1] + s * x + c * y], axis=1)
        self.line(ring, colour, width, closed=True, dash=dash)

    def fill(self, points: Sequence[Point], colour: Colour) -> None:
        cv2.fillPoly(self.rgb, [_grid(np.asarray(points))], colour, cv2.LINE_AA, shift=_SHIFT)

    def hatch(self, polygon: Sequence[Point], colour: Colour, step: int = 14) -> None:
        """Slanted lines inside `polygon`, and its edge."""
        rows, columns = self.rgb.shape[:2]
        inside = np.zeros((rows, columns), np.uint8)
        cv2.fillPoly(inside, [np.round(np.asarray(polygon)).astype(np.int32)], 255)
        lined = self.rgb.copy()
        for start in range(-rows, columns, step):
            cv2.line(lined, (start, rows), (start + rows, 0), colour, 1, cv2.LINE_AA)
        self.rgb[inside > 0] = lined[inside > 0]
        self.line(polygon, colour, 2, closed=True)

    def texts(self, items: Sequence[tuple[Point, str, int, Colour]], halo: bool = False) -> None:
        """Writes (top-left corner, words, size, colour); with `halo`, edged in black."""
        if not items:
            return
        # Only the strip that holds the words goes through Pillow and back.
        edge = max(size for _, _, size, _ in items)
        top = max(0, int(min(at[1] for at, _, _, _ in items)) - edge)
        bottom = int(max(at[1] for at, _, _, _ in items)) + 3 * edge
        left = max(0, int(min(at[0] for at, _, _, _ in items)) - edge)
        right = int(max(at[0] + text_width(words, size) for at, words, size, _ in items)) + edge
        strip = self.rgb[top:bottom, left:right]
        if not strip.size:
            return
        picture = Image.fromarray(strip)
        draw = ImageDraw.Draw(picture)
        for (x, y), words, size, colour in items:
            stroke = max(1, size // 10) if halo else 0
            at = (float(x) - left, float(y) - top)
            draw.text(at, words, colour, font(size), stroke_width=stroke, stroke_fill=BLACK)
        strip[:] = np.asarray(picture)

    def png(self) -> bytes:
        """The canvas as a PNG file."""
        ok, data = cv2.imencode(".png", self.rgb[:, :, ::-1], [cv2.IMWRITE_PNG_COMPRESSION, 2])
        if not ok:
            raise ValueError("the picture could not be encoded as PNG")
        return data.tobytes()


def text_width(words: str, size: int) -> float:
    return float(font(size).getlength(words))


def wrapped(words: str, size: int, width: float) -> list[str]:
    """`words` broken into lines no wider than `width` pixels (a longer word stays whole)."""
    lines: list[str] = []
    for word in words.split():
        longer = f"{lines[-1]} {word}" if lines else word
        if lines and text_width(longer, size) <= width:
            lines[-1] = longer
        else:
            lines.append(word)
    return lines


def _grid(xy: NDArray[np.float64]) -> NDArray[np.int32]:
    # Far-off points would overflow OpenCV's fixed-point grid.
    limited = np.clip(xy, -30000, 30000)
    return np.round(limited * (1 << _SHIFT)).astype(np.int32).reshape(-1, 1, 2)


def _dashes(xy: NDArray[np.float64], dash: float) -> list[NDArray[np.float64]]:
    """Every other stretch of length `dash` along the line."""
    steps = np.linalg.norm(np.diff(xy, axis=0), axis=1)
    along = np.concatenate([[0.0], np.cumsum(steps)])
    pieces = []
    for start in np.arange(0.0, along[-1], 2 * dash):
        end = min(start + dash, along[-1])
        inner = along[(along > start) & (along < end)]
        at = np.concatenate([[start], inner, [end]])
        pieces.append(np.stack([np.interp(at, along, xy[:, k]) for k in (0, 1)], axis=1))
    return pieces
