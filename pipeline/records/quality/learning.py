"""Levels that are learnt point by point, so that charts are right from few points on.

A level taken from few points is off by chance, and a chart that believes it cries wolf: with 18
points behind it three times as often as the tables say (`tests/records/bench_drift.py`). Here
each point is judged by the points before it and by how little they tell, then learnt from.
While nothing changes its scores are independent and standard normal however few points came
before: Hawkins 1987, The Statistician 36:295 (self-starting CUSUM, means); Quesenberry 1991,
J Qual Technol 23:213 and 23:239 (Q charts). Shares: the law of the next count given those before,
beta-binomial with Jeffreys' prior. Sources from memory; tests hold the scores against simulation.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special, stats

from pipeline.records.quality.control import TAIL, Chart, Rule, run_rules, shares

Floats = NDArray[np.float64]
OUTLYING = 3.0
"""A point further out, in standard deviations, is not learnt from."""


@dataclass(frozen=True)
class Learnt:
    """N points as they were met.

    Attributes:
        z: (N,) scores, NaN where there is no point or too few came before.
        taken: (N,) which points were learnt from: none once a CUSUM of the scores has spoken.
    """

    z: Floats
    taken: NDArray[np.bool_]


def learn(
    there: NDArray[np.bool_],
    score: Callable[[int, NDArray[np.int64]], float],
    least: int,
    k: float,
    h: float,
) -> Learnt:
    """Goes through the points.

    Args:
        there: (N,) where there is a point.
        score: standard normal score of a point, from its index and those learnt from before.
        least: points that must come before one that is judged.
        k, h: of the CUSUM that ends the learning.
    """
    z = np.full(len(there), np.nan)
    taken = np.zeros(len(there), dtype=bool)
    high = low = 0.0
    changed = False
    for i in np.flatnonzero(there):
        before = np.flatnonzero(taken[:i])
        if len(before) >= least:
            z[i] = score(int(i), before)
            high, low = max(0.0, high + z[i] - k), max(0.0, low - z[i] - k)
            changed = changed or max(high, low) > h
        taken[i] = not changed and not abs(z[i]) > OUTLYING
    return Learnt(z, taken)


def learn_means(
    values: Floats, rules: tuple[Rule, ...], least: int, k: float, h: float
) -> tuple[Chart, Learnt]:
    """The chart of means with limits as wide as what came before is uncertain."""

    def score(i: int, before: NDArray[np.int64]) -> float:
        centre, sd, n = _of(values[before])
        if not sd > 0:
            return 0.0 if values[i] == centre else float(np.copysign(9.0, values[i] - centre))
        t = (values[i] - centre) / sd
        far = -special.ndtri(max(special.stdtr(n - 1, -abs(t)), 1e-300))
        return float(np.copysign(far, t))

    found = learn(np.isfinite(values), score, least, k, h)
    centre, reach = np.full(len(values), np.nan), np.full(len(values), np.nan)
    for i in range(len(values)):
        before = np.flatnonzero(found.taken[:i])
        if len(before) >= least:
            centre[i], sd, n = _of(values[before])
            reach[i] = sd * stats.t.isf(TAIL, n - 1)
    signals = run_rules(found.z, rules)
    return Chart(values, centre, centre - reach, centre + reach, found.z, signals), found


def _of(known: Floats) -> tuple[float, float, int]:
    """Mean, standard deviation of the next point about it, and number of points."""
    n = len(known)
    return float(known.mean()), float(known.std(ddof=1) * np.sqrt(1 + 1 / n)), n


def _score(count: int, size: int, a: float, b: float) -> float:
    """Normal score of the mid-P value of `count` of `size` under a beta-binomial law."""
    k = np.arange(count + 1)
    chosen = -np.log1p(size) - special.betaln(size - k + 1, k + 1)
    p = np.exp(chosen + special.betaln(k + a, size - k + b) - special.betaln(a, b))
    return float(special.ndtri(np.clip(p.sum() - 0.5 * p[-1], 1e-12, 1 - 1e-12)))


def learn_shares(
    counts: NDArray[np.int64],
    sizes: NDArray[np.int64],
    rules: tuple[Rule, ...],
    least: int,
    k: float,
    h: float,
    spread: float = 1.0,
) -> tuple[Chart, Learnt]:
    """The chart of shares: `counts` of `sizes`, (n,) one a period; scores divided by `spread`."""

    def score(i: int, before: NDArray[np.int64]) -> float:
        x, n = int(counts[before].sum()), int(sizes[before].sum())
        return _score(int(counts[i]), int(sizes[i]), x + 0.5, n - x + 0.5) / spread

    found = learn(sizes > 0, score, least, k, h)
    x, n = (np.concatenate([[0], np.cumsum(found.taken * one)[:-1]]) for one in (counts, sizes))
    ready = np.concatenate([[0], np.cumsum(found.taken)[:-1]]) >= least
    with np.errstate(invalid="ignore"):
        share = np.where(ready, x / np.maximum(n, 1), np.nan)
    sized = np.where(ready, sizes, 0)
    chart = shares(counts, sized, share, rules, (x, n))
    values = np.where(sizes > 0, counts / np.maximum(sizes, 1), np.nan)
    if spread == 1.0:
        return Chart(values, share, chart.lower, chart.upper, chart.z, chart.signals), found
    sd = spread * np.sqrt(share * (1 - share) * (1 / np.maximum(sizes, 1) + 1 / np.maximum(n, 1)))
    z = np.where(sized > 0, (values - share) / sd, np.nan)
    lower, upper = np.maximum(share - 3 * sd, 0.0), np.minimum(share + 3 * sd, 1.0)
    return Chart(values, share, lower, upper, z, run_rules(z, rules)), found
