"""95 % intervals of what was measured."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def interval(
    values: Sequence[Array], statistic: Callable[[Array], float], rounds: int = 1000
) -> tuple[float, float, float]:
    """`statistic` of all values and its 95 % bootstrap interval, resampling whole films.

    Args:
        values: (n,) scores of each film, n as it comes; empty arrays and NaN are ignored.
    """
    kept = [v[~np.isnan(v)] for v in values]
    kept = [v for v in kept if len(v)]
    if not kept:
        return float("nan"), float("nan"), float("nan")
    rng = np.random.default_rng(0)
    sizes = np.array([len(v) for v in kept])
    flat, starts = np.concatenate(kept), np.concatenate([[0], np.cumsum(sizes)[:-1]])
    draws = []
    for _ in range(rounds if len(kept) > 1 else 0):
        pick = rng.integers(0, len(kept), len(kept))
        if (sizes == sizes[0]).all():
            rows = (starts[pick][:, None] + np.arange(sizes[0])).ravel()
        else:
            rows = np.concatenate([np.arange(starts[i], starts[i] + sizes[i]) for i in pick])
        draws.append(statistic(flat[rows]))
    low, high = np.percentile(draws, [2.5, 97.5]) if draws else (float("nan"),) * 2
    return float(statistic(flat)), float(low), float(high)


def binomial(successes: int, n: int) -> tuple[float, float]:
    """Exact 95 % interval of a share (Clopper & Pearson 1934, Biometrika 26:404)."""
    from scipy.stats import beta

    low = float(beta.ppf(0.025, successes, n - successes + 1)) if successes else 0.0
    high = float(beta.ppf(0.975, successes + 1, n - successes)) if successes < n else 1.0
    return low, high


def share(values: Sequence[float]) -> dict[str, float | int]:
    """The mean of zeros and ones with its exact interval."""
    n = len(values)
    if not n:
        return {"n": 0}
    successes = round(sum(values))
    low, high = binomial(successes, n)
    return {"n": n, "share": successes / n, "low": low, "high": high}
