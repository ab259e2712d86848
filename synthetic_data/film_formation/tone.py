"""What a console does to a signal before anybody sees it: logarithm, detail, tone, depth."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Map = NDArray[Any]
"""One number a pixel: (rows, columns)."""


def density(signal: Map) -> Map:
    """-ln(signal): 0 in the open beam, greater where more lies in the way."""
    out = np.log(signal)
    np.negative(out, out=out)
    return out


def pyramid(picture: Map, levels: int) -> list[Map]:
    """Differences between scales, finest first, and the remaining coarse picture last."""
    out: list[Map] = []
    for _ in range(levels):
        if min(picture.shape) < 16:
            break
        smaller = cv2.pyrDown(picture)
        out.append(picture - cv2.pyrUp(smaller, dstsize=picture.shape[::-1]))
        picture = smaller
    out.append(picture)
    return out


def enhanced(picture: Map, gains: tuple[float, ...], base: float) -> Map:
    """`picture` with every scale multiplied by its gain (finest first) and the coarsest by `base`.

    The coarsest scale is compressed about its mean, as consoles do to fit a thick thigh and a
    thin shin into one window. The Laplacian pyramid is Burt & Adelson's (IEEE Trans Commun 1983,
    31:532); its use for radiographs is Vuylsteke & Schoeters' (SPIE 1994, 2167:551).
    """
    *details, coarse = pyramid(picture, len(gains))
    middle = float(coarse.mean())
    out: Map = (coarse - middle) * np.float32(base) + np.float32(middle)
    for detail, gain in reversed(list(zip(details, gains, strict=False))):
        out = cv2.pyrUp(out, dstsize=detail.shape[::-1])
        cv2.scaleAdd(detail, gain, out, out)
    return out


def unsharp(picture: Map, radius_px: float, amount: float) -> Map:
    """`picture` plus `amount` times its difference from itself blurred by `radius_px`."""
    if radius_px > 6:
        step = int(radius_px / 3)
        size = (max(1, picture.shape[1] // step), max(1, picture.shape[0] // step))
        small = cv2.resize(picture, size, interpolation=cv2.INTER_AREA)
        small = cv2.GaussianBlur(small, (0, 0), radius_px / step)
        blurred = cv2.resize(small, picture.shape[::-1], interpolation=cv2.INTER_LINEAR)
    else:
        blurred = cv2.GaussianBlur(picture, (0, 0), radius_px)
    return cv2.addWeighted(picture, 1.0 + amount, blurred, -amount, 0.0)


def curve(
    picture: Map,
    low: float,
    high: float,
    *,
    gamma: float,
    sigmoid: float,
    dark: float,
    bright: float,
) -> Map:
    """Grey values by a table of 4096 steps, `dark` at `low` and `bright` at `high`.

    Args:
        gamma: above 1 darkens the middle.
        sigmoid: 0 straight, 1 the S of film: steep in the middle, flat at both ends.
    """
    t = np.linspace(0.0, 1.0, 4096) ** gamma
    s = 1.0 / (1.0 + np.exp(-9.0 * (t - 0.5)))
    s = (s - s[0]) / (s[-1] - s[0])
    table = (dark + (bright - dark) * ((1 - sigmoid) * t + sigmoid * s)).astype(np.float32)
    scaled = (picture - np.float32(low)) * np.float32(4095.0 / max(high - low, 1e-6))
    return table[np.clip(scaled, 0.0, 4095.0).astype(np.uint16)]


def equalised(picture: Map, clip: float, tiles: int, share: float) -> Map:
    """`picture` (0 to 1) mixed with its contrast-limited local equalisation by `share`."""
    deep = (np.clip(picture, 0, 1) * 65535.0).astype(np.uint16)
    local = cv2.createCLAHE(clipLimit=clip, tileGridSize=(tiles, tiles)).apply(deep)
    return cv2.addWeighted(picture, 1.0 - share, local.astype(np.float32), share / 65535.0, 0.0)


def quantised(picture: Map, bits: int) -> Map:
    """`picture` (0 to 1) rounded to 2**bits steps."""
    steps = np.float32(2**bits - 1)
    return np.rint(np.clip(picture, 0, 1) * steps) / steps


def recompressed(picture: Map, quality: int) -> Map:
    """`picture` (0 to 1) through an 8-bit JPEG of that quality (1 to 100)."""
    eight = np.rint(np.clip(picture, 0, 1) * 255.0).astype(np.uint8)
    done, data = cv2.imencode(".jpg", eight, [cv2.IMWRITE_JPEG_QUALITY, quality])
    if not done:
        raise RuntimeError("the JPEG encoder refused an 8-bit grey picture")
    back = np.asarray(cv2.imdecode(data, cv2.IMREAD_GRAYSCALE))
    return back.astype(np.float32) / np.float32(255.0)
