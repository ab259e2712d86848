"""Is there text burnt into a film's pixels? Where it is not sure, a person must look.

A picture without text can be told with some certainty only by a person: the answer `no` is given
where the header says so *and* nothing that looks like writing is found.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import cv2
import numpy as np
from numpy.typing import NDArray

Box = tuple[int, int, int, int]
Answer = Literal["no", "yes", "ask"]

WORKING = 1600
"""Longest side of the picture in which writing is looked for, pixels."""
CONTRAST = 0.25
"""A stroke differs from what is around it by this share of the film's range (design value)."""
LEAST, MOST = 6, 70
"""Height of letters in the working picture, pixels (design values)."""


@dataclass(frozen=True)
class Finding:
    """What was found.

    Attributes:
        answer: `ask` where a person must look.
        why: one clause.
        boxes: x0, y0, x1, y1 of what looks like writing, pixels of the film.
    """

    answer: Answer
    why: str
    boxes: tuple[Box, ...] = ()


def burnt_in(pixels: NDArray[np.float32], header: str | None) -> Finding:
    """Looks for burnt-in text.

    Args:
        pixels: (rows, columns), 0 to 1.
        header: Burned In Annotation (0028,0301): "YES", "NO" or anything else for silence.
    """
    boxes = writing(pixels)
    if header == "YES":
        return Finding("yes", "the header says that text is burnt in", boxes)
    if boxes:
        return Finding("ask", f"something looks like writing in {len(boxes)} places", boxes)
    if header == "NO":
        return Finding("no", "the header says that there is none, and none was found")
    return Finding("ask", "the header does not say, and none was found")


def writing(pixels: NDArray[np.float32]) -> tuple[Box, ...]:
    """Boxes, in pixels, around what looks like lines of writing on a film, (rows, columns).

    Letters side by side, bright or dark.
    """
    scale = min(1.0, WORKING / max(pixels.shape))
    small: NDArray[Any] = pixels
    if scale < 1:
        size = (round(pixels.shape[1] * scale), round(pixels.shape[0] * scale))
        small = cv2.resize(pixels, size, interpolation=cv2.INTER_AREA)
    low, high = np.percentile(small, (0.1, 99.9))
    small = np.clip((small - low) / max(float(high - low), 1e-6), 0, 1).astype(np.float32)
    kernel = cv2.getStructuringElement(cv2.MORPH_RECT, (MOST // 4, MOST // 4))
    found: list[Box] = []
    for how in (cv2.MORPH_TOPHAT, cv2.MORPH_BLACKHAT):
        strokes = cv2.morphologyEx(small, how, kernel)
        lines = _lines(_letters((strokes > CONTRAST).astype(np.uint8), small))
        faint = (strokes > CONTRAST / 2).astype(np.uint8)
        found += [_whole(line, faint) for line in lines]
    found = _joined(found)
    rows, columns = pixels.shape
    return tuple(
        (
            max(int(x0 / scale) - 4, 0),
            max(int(y0 / scale) - 4, 0),
            min(int(np.ceil(x1 / scale)) + 4, columns),
            min(int(np.ceil(y1 / scale)) + 4, rows),
        )
        for x0, y0, x1, y1 in found
    )


def _letters(strokes: NDArray[np.uint8], grey: NDArray[np.float32]) -> list[Box]:
    """Boxes of connected strokes with the size, filling and sharp edges of a letter."""
    count, labels, stats, _ = cv2.connectedComponentsWithStats(strokes, connectivity=8)
    boxes = []
    steep = cv2.morphologyEx(grey, cv2.MORPH_GRADIENT, np.ones((3, 3), np.uint8))
    for label in range(1, count):
        x, y, width, height, area = (int(v) for v in stats[label][:5])
        if not (LEAST <= height <= MOST and 0.08 * height <= width <= 1.8 * height):
            continue
        if not 0.12 <= area / (width * height) <= 0.95 or area < 8:
            continue
        part = (slice(y, y + height), slice(x, x + width))
        mask = (labels[part] == label).astype(np.uint8)
        edge = cv2.morphologyEx(mask, cv2.MORPH_GRADIENT, np.ones((3, 3), np.uint8)) > 0
        if float(np.median(steep[part][edge])) > CONTRAST:
            boxes.append((x, y, x + width, y + height))
    return boxes


def _lines(letters: list[Box]) -> list[Box]:
    """Boxes around two or more letters of about one height, side by side."""
    waiting = sorted(letters)
    lines = []
    while waiting:
        line = [waiting.pop(0)]
        rest = []
        for box in waiting:
            last = line[-1]
            tall = max(last[3] - last[1], box[3] - box[1])
            like = abs((last[3] - last[1]) - (box[3] - box[1])) <= 0.5 * tall
            level = abs((last[1] + last[3]) - (box[1] + box[3])) <= 0.8 * tall
            near = -0.2 * tall <= box[0] - last[2] <= 1.2 * tall
            if like and level and near:
                line.append(box)
            else:
                rest.append(box)
        waiting = rest
        if len(line) >= 2:
            corners = np.array(line)
            low, high = corners[:, :2].min(axis=0), corners[:, 2:].max(axis=0)
            lines.append((int(low[0]), int(low[1]), int(high[0]), int(high[1])))
    return lines


def _whole(line: Box, strokes: NDArray[np.uint8]) -> Box:
    """The line with the strokes that follow it on both sides and a margin of a third of a letter.

    Letters that touch each other, commas and faint ends are no letters by themselves, but a box
    that is to be blackened must hold them.
    """
    x0, y0, x1, y1 = line
    tall = y1 - y0
    top, bottom = max(y0 - tall // 3, 0), y1 + tall // 3
    inked = np.asarray(strokes[top:bottom].max(axis=0))
    reach = max(2 * tall, 4)
    while (near := np.flatnonzero(inked[x1 : x1 + reach])).size:
        x1 += int(near[-1]) + 1
    while (near := np.flatnonzero(inked[max(x0 - reach, 0) : x0])).size:
        x0 = max(x0 - reach, 0) + int(near[0])
    edge = tall // 3 + 1
    return x0 - edge, y0 - edge, x1 + edge, y1 + edge


def _joined(boxes: list[Box]) -> list[Box]:
    """Boxes that overlap become one."""
    waiting, whole = list(boxes), []
    while waiting:
        box = waiting.pop()
        for other in waiting:
            if box[0] < other[2] and other[0] < box[2] and box[1] < other[3] and other[1] < box[3]:
                waiting.remove(other)
                waiting.append(
                    (
                        min(box[0], other[0]),
                        min(box[1], other[1]),
                        max(box[2], other[2]),
                        max(box[3], other[3]),
                    )
                )
                break
        else:
            whole.append(box)
    return sorted(whole)
