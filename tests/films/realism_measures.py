"""What `realism.py` measures on crops of knees: spectra, gradients, edges, distances.

Everything here is plain arithmetic on arrays, checked against known answers in
`test_realism.py`. A *crop* is a (SIZE, SIZE) float32 picture of a knee, 3 W (epicondylar widths)
on a side, femur up, grey 0 to 1.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

BINS = 64
"""Grey values told apart in a histogram."""
BANDS = (1.5, 3.0, 6.0, 12.0, 24.0, 42.0)
"""Edges of the bands of a spectrum, cycles per W."""


def histogram(values: NDArray[np.floating]) -> Array:
    """(BINS,) shares of grey values between 0 and 1."""
    counts = np.histogram(values, BINS, (0.0, 1.0))[0].astype(float)
    return np.asarray(counts / max(counts.sum(), 1.0))


def transport(one: Array, other: Array) -> float:
    """Wasserstein-1 distance between two histograms over 0 to 1: area between their sums."""
    return float(np.abs(np.cumsum(one) - np.cumsum(other)).sum() / len(one))


def transport_of_samples(one: Array, other: Array) -> float:
    """Wasserstein-1 distance between two samples of numbers, any sizes."""
    both = np.sort(np.concatenate([one, other]))
    steps = np.diff(both)
    a = np.searchsorted(np.sort(one), both[:-1], side="right") / len(one)
    b = np.searchsorted(np.sort(other), both[:-1], side="right") / len(other)
    return float((np.abs(a - b) * steps).sum())


def radial_power(picture: NDArray[np.floating]) -> tuple[Array, Array]:
    """Cycles per side (1 .. half the side) and mean power in rings one cycle wide.

    The picture, square, is freed of its mean and faded out by a Hann window, so that its edges
    make no cross in the spectrum; power is per picture of unit mean square window.
    """
    size = len(picture)
    fade = np.hanning(size + 2)[1:-1]
    window = np.outer(fade, fade)
    flat = (picture - (picture * window).sum() / window.sum()) * window
    power = np.abs(np.fft.fft2(flat)) ** 2 / ((window**2).sum() * size**2)
    at = np.fft.fftfreq(size, 1.0 / size)
    ring = np.rint(np.hypot(at[:, None], at[None, :])).astype(int)
    total = np.bincount(ring.ravel(), power.ravel())
    count = np.bincount(ring.ravel())
    k = np.arange(1, size // 2)
    return k.astype(float), total[k] / count[k]


def slope(frequency: Array, power: Array) -> float:
    """Exponent of a power law fitted to a spectrum, every octave weighing the same."""
    weight = 1.0 / np.sqrt(frequency)
    fit = np.polyfit(np.log(frequency), np.log(power + 1e-12), 1, w=weight)
    return float(fit[0])


def band_power(frequency: Array, power: Array, extent: float = 3.0) -> Array:
    """log10 of the mean power in each of `BANDS` of a crop `extent` W on a side."""
    per_width = frequency / extent
    out = []
    for low, high in itertools.pairwise(BANDS):
        inside = (per_width >= low) & (per_width < high)
        out.append(np.log10(power[inside].mean() + 1e-12))
    return np.array(out)


def gradient(picture: NDArray[np.floating], sigma: float) -> NDArray[np.float32]:
    """Length of the gradient after a blur of `sigma` pixels, grey per pixel."""
    soft = cv2.GaussianBlur(np.asarray(picture, np.float32), (0, 0), sigma)
    return np.asarray(
        np.hypot(
            cv2.Sobel(soft, cv2.CV_32F, 1, 0, scale=0.125),
            cv2.Sobel(soft, cv2.CV_32F, 0, 1, scale=0.125),
        )
    )


def gradient_statistics(picture: NDArray[np.floating], inside: NDArray[np.bool_]) -> dict:
    """Quantiles (log10) of the gradient's length at two scales and how heavy its tail is."""
    out = {}
    for name, sigma in (("fine", 0.7), ("coarse", 2.0)):
        values = gradient(picture, sigma)[inside]
        low, middle, high, top = np.quantile(values, (0.25, 0.5, 0.9, 0.99)) + 1e-5
        out[f"gradient {name} median"] = float(np.log10(middle))
        out[f"gradient {name} 90 %"] = float(np.log10(high))
        out[f"gradient {name} tail"] = float(np.log10(top / middle))
        out[f"gradient {name} quiet"] = float(np.log10(middle / low))
    return out


def sample(picture: NDArray[np.floating], xy: Array) -> Array:
    """Grey at (..., 2) places between pixels, linearly; NaN outside."""
    xy = np.asarray(xy, dtype=float)
    flat = xy.reshape(-1, 2).astype(np.float32)
    values = cv2.remap(
        np.asarray(picture, np.float32),
        flat[:, :1],
        flat[:, 1:],
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=float("nan"),
    )
    return np.asarray(values, dtype=float).reshape(xy.shape[:-1])


def across_shaft(
    picture: NDArray[np.floating], one: Array, other: Array, along: Array, width: float
) -> dict[str, float]:
    """Cortex, canal and flesh of a shaft between two opposite points of its outer cortex.

    Args:
        picture: crop.
        one, other: (2,) the two points, pixels.
        along: (2,) unit vector along the shaft.
        width: W, pixels.

    Returns:
        `flesh`: grey beside the bone (mean of both sides, 0.06 W out); `cortex`: the brighter
        ridge above the flesh, `canal`: middle of the bone above the flesh, `rise`: steepest
        change at the outer edge in cortex heights per 0.01 W; `cortex width`: in W, where the
        profile is above half way between canal and ridge. NaN where the bone is off the crop.
    """
    across = (other - one) / np.linalg.norm(other - one)
    span = float(np.linalg.norm(other - one))
    step = width / 200.0
    t = np.arange(-0.12 * width, span + 0.12 * width, step)
    s = np.linspace(-0.05, 0.05, 9) * width
    places = one + t[:, None, None] * across + s[None, :, None] * along
    profile = sample(picture, places).mean(axis=1)
    flesh, ridge, rise, thick = [], [], [], []
    middle = float(np.median(profile[(t > 0.4 * span) & (t < 0.6 * span)]))
    for side in (profile, profile[::-1]):
        outer = float(side[int(0.05 * width / step) : int(0.08 * width / step)].mean())
        part = side[int(0.06 * width / step) : int(0.12 * width / step + 0.45 * span / step)]
        top = float(part.max()) if len(part) else float("nan")
        flesh.append(outer)
        ridge.append(top - outer)
        rise.append(float(np.diff(part).max()) * 2.0 / max(top - outer, 0.02))
        thick.append(float((part > 0.5 * (top + middle)).sum()) * step / width)
    return {
        "flesh": float(np.mean(flesh)),
        "cortex": float(np.mean(ridge)),
        "canal": middle - float(np.mean(flesh)),
        "rise": float(np.mean(rise)),
        "cortex width": float(np.mean(thick)),
    }


def roughness(picture: NDArray[np.floating], at: Array, reach: float) -> tuple[float, float]:
    """log10 deviation within `reach` pixels of a place: fine (finer than 1.2 px), middling."""
    x, y = np.rint(at).astype(int)
    r = round(reach)
    part = np.asarray(picture, np.float32)[max(0, y - r) : y + r + 1, max(0, x - r) : x + r + 1]
    if min(part.shape, default=0) < r + 1:
        return float("nan"), float("nan")
    soft = cv2.GaussianBlur(part, (0, 0), 1.2)
    softer = cv2.GaussianBlur(part, (0, 0), 4.0)
    return (
        float(np.log10((part - soft).std() + 1e-4)),
        float(np.log10((soft - softer).std() + 1e-4)),
    )


def grain(picture: NDArray[np.floating], at: Array, along: Array, reach: float) -> float:
    """log10 of how much faster grey changes across a direction than along it, within `reach`
    pixels: above 0 where the texture runs along."""
    across = np.array([-along[1], along[0]])
    t = np.arange(-reach, reach + 0.5)
    patch = sample(picture, at + t[:, None, None] * along + t[None, :, None] * across)
    if not np.isfinite(patch).all():
        return float("nan")
    patch = patch - cv2.GaussianBlur(patch, (0, 0), 4.0)
    return float(
        np.log10((np.diff(patch, axis=1).std() + 1e-5) / (np.diff(patch, axis=0).std() + 1e-5))
    )


def by_film(
    measure: Callable[[NDArray[np.intp], NDArray[np.intp]], float],
    real: int,
    synthetic: int,
    rng: np.random.Generator,
    rounds: int = 400,
) -> tuple[float, float, float]:
    """A measure of the films (indices of real, of synthetic ones) and its 95 % interval by
    drawing films with replacement."""
    value = measure(np.arange(real), np.arange(synthetic))
    drawn = [
        measure(rng.integers(0, real, real), rng.integers(0, synthetic, synthetic))
        for _ in range(rounds)
    ]
    low, high = np.quantile(drawn, (0.025, 0.975))
    return value, float(low), float(high)


def coverage(real: Array, synthetic: Array, k: int = 3) -> tuple[float, float]:
    """Shares of real films that lie among the synthetic ones, and of synthetic among real.

    A film lies among others when it is nearer to one of them than that one's own k-th neighbour
    of its kind (Kynkaanniemi et al., NeurIPS 2019, arXiv 1904.06991: recall and precision).
    Rows are films, columns standardised features.
    """

    def within(points: Array, others: Array) -> float:
        apart = np.linalg.norm(others[:, None] - others[None], axis=2)
        radius = np.sort(apart, axis=1)[:, k]
        away = np.linalg.norm(points[:, None] - others[None], axis=2)
        return float((away <= radius).any(axis=1).mean())

    return within(real, synthetic), within(synthetic, real)


def balanced_accuracy(truth: NDArray[np.bool_], said: NDArray[np.bool_]) -> float:
    """Mean of the shares of real and of synthetic films that are called right."""
    return float(0.5 * (said[truth].mean() + (~said[~truth]).mean()))
