"""A film with its marks as one self-contained picture: grey JPEG below, SVG on top."""

from __future__ import annotations

import base64
from collections.abc import Sequence
from html import escape

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.records.export.marks import Array, Mark, ring

LONGEST = 1400
QUALITY = 82
SMALL = 700
"""Up to this size marks and words are drawn twice as large, to be read at all."""
# Okabe and Ito's colours (from memory); shape, dash and label say the same without colour.
SKY, ORANGE, VERMILION, WHITE = "#56b4e9", "#e69f00", "#e86814", "#f4f4f0"


def film_jpeg(pixels: NDArray[np.float32], longest: int = LONGEST) -> bytes:
    """The film (0 to 1, bone bright) between its darkest and brightest half per cent, as JPEG."""
    low, high = np.percentile(pixels[::3, ::3], (0.5, 99.5))
    grey = np.clip((pixels - low) / max(float(high - low), 1e-6), 0, 1)
    scale = min(1.0, longest / max(pixels.shape))
    if scale < 1:
        size = (max(1, round(pixels.shape[1] * scale)), max(1, round(pixels.shape[0] * scale)))
        grey = cv2.resize(grey, size, interpolation=cv2.INTER_AREA)
    ok, data = cv2.imencode(
        ".jpg", (grey * 235).astype(np.uint8), [cv2.IMWRITE_JPEG_QUALITY, QUALITY]
    )
    if not ok:
        raise ValueError("the picture could not be encoded as JPEG")
    return data.tobytes()


def picture(
    pixels: NDArray[np.float32], marks: Sequence[Mark], title: str, longest: int = LONGEST
) -> str:
    """An `<svg>` element: the film, and on it the marks in a group of class `marks`.

    `pixels`: (rows, columns) grey levels, sent with a longer side of at most `longest`. One unit
    of the drawing is one pixel of the film; its origin is the outer corner of the first pixel, so
    marks are moved by half a pixel.
    """
    rows, columns = pixels.shape
    unit = max(rows, columns) / 1000 * (1.0 if longest > SMALL else 2.0)
    data = base64.b64encode(film_jpeg(pixels, longest)).decode()
    drawn = "".join(_drawn(mark, unit) for mark in marks)
    labels = "".join(_label(mark, unit, columns) for mark in marks)
    return (
        f'<svg class="film" viewBox="0 0 {columns} {rows}" role="img" '
        f'aria-label="{escape(title, quote=True)}">'
        f'<image href="data:image/jpeg;base64,{data}" width="{columns}" height="{rows}" '
        f'preserveAspectRatio="none"/>'
        f'<g class="marks" fill="none" stroke-linejoin="round" transform="translate(0.5 0.5)">'
        f"{drawn}{labels}</g></svg>"
    )


def _drawn(mark: Mark, unit: float) -> str:
    if mark.kind == "zone":
        return _path(mark.points, VERMILION, 2.4 * unit, unit, dash=(16, 8), closed=True)
    if mark.kind == "outline":
        return _path(mark.points, WHITE, 1.0 * unit, unit, dash=(4, 4), closed=True)
    dash = (6, 5) if mark.doubtful else ()
    if mark.kind == "band":
        return _path(mark.points, ORANGE, 4.0 * unit, unit, dash=dash)
    if mark.kind == "circle":
        return _path(ring(mark), ORANGE, 2.0 * unit, unit, dash=dash)
    x, y = mark.points[0]
    if mark.kind == "target":
        reach = 9 * unit
        corners = np.array([(x, y - reach), (x + reach, y), (x, y + reach), (x - reach, y)])
        return _path(corners, ORANGE, 2.6 * unit, unit, closed=True)
    if mark.kind == "fixed":
        reach = 6 * unit
        cross = [
            np.array([(x - reach, y), (x + reach, y)]),
            np.array([(x, y - reach), (x, y + reach)]),
        ]
        return "".join(_path(line, SKY, 2.0 * unit, unit) for line in cross)
    return (
        f'<circle cx="{x:.2f}" cy="{y:.2f}" r="{3.2 * unit:.2f}" fill="{SKY}" '
        f'stroke="#000" stroke-width="{1.2 * unit:.2f}"/>'
    )


def _path(
    points: Array,
    colour: str,
    width: float,
    unit: float,
    *,
    dash: Sequence[float] = (),
    closed: bool = False,
) -> str:
    """A line with a black edge, so that it shows on bright and on dark parts."""
    steps = " L".join(f"{x:.2f} {y:.2f}" for x, y in points)
    shape = f"M{steps}{'Z' if closed else ''}"
    pattern = f' stroke-dasharray="{" ".join(f"{d * unit:.1f}" for d in dash)}"' if dash else ""
    return (
        f'<path d="{shape}" stroke="#000" stroke-opacity="0.6" stroke-width="{2 * width:.2f}"/>'
        f'<path d="{shape}" stroke="{colour}" stroke-width="{width:.2f}"{pattern}/>'
    )


def _label(mark: Mark, unit: float, columns: int) -> str:
    """The name of a target or zone, kept inside the picture."""
    if mark.kind not in ("target", "band", "zone"):
        return ""
    size = 20 * unit
    x, y = mark.points.mean(axis=0)
    if mark.kind == "zone":  # below it, where no landmark lies
        x, y = mark.points[:, 0].min() - 14 * unit, mark.points[:, 1].max() + 32 * unit
    x += 14 * unit
    long = 0.55 * size * len(mark.name)
    anchor = "start"
    if x + long > columns:
        anchor, x = "end", max(min(x - 28 * unit, columns - 4 * unit), long)
    colour = VERMILION if mark.kind == "zone" else ORANGE
    return (
        f'<text x="{x:.1f}" y="{y - 8 * unit:.1f}" font-size="{size:.1f}" fill="{colour}" '
        f'stroke="#000" stroke-width="{4 * unit:.2f}" paint-order="stroke" '
        f'text-anchor="{anchor}">{escape(mark.name)}</text>'
    )
