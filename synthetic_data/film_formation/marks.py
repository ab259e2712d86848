"""What people and machines put on films: side markers, text, boxes. All words are invented."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Map = NDArray[Any]
"""One number a pixel: (rows, columns)."""

FONTS = (
    cv2.FONT_HERSHEY_SIMPLEX,
    cv2.FONT_HERSHEY_DUPLEX,
    cv2.FONT_HERSHEY_COMPLEX,
    cv2.FONT_HERSHEY_TRIPLEX,
    cv2.FONT_HERSHEY_PLAIN,
)


@dataclass(frozen=True)
class Mark:
    """A few characters on the film.

    Attributes:
        lines: text, one entry a line; the first of a side marker is `L` or `R`.
        places: candidate (x, y) centres as shares of the film; the least covered is taken.
        height: of a capital letter, share of the film's smaller side.
        weight: thickness of the strokes, share of the height.
        font: index into `FONTS`.
        angle_deg: turn on the film.
        mirrored: seen from behind.
        frame: `none`, `box`, `ring` or `plate` (a filled box with the letter left dark).
        lead: True = metal in the beam; False = drawn on the finished picture.
        grey: of a drawn one.
    """

    lines: tuple[str, ...]
    places: tuple[tuple[float, float], ...]
    height: float = 0.03
    weight: float = 0.15
    font: int = 0
    angle_deg: float = 0.0
    mirrored: bool = False
    frame: str = "none"
    lead: bool = False
    grey: float = 1.0


def place(density: Map, mark: Mark) -> tuple[float, float]:
    """(x, y) pixels of the mark's centre: the candidate with the least behind it."""
    rows, columns = density.shape
    reach = max(2, int(mark.height * min(density.shape)))

    def covered(share: tuple[float, float]) -> float:
        # a place beyond the picture is judged by the nearest part of it
        x = min(max(int(share[0] * (columns - 1)), 0), columns - 1)
        y = min(max(int(share[1] * (rows - 1)), 0), rows - 1)
        patch = density[max(0, y - reach) : y + reach + 1, max(0, x - reach) : x + reach + 1]
        return float(patch[::3, ::3].mean())

    best = min(mark.places, key=covered)
    return best[0] * (columns - 1), best[1] * (rows - 1)


def glyph(mark: Mark, height_px: float) -> Map:
    """The mark upright on a small canvas of its own, 0 to 1, anti-aliased."""
    font = FONTS[mark.font]
    pen = max(1, round(mark.weight * height_px))
    scale = height_px / cv2.getTextSize("R", font, 1.0, 1)[0][1]
    sizes, step = [], int(height_px * 1.6) + pen
    for index, line in enumerate(mark.lines):
        size = scale if index == 0 else scale * 0.5
        sizes.append((size, cv2.getTextSize(line, font, size, pen)[0][0]))
    width = max(w for _, w in sizes)
    pad = int(height_px * 0.6) + pen
    canvas = np.zeros((step * len(mark.lines) + 2 * pad, width + 2 * pad), np.uint8)
    y = pad + int(height_px)
    for index, (line, (size, w)) in enumerate(zip(mark.lines, sizes, strict=True)):
        stroke = pen if index == 0 else max(1, pen // 2)
        x = pad + (width - w) // 2
        cv2.putText(canvas, line, (x, y), font, size, 255, stroke, cv2.LINE_AA)
        y += step if index == 0 else int(step * 0.6)
    canvas = canvas[: min(len(canvas), y - int(step * 0.6) + 2 * pad)]
    rows, columns = canvas.shape
    thick = max(1, pen // 2)
    if mark.frame == "box":
        cv2.rectangle(canvas, (thick, thick), (columns - 1 - thick, rows - 1 - thick), 255, thick)
    elif mark.frame == "ring":
        side = max(rows, columns)
        square = np.zeros((side, side), np.uint8)
        top, left = (side - rows) // 2, (side - columns) // 2
        square[top : top + rows, left : left + columns] = canvas
        canvas = square
        cv2.circle(canvas, (side // 2, side // 2), side // 2 - thick, 255, thick, cv2.LINE_AA)
    elif mark.frame == "plate":
        canvas = 255 - canvas
    if mark.mirrored:
        canvas = canvas[:, ::-1]
    return canvas.astype(np.float32) / np.float32(255.0)


def stamp(
    shape: tuple[int, int], mark: Mark, centre: tuple[float, float]
) -> tuple[Map, slice, slice]:
    """The mark as it lies on the film: coverage 0 to 1, and the rows and columns it fills."""
    drawn = glyph(mark, max(6.0, mark.height * min(shape)))
    rows, columns = drawn.shape
    reach = int(np.hypot(rows, columns) / 2) + 2
    size = 2 * reach + 1
    turn = cv2.getRotationMatrix2D(((columns - 1) / 2, (rows - 1) / 2), mark.angle_deg, 1.0)
    turn[:, 2] += reach - np.array([(columns - 1) / 2, (rows - 1) / 2])
    laid = cv2.warpAffine(drawn, turn, (size, size), flags=cv2.INTER_LINEAR)
    left, top = int(centre[0]) - reach, int(centre[1]) - reach
    x0, y0 = max(0, left), max(0, top)
    x1, y1 = min(shape[1], left + size), min(shape[0], top + size)
    if x1 <= x0 or y1 <= y0:
        return np.zeros((0, 0), np.float32), slice(0, 0), slice(0, 0)
    return laid[y0 - top : y1 - top, x0 - left : x1 - left], slice(y0, y1), slice(x0, x1)


def press(picture: Map, mark: Mark, centre: tuple[float, float]) -> None:
    """Draws the mark on the finished picture, in place."""
    cover, rows, columns = stamp(picture.shape, mark, centre)  # type: ignore[arg-type]
    under = picture[rows, columns]
    picture[rows, columns] = under + cover * (np.float32(mark.grey) - under)
