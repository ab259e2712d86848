"""Tips of instruments on a crop: what several looks of the network say together.

The network's cells are 3 mm wide, and of two tips within two cells it names one. So a crop that
shows an instrument is looked at twice more from closer by; places that looks share are one tip,
with the mean of their probabilities. Films without instruments are looked at once.

Tried and left out: ends of shafts found by their contrast at full resolution. They place a tip
worse than the network (median 0.65 mm against 0.3), and on films other than those they were tuned
on the tips that they named beside the network's were wrong half of the time: a cortex that crosses
a shaft ends as a shaft does.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from models.geometry import EXTENT, Similarity

Array = NDArray[np.float64]
Out = Mapping[str, Array]

LOOK_FROM = 0.25
"""Probability of the likeliest tip from which on a crop is looked at again."""
CLOSER = (0.75, 0.65)
"""Sides of the further crops, as shares of the first one's. Chosen with `FOUND` on 196 rendered
films of procedures; at half its side the network knows instruments no more."""
FOUND = 0.25
"""Mean probability from which on a place counts as a tip."""
HINT = 0.05
"""Probability from which on a look hints at a tip."""
SAME_MM = 2.5
"""Places of two looks nearer than this are one tip."""
W_MM = 82.0
"""Epicondylar width, by which a crop's pixels are mm (docs/reference/sources.md, both sexes)."""


def tips_of(
    shape: tuple[int, ...],
    transform: Similarity,
    out: Out,
    look: Callable[[Similarity], Out],
) -> Array:
    """(T, 2) film pixels of the tips on a crop.

    Args:
        shape: (rows, columns) of the film.
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
    on_film = ((places >= 0) & (places <= np.array(shape[::-1]) - 1)).all(axis=1)
    return places[on_film & (chance > FOUND)]


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
        if chances[best][k] <= HINT:
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
