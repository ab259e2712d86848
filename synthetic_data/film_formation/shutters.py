"""Where the film was exposed, and what is blacked out afterwards."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Map = NDArray[Any]
"""One number a pixel: (rows, columns)."""


@dataclass(frozen=True)
class Shutter:
    """An opening; all lengths are shares of the film's smaller side, places of each side.

    Attributes:
        kind: `rectangle`, `polygon` or `round`.
        centre: (x, y), 0.5 the middle.
        half: (x, y) half the width and height of a rectangle; the first is a round one's radius.
        angle_deg: turn of a rectangle.
        corners: shares by which each of 8 directions of a polygon is drawn in (0 = none).
        soft: width of the edge.
        leak: signal left outside, of the open beam's; used where it is metal.
        after: True = blacked out by software after everything else, in grey `fill`; False =
            metal in the beam, so the outside is hardly exposed.
        fill: grey outside, 0 black to 1 white.
    """

    kind: str = "rectangle"
    centre: tuple[float, float] = (0.5, 0.5)
    half: tuple[float, float] = (0.5, 0.5)
    angle_deg: float = 0.0
    corners: tuple[float, ...] = (0.0,) * 8
    soft: float = 0.004
    leak: float = 0.01
    after: bool = False
    fill: float = 0.0


def opening(shape: tuple[int, int], shutter: Shutter) -> Map:
    """(rows, columns), 1 inside and 0 outside."""
    rows, columns = shape
    small = min(shape)
    centre = np.array([shutter.centre[0] * columns, shutter.centre[1] * rows])
    mask: Map = np.zeros(shape, np.uint8)
    if shutter.kind == "round":
        place = tuple(int(v * 16) for v in centre)
        cv2.circle(mask, place, int(shutter.half[0] * small * 16), 255, -1, cv2.LINE_AA, 4)
    else:
        half = np.array([shutter.half[0] * columns, shutter.half[1] * rows])
        turn = np.deg2rad(shutter.angle_deg)
        cos, sin = np.cos(turn), np.sin(turn)
        if shutter.kind == "polygon":
            at = np.deg2rad(np.arange(8) * 45.0 + 22.5)
            ring = np.stack([np.cos(at), np.sin(at)], axis=1) * 1.15
            ring *= 1.0 - np.array(shutter.corners)[:, None]
        else:
            ring = np.array([[-1.0, -1], [1, -1], [1, 1], [-1, 1]])
        points = (ring * half) @ np.array([[cos, sin], [-sin, cos]]) + centre
        cv2.fillPoly(mask, [np.rint(points * 16).astype(np.int32)], 255, cv2.LINE_AA, 4)
    soft = shutter.soft * small
    if soft > 0.5:
        mask = cv2.GaussianBlur(mask, (0, 0), soft, borderType=cv2.BORDER_REPLICATE)
    return mask.astype(np.float32) / np.float32(255.0)
