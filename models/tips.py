"""Tips of instruments on a crop: what several looks of the network say together.

The network's cells are 3 mm wide, and of two tips within two cells it names one. So a crop that
shows an instrument is looked at twice more from closer by; places that looks share are one tip,
with the mean of their probabilities. On lateral films, where instruments of both sides of the
bone are shown over one another, a line that ends beside a tip and looks like its shaft is a tip
too. Films without instruments are looked at once.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from models.geometry import EXTENT, Similarity
from models.line_ends import LineEnd, line_ends

Array = NDArray[np.float64]
Out = Mapping[str, Array]

LOOK_FROM = 0.25
"""Probability of the likeliest tip from which on a crop is looked at again."""
CLOSER = (0.75, 0.65)
"""Sides of the further crops, as shares of the first one's. Chosen with `FOUND` on 200 rendered
films of procedures; at half its side the network knows instruments no more."""
FOUND = 0.25
"""Mean probability from which on a place counts as a tip."""
SAME_MM = 2.5
"""Places of two looks nearer than this are one tip."""
W_MM = 82.0
"""Epicondylar width, by which a crop's pixels are mm (docs/reference/sources.md, both sexes)."""

BESIDE_MM = 8.5
"""How far from a tip another one is looked for."""
BEHIND_MM = 4.0
"""So far behind a tip shafts cross and hubs hang: no tip is looked for there."""
OWN_MM = 3.5
"""Within this of a tip the end of a line is its own shaft's."""
CLEAR, FAINTEST = 1.9, 0.5
REST = (-0.35, 0.4)
"""A shaft's end: how clear the step, how even the line, how little is left before it."""
WIDTH_MM = (0.9, 2.3)
WIDTHS, CONTRASTS = (0.6, 1.7), (0.65, 1.5)
"""Width of a shaft as shown; its width and contrast as shares of its neighbour's."""


def tips_of(
    pixels: NDArray[np.float32],
    transform: Similarity,
    out: Out,
    view: str,
    look: Callable[[Similarity], Out],
) -> Array:
    """(T, 2) film pixels of the tips on a crop.

    Args:
        pixels: (rows, columns) of the film.
        transform: the crop; `out` what the network says of it. Weights from before it looked for
            tips know of none.
        look: the network's word on another crop of the same film.
    """
    if "tips" not in out or out["tips_found"].max() < LOOK_FROM:
        return np.zeros((0, 2))
    mm_per_px = W_MM * transform.scale * EXTENT / transform.size
    looks = [(transform, out)]
    for share in CLOSER:
        closer = nearer(transform, share)
        looks.append((closer, look(closer)))
    places, chance = together(looks, SAME_MM / mm_per_px)
    on_film = ((places >= 0) & (places <= np.array(pixels.shape[::-1]) - 1)).all(axis=1)
    tips = places[on_film & (chance > FOUND)]
    if view != "lateral":
        return tips
    return np.concatenate([tips, beside(pixels, tips, mm_per_px)])


def nearer(transform: Similarity, share: float) -> Similarity:
    """A crop about the same middle whose side is that share of the first one's."""
    middle = (transform.size - 1) / 2
    matrix = transform.matrix / share
    matrix[:, 2] += middle - middle / share
    return Similarity(matrix, transform.size)


def together(looks: Sequence[tuple[Similarity, Out]], same_px: float) -> tuple[Array, Array]:
    """Places (N, 2) on the film that looks at it share, and the mean of their probabilities.

    The likeliest first; of each look the nearest place within `same_px` belongs to it. The mean
    is over all looks whose crop holds the place.
    """
    places = [transform.back(out["tips"]) for transform, out in looks]
    chances = [np.array(out["tips_found"]) for _, out in looks]
    found: list[Array] = []
    mean: list[float] = []
    while True:
        best = int(np.argmax([own.max() for own in chances]))
        k = int(chances[best].argmax())
        if chances[best][k] <= 0.05:
            return np.array(found).reshape(-1, 2), np.array(mean)
        at = places[best][k]
        own, share = [], []
        for xy, left in zip(places, chances, strict=True):
            far = np.where(left > 0, np.linalg.norm(xy - at, axis=1), np.inf)
            near = k if xy is places[best] else int(far.argmin())
            if far[near] < same_px:
                own.append(xy[near])
                share.append(left[near])
                left[near] = 0.0
        holding = sum(_holds(transform, at) for transform, _ in looks)
        found.append(np.average(own, axis=0, weights=share))
        mean.append(sum(share) / max(holding, 1))


def _holds(transform: Similarity, xy: Array) -> bool:
    at = transform.forward(xy)
    return bool(((at > -0.5) & (at < transform.size - 0.5)).all())


def beside(pixels: NDArray[np.float32], tips: Array, mm_per_px: float) -> Array:
    """(N, 2) ends of shafts beside known tips that are none of theirs."""
    ends = [line_ends(pixels, tip, mm_per_px, BESIDE_MM) for tip in tips]
    shafts = [_own(tip, its, mm_per_px) for tip, its in zip(tips, ends, strict=True)]
    known, found = list(tips), []
    for shaft, its in zip(shafts, ends, strict=True):
        for end in its:
            if shaft is None or end is shaft or not _alike(end, shaft):
                continue
            if (end.xy - shaft.xy) @ shaft.ahead * mm_per_px < -BEHIND_MM:
                continue
            far = min(np.linalg.norm(end.xy - other) for other in known) * mm_per_px
            if far < 2.0 or any(_on(end, own, mm_per_px) for own in shafts if own is not None):
                continue
            known.append(end.xy)
            found.append(end.xy)
    return np.array(found).reshape(-1, 2)


def _own(tip: Array, ends: Sequence[LineEnd], mm_per_px: float) -> LineEnd | None:
    """The end of a tip's own shaft: the nearest one."""
    near = [(float(np.linalg.norm(end.xy - tip)) * mm_per_px, k) for k, end in enumerate(ends)]
    far, k = min(near, default=(np.inf, 0))
    return ends[k] if far < OWN_MM else None


def _alike(end: LineEnd, shaft: LineEnd) -> bool:
    """Whether a line ends as a shaft does, and looks like the one beside it."""
    return (
        end.clear > CLEAR
        and end.faintest > FAINTEST
        and REST[0] < end.rest < REST[1]
        and WIDTH_MM[0] < end.width_mm < WIDTH_MM[1]
        and WIDTHS[0] < end.width_mm / max(shaft.width_mm, 0.1) < WIDTHS[1]
        and CONTRASTS[0] < end.contrast / shaft.contrast < CONTRASTS[1]
    )


def _on(end: LineEnd, shaft: LineEnd, mm_per_px: float) -> bool:
    """Whether an end lies on a shaft and along it: its other end, or a gap in it."""
    v = (end.xy - shaft.xy) * mm_per_px
    aside = abs(v[0] * shaft.ahead[1] - v[1] * shaft.ahead[0])
    return bool(v @ shaft.ahead < 1.5 and aside < 1.5 and abs(end.ahead @ shaft.ahead) > 0.77)
