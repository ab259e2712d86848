"""The film of a report, with the marks of its reading drawn on it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.knee.film import Film
from pipeline.language import Speech
from pipeline.language.phrases import told
from pipeline.records import canvas as c
from pipeline.records.canvas import Canvas, text_width
from pipeline.records.export.marks import Mark, marks_of, ring
from pipeline.records.overlay import Window, grey_levels, part_around

SIZE, SMALL = 1100, 560
QUALITY = 88


def pictures(
    t: Speech,
    film: Film,
    reading: Mapping[str, Any],
    outline: Mapping[str, NDArray[np.float64]] | None,
) -> tuple[bytes, bytes]:
    """The part of the film around the knee as JPEG, large and small.

    `outline`: bone to (n, 2) film pixels; None: none is drawn.
    """
    x0, y0, x1, y1 = part_around(film, reading["knee"]["box"])
    part = film.pixels[y0:y1, x0:x1]
    scale = SIZE / max(part.shape)
    grey = grey_levels(part, scale)
    drawn = Canvas(np.repeat(grey[:, :, None], 3, axis=2))
    draw(t, drawn, marks_of(reading, outline), Window(x0, y0, scale))
    small = (round(grey.shape[1] * SMALL / SIZE), round(grey.shape[0] * SMALL / SIZE))
    return _jpeg(drawn.rgb), _jpeg(cv2.resize(drawn.rgb, small, interpolation=cv2.INTER_AREA))


def _jpeg(rgb: NDArray[np.uint8] | cv2.typing.MatLike) -> bytes:
    ok, data = cv2.imencode(".jpg", rgb[:, :, ::-1], [cv2.IMWRITE_JPEG_QUALITY, QUALITY])
    if not ok:
        raise ValueError("the picture could not be encoded as JPEG")
    return data.tobytes()


def draw(t: Speech, on: Canvas, marks: Sequence[Mark], window: Window) -> None:
    """Every mark in a light colour on a black edge, told apart by shape, dash and words."""
    labels = []
    for mark in marks:
        points = window(mark.points)
        if mark.kind == "zone":
            on.hatch(list(points), c.VERMILION)
            low = points.max(axis=0)
            labels.append((low[0] + 6, low[1] - 22, told(t, mark.name), 19, c.VERMILION))
        elif mark.kind == "outline":
            _line(on, points, c.WHITE, 1, dash=5, closed=True)
        elif mark.kind == "fixed":
            for step in ((5, 0), (0, 5)):
                _line(on, np.array([points[0] - step, points[0] + step]), c.SKY, 2)
        elif mark.kind == "contour":
            on.ellipse(points[0], 3.0, 3.0, 0, c.BLACK, 3)
            on.ellipse(points[0], 2.0, 2.0, 0, c.SKY, 2)
        elif mark.kind == "circle":
            dash = 7.0 if mark.doubtful else 0.0
            _line(on, window(ring(mark)), c.ORANGE, 2, dash=dash)
        else:
            if mark.kind == "band":
                _line(on, points, c.ORANGE, 4, dash=7.0 if mark.doubtful else 0.0)
            else:
                diamond = points[0] + np.array([(0, -9), (9, 0), (0, 9), (-9, 0)])
                _line(on, diamond, c.ORANGE, 3, closed=True)
            middle = points.mean(axis=0)
            labels.append((middle[0] + 26, middle[1] - 12, told(t, mark.name), 21, c.ORANGE))
    rows, columns = on.rgb.shape[:2]
    on.texts(
        [
            (
                (
                    min(max(x, 4), max(4, columns - text_width(words, size) - 6)),
                    min(max(y, 4), rows - size - 8),
                ),
                words,
                size,
                colour,
            )
            for x, y, words, size, colour in labels
        ],
        halo=True,
    )


def _line(
    on: Canvas,
    points: NDArray[np.float64],
    colour: c.Colour,
    width: int,
    dash: float = 0.0,
    closed: bool = False,
) -> None:
    on.line(points, c.BLACK, width + 2, closed=closed, dash=dash)
    on.line(points, colour, width, closed=closed, dash=dash)
