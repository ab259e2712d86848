"""Ends of thin dense lines on a film: where the shaft of an instrument stops.

A line is denser than both its sides. Along every direction its contrast is averaged over a stretch
behind a place and one before it; an end is where the first is high and the second is low in all
directions near the line's own (a matched filter as for vessels, Chaudhuri et al., IEEE Trans Med
Imaging 1989;8:263, from memory; here with its end stopped). Each such place is measured again in a
strip at full resolution: a robust straight line through the ridge, then a blurred step fitted to
the contrast along it.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Grey = NDArray[np.float32]

STEP_MM = 0.4
"""Of the picture in which ends are looked for."""
SIDE_MM = 2.0
"""From a line's middle to its sides: shafts are 1 to 2.2 mm thick (common practice)."""
NEAR_MM, FAR_MM = (0.8, 1.6, 2.4), (3.2, 4.0, 4.8)
"""Where contrast is looked at behind an end, nearer and farther half, and (nearer) before it."""
TURNS = 48
"""Directions that are tried, over the whole circle."""
FAN = 4
"""So many directions to either side of a line's own must be empty before its end (30 degrees)."""
APART_MM, APART_DEG = 2.0, 40.0
"""Ends nearer to one another than both are one."""
LEAST = 3.0
"""An end is measured from this many standard deviations (by median) of all contrast on."""
MOST = 10
"""So many are measured at most, the strongest first."""

STRIP_MM = (-6.0, 5.0)
"""Stretch of the axis that is measured, behind and before the end."""
WIDE_MM, GRAIN_MM = 3.0, 0.25
"""Half the strip's width, and its step."""
BLUR_MM = 0.7
"""Width of the step in which contrast ends: blur, and the taper of a point."""
POINT_MM = 0.45
"""A point tapers: its contrast is half gone so far before its tip. Measured on rendered films of
procedures."""


@dataclass(frozen=True)
class LineEnd:
    """Where a line ends.

    Attributes:
        xy: (2,) pixels of the film.
        ahead: (2,) unit film direction from the line through its end.
        sd_mm: standard deviation of the end's place along the line, from the noise about the step.
        contrast: of the line against the denser of its sides, grey levels.
        rest: what is left of it before the end, as a share.
        faintest: the line's faintest stretch of 1.25 mm, as a share.
        clear: the step's height in standard deviations of what is about it.
        width_mm: full width at half height.
    """

    xy: Array
    ahead: Array
    sd_mm: float
    contrast: float
    rest: float
    faintest: float
    clear: float
    width_mm: float


def line_ends(pixels: Grey, around: Array, mm_per_px: float, reach_mm: float) -> list[LineEnd]:
    """Ends of straight lines that begin within `reach_mm` of a point, the strongest first.

    Args:
        pixels: (rows, columns), dense = bright.
        around: (2,) pixels.
        mm_per_px: at the knee, to a tenth.
    """
    found: list[LineEnd] = []
    for xy, ahead in _places(pixels, np.asarray(around, dtype=np.float64), mm_per_px, reach_mm):
        end = measured(pixels, xy, ahead, mm_per_px)
        if end is None:
            continue
        apart = [np.linalg.norm(end.xy - other.xy) * mm_per_px for other in found]
        if all(
            far > 0.75 * APART_MM or end.ahead @ other.ahead < np.cos(np.deg2rad(APART_DEG))
            for far, other in zip(apart, found, strict=True)
        ):
            found.append(end)
    return found


def measured(pixels: Grey, xy: Array, ahead: Array, mm_per_px: float) -> LineEnd | None:
    """The end of the line near `xy` that runs about `ahead`; None where there is none.

    The axis is fitted twice; a line that is still not where it was taken to be is no straight one.
    """
    s = np.arange(STRIP_MM[0], STRIP_MM[1] + 1e-9, GRAIN_MM)
    u = np.arange(-WIDE_MM, WIDE_MM + 1e-9, GRAIN_MM)
    for turn, shift in ((20.0, 1.3), (5.0, 0.5)):
        axis = _axis(_strip(pixels, xy, ahead, mm_per_px, s, u), s, u)
        if axis is None or abs(axis[0]) > shift or abs(axis[1]) > np.tan(np.deg2rad(turn)):
            return None
        n = np.array([-ahead[1], ahead[0]])
        way = ahead + axis[1] * n
        way = way / np.linalg.norm(way)
        strip = _strip(pixels, xy + axis[0] * n / mm_per_px, way, mm_per_px, s, u)
        step = _step(_profile(strip, u), s)
        xy, ahead = xy + (axis[0] * n + step.at * way) / mm_per_px, way
    behind = s < step.at - 1.2
    if behind.sum() < 8 or step.high <= 0:
        return None
    faintest = np.convolve(_profile(strip, u)[behind], np.full(5, 0.2), "valid").min()
    return LineEnd(
        xy=xy + POINT_MM * ahead / mm_per_px,
        ahead=ahead,
        sd_mm=step.sd,
        contrast=step.high,
        rest=step.low / step.high,
        faintest=float(faintest) / step.high,
        clear=(step.high - step.low) / step.noise,
        width_mm=_width(strip[behind], u),
    )


# ---- where lines may end ------------------------------------------------------------------------


def _places(
    pixels: Grey, around: Array, mm_per_px: float, reach_mm: float
) -> list[tuple[Array, Array]]:
    """(2,) pixels and (2,) direction of places where contrast ends, the strongest first."""
    reach = int(np.ceil(reach_mm / STEP_MM))
    margin = int(np.ceil((FAR_MM[-1] + SIDE_MM) / STEP_MM)) + 2
    picture = _patch(pixels, around, mm_per_px / STEP_MM, 2 * (reach + margin) + 1)
    angles = np.arange(TURNS) * (2 * np.pi / TURNS)
    ways = np.stack([np.cos(angles), np.sin(angles)], axis=1)
    lines = [_contrast(picture, way) for way in ways[: TURNS // 2]] * 2
    pairs = list(zip(lines, ways, strict=True))
    ahead = np.stack([_mean(line, way, NEAR_MM, reach) for line, way in pairs])
    half = [np.stack([_mean(line, -way, at, reach) for line, way in pairs]) for at in _HALVES]
    widest = np.maximum(ahead, 0.0)
    for k in (*range(-FAN, 0), *range(1, FAN + 1)):
        np.maximum(widest, np.roll(ahead, k, axis=0), out=widest)
    drop = np.minimum(*half) - widest
    spread = max(1.4826 * float(np.median(np.abs(ahead - np.median(ahead)))), 1e-6)
    grid = (np.arange(2 * reach + 1) - reach) * STEP_MM
    drop[:, np.hypot(grid[None], grid[:, None]) > reach_mm] = 0.0
    found: list[tuple[Array, Array]] = []
    while len(found) < MOST:
        k, i, j = np.unravel_index(int(drop.argmax()), drop.shape)
        if drop[k, i, j] < LEAST * spread:
            break
        found.append((around + np.array([grid[j], grid[i]]) / mm_per_px, ways[k]))
        same = np.flatnonzero(ways @ ways[k] > np.cos(np.deg2rad(APART_DEG)))
        close = np.hypot(grid[None] - grid[j], grid[:, None] - grid[i]) < APART_MM
        drop[same] = np.where(close, 0.0, drop[same])
    return found


_HALVES = (NEAR_MM, FAR_MM)


def _patch(pixels: Grey, around: Array, scale: float, side: int) -> Grey:
    """(side, side) of the film about a point, `scale` of its pixels a film pixel, lightly smoothed;
    beyond the film as at its edge."""
    shift = (side - 1) / 2 - scale * around
    size = np.array(pixels.shape[::-1])
    low = np.clip(np.floor(-shift / scale).astype(int) - 4, 0, size - 1)
    high = np.maximum(np.ceil((side - shift) / scale).astype(int) + 5, low + 1)
    part = np.ascontiguousarray(pixels[low[1] : high[1], low[0] : high[0]], dtype=np.float32)
    if scale < 0.7:  # what is finer than the picture's own step would alias
        part = cv2.GaussianBlur(part, (0, 0), 0.5 * np.sqrt(1.0 / scale**2 - 1.0))
    start = shift + scale * low
    matrix = np.array([[scale, 0.0, start[0]], [0.0, scale, start[1]]])
    moved = cv2.warpAffine(part, matrix, (side, side), borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(cv2.GaussianBlur(moved, (0, 0), 0.8), dtype=np.float32)


def _contrast(picture: Grey, way: Array) -> Grey:
    """Of a line along `way` at every place, against the denser of its sides: an edge has none."""
    x, y = np.rint(SIDE_MM / STEP_MM * np.array([-way[1], way[0]])).astype(int)
    sides = [np.roll(picture, (sign * y, sign * x), axis=(0, 1)) for sign in (1, -1)]
    return picture - np.maximum(*sides)


def _mean(contrast: Grey, way: Array, places_mm: tuple[float, ...], reach: int) -> Grey:
    """Mean of the contrast at places along `way`, for the picture's middle alone."""
    c = (len(contrast) - 1) // 2
    out = np.zeros((2 * reach + 1, 2 * reach + 1), dtype=np.float32)
    for place in places_mm:
        x, y = np.rint(place * way / STEP_MM).astype(int)
        out += contrast[c + y - reach : c + y + reach + 1, c + x - reach : c + x + reach + 1]
    return out / np.float32(len(places_mm))


# ---- along one axis -----------------------------------------------------------------------------


@dataclass(frozen=True)
class _Step:
    """A step down: its place and the place's standard deviation, mm; levels; noise about it."""

    at: float
    sd: float
    high: float
    low: float
    noise: float


def _strip(pixels: Grey, xy: Array, ahead: Array, mm_per_px: float, s: Array, u: Array) -> Array:
    """(S, U) grey at `s` mm along and `u` mm across an axis."""
    n = np.array([-ahead[1], ahead[0]])
    at = xy + (s[:, None, None] * ahead + u[None, :, None] * n) / mm_per_px
    return cv2.remap(
        np.asarray(pixels, dtype=np.float32),
        at[..., 0].astype(np.float32),
        at[..., 1].astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    ).astype(np.float64)


def _profile(strip: Array, u: Array) -> Array:
    """(S,) contrast of a strip's middle against the denser of its sides."""
    side = (np.abs(u) >= 1.6) & (np.abs(u) <= 2.6)
    left, right = (strip[:, side & (sign * u > 0)].mean(axis=1) for sign in (1, -1))
    profile: Array = strip[:, np.abs(u) <= 0.5].mean(axis=1) - np.maximum(left, right)
    return profile


def _axis(strip: Array, s: Array, u: Array) -> tuple[float, float] | None:
    """Where a line lies in a strip behind its end: across at s = 0, mm, and its slope.

    Least squares with Cauchy's weights, squared, about the ridge's place in every row.
    """
    use = s < -0.5
    part = cv2.GaussianBlur(strip[use].astype(np.float32), (0, 0), sigmaX=1.2, sigmaY=2.5)
    inner = np.arange(4, len(u) - 4)
    n = round(SIDE_MM / GRAIN_MM)
    sides = [part[:, np.clip(inner + sign * n, 0, len(u) - 1)] for sign in (1, -1)]
    ridge = part[:, inner] - np.maximum(*sides)
    place, height = u[inner[ridge.argmax(axis=1)]], np.clip(ridge.max(axis=1), 0.0, None)
    if (height > 0).mean() < 0.6:
        return None
    x, weight = s[use], height.astype(np.float64)
    offset = slope = 0.0
    for _ in range(5):
        middle_x, middle = np.average(x, weights=weight), np.average(place, weights=weight)
        run = x - middle_x
        slope = float((weight * run * (place - middle)).sum() / (weight * run**2).sum())
        offset = float(middle - slope * middle_x)
        weight = height / (1.0 + ((place - offset - slope * x) / 0.4) ** 2) ** 2
    return offset, slope


def _step(profile: Array, s: Array) -> _Step:
    """The blurred step down that explains a profile best; levels are linear, places are tried."""
    places = np.arange(-3.5, 3.5 + 1e-9, 0.1)
    # 1.702: the logistic curve nearest to the normal distribution's
    shape = 1.0 / (1.0 + np.exp(-1.702 * (places[:, None] - s[None]) / BLUR_MM))
    n, sx, sxx, sxy = len(s), shape.sum(axis=1), (shape**2).sum(axis=1), shape @ profile
    gain = (n * sxy - sx * profile.sum()) / (n * sxx - sx**2)
    level = (profile.sum() - gain * sx) / n
    left = (profile**2).sum() - gain * sxy - level * profile.sum()
    k = int(np.where(gain > 0, left, np.inf).argmin())
    noise = max(float(np.sqrt(max(float(left[k]), 0.0) / (n - 3))), 1e-6)
    slope = 1.702 / BLUR_MM * gain[k] * shape[k] * (1.0 - shape[k])
    sd = noise / max(float(np.linalg.norm(slope)), 1e-9)
    return _Step(float(places[k]), sd, float(level[k] + gain[k]), float(level[k]), noise)


def _width(strip: Array, u: Array) -> float:
    """Full width at half height of the line that runs up a strip's middle, mm."""
    across, c = strip.mean(axis=0), len(u) // 2
    foot = max(across[:c].min(), across[c:].min())
    low = across <= (across[np.abs(u) <= 0.5].max() + foot) / 2
    left, right = np.append(low[c::-1], True), np.append(low[c:], True)
    return float((left.argmax() + right.argmax() - 1) * GRAIN_MM)
