"""Control charts: individuals with moving range, shares, run rules, CUSUM.

Sources: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2 (run rules), 6.3.2.2 (individuals),
6.3.2.3 (CUSUM), 6.3.3.2 (proportions); Montgomery, Introduction to Statistical Quality Control,
chapters 6, 7 and 9; Western Electric, Statistical Quality Control Handbook, 1956 (run rules); Page
1954, Biometrika 41:100 (CUSUM). What was taken from memory is marked in the tests.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from pipeline.language import mark

Floats = NDArray[np.float64]

D2, D4 = 1.128, 3.267
"""Mean of the range of two values in standard deviations, and the upper limit of a range of two
in mean ranges (e-Handbook 6.3.2.2, tables of Montgomery's appendix)."""
RANGE = "range"
"""Name of the rule that a moving range is beyond its limit."""
RANGE_SHARE = float(2 * stats.norm.sf(D4 * D2 / 2**0.5))
"""Share of moving ranges of normal points that are beyond it although nothing changed, 0.009."""
TAIL = float(stats.norm.sf(3.0))
"""Probability beyond three standard deviations on one side, 0.00135."""


@dataclass(frozen=True)
class Rule:
    """A run rule: `least` of `of` points in a row beyond `sigmas` on the same side.

    Attributes:
        name: by which settings choose it.
        says: for a person.
    """

    name: str
    least: int
    of: int
    sigmas: float
    says: str


RULES = (
    Rule("beyond", 1, 1, 3.0, mark("beyond three standard deviations")),
    Rule("two", 2, 3, 2.0, mark("two of three beyond two standard deviations, same side")),
    Rule("four", 4, 5, 1.0, mark("four of five beyond one standard deviation, same side")),
    Rule("eight", 8, 8, 0.0, mark("eight in a row on the same side")),
)
"""The Western Electric rules, as the e-Handbook gives them in 6.3.2."""


@dataclass(frozen=True)
class Signal:
    """A point at which a chart speaks.

    Attributes:
        at: index of the point.
        rule: name of a `Rule`, `RANGE` or "cusum".
        side: +1 above, -1 below.
        since: index of the point at which the change seems to have begun.
    """

    at: int
    rule: str
    side: int
    since: int


@dataclass(frozen=True)
class Chart:
    """A Shewhart chart of N points.

    Attributes:
        values: (N,) what is drawn; NaN where there is no point.
        centre: (N,) the centre line; lower, upper: (N,) limits.
        z: (N,) the points in standard deviations from the centre, NaN where there is none.
        signals: in order.
    """

    values: Floats
    centre: Floats
    lower: Floats
    upper: Floats
    z: Floats
    signals: tuple[Signal, ...]


@dataclass(frozen=True)
class Level:
    """What counts as unchanged: mean and standard deviation, from `n` points."""

    mean: float
    sd: float
    n: int


def level_of(values: ArrayLike) -> Level:
    """Mean, and the standard deviation from the mean moving range over `D2`; NaN are left out.

    Raises ValueError with fewer than two points. The moving range passes over missing points.
    """
    x = np.asarray(values, float)
    x = x[np.isfinite(x)]
    if len(x) < 2:
        raise ValueError("a level needs at least two points")
    return Level(float(x.mean()), float(np.abs(np.diff(x)).mean() / D2), len(x))


def individuals(values: ArrayLike, level: Level, rules: Sequence[Rule] = RULES[:1]) -> Chart:
    """The chart of individual values: limits at three standard deviations (6.3.2.2)."""
    x = np.asarray(values, float)
    z = (x - level.mean) / level.sd
    edge = np.full(len(x), 3.0 * level.sd)
    centre = np.full(len(x), level.mean)
    return Chart(x, centre, centre - edge, centre + edge, z, run_rules(z, rules))


def moving_range(values: ArrayLike, level: Level) -> Chart:
    """The chart of moving ranges of two: limits 0 and D4 mean ranges.

    `z` is 0: run rules do not hold for ranges, which follow each other.
    """
    x = np.asarray(values, float)
    ranges = np.full(len(x), np.nan)
    there = np.flatnonzero(np.isfinite(x))
    ranges[there[1:]] = np.abs(np.diff(x[there]))
    mean = level.sd * D2
    upper = np.full(len(x), D4 * mean)
    signals = [Signal(int(i), RANGE, 1, int(i)) for i in np.flatnonzero(ranges > upper)]
    centre = np.full(len(x), mean)
    return Chart(ranges, centre, np.zeros(len(x)), upper, np.zeros(len(x)), tuple(signals))


def shares(
    counts: ArrayLike,
    sizes: ArrayLike,
    share: ArrayLike,
    rules: Sequence[Rule] = RULES[:1],
    known: tuple[ArrayLike, ArrayLike] | None = None,
) -> Chart:
    """The chart of shares with exact limits, which hold for small numbers too.

    The usual limits of three standard deviations (e-Handbook 6.3.3.2) take the binomial for a
    normal distribution: with 10 films and a share of 0.1 they cry wolf 10 times as often as they
    say. Here a point speaks where so many, or so few, have a probability below `TAIL`. Run
    rules see normal scores of the mid-P value (Lancaster 1961, from memory).

    Args:
        counts, sizes: (N,) how many of how many; no point where there are none.
        share: the unchanged share, above 0 and below 1.
        known: counts and sizes that the share comes from: the binomial gives way to the law of
            the next count (beta-binomial, Jeffreys' prior), which knows how little they tell.
    """
    x, n = np.asarray(counts, float), np.asarray(sizes, float)
    there = n > 0
    law = stats.binom(n, share)
    if known is not None:
        had, of = (np.asarray(one, float) for one in known)
        law = stats.betabinom(n, had + 0.5, of - had + 0.5)
    with np.errstate(divide="ignore", invalid="ignore"):
        values = np.where(there, x / n, np.nan)
        below, above = law.cdf(x), law.sf(x - 1)
        middle = below - 0.5 * law.pmf(x)
        # The smallest count whose tail is below TAIL, the largest on the other side.
        upper = np.where(there, (law.isf(TAIL) + 1) / n, np.nan)
        lower = np.where(there, (law.ppf(TAIL) - 1) / n, np.nan)
    z = np.where(there, stats.norm.ppf(np.clip(middle, 1e-12, 1 - 1e-12)), np.nan)
    signals = [one for one in run_rules(z, rules) if one.rule != "beyond"]
    if any(rule.name == "beyond" for rule in rules):
        for side, tail in ((1, above), (-1, below)):
            where = np.flatnonzero(there & (tail < TAIL))
            signals += [Signal(int(i), "beyond", side, int(i)) for i in where]
    signals.sort(key=lambda one: one.at)
    # Limits are drawn half a film inside the first count that speaks.
    half = np.where(there, 0.5 / np.maximum(n, 1), np.nan)
    centre = np.broadcast_to(np.asarray(share, float), x.shape)
    lower, upper = np.maximum(lower + half, 0.0), np.minimum(upper - half, 1.0)
    return Chart(values, centre, lower, upper, z, tuple(signals))


def run_rules(z: ArrayLike, rules: Sequence[Rule] = RULES) -> tuple[Signal, ...]:
    """Where runs of points speak, in order; missing points are passed over.

    A rule speaks at the point that fulfils it, which itself is on that side.
    """
    x = np.asarray(z, float)
    there = np.flatnonzero(np.isfinite(x))
    seen = x[there]
    found: list[Signal] = []
    if not len(seen):
        return ()
    for rule in rules:
        for side in (1, -1):
            hit = side * seen > rule.sigmas
            count = np.convolve(hit, np.ones(rule.of), "full")[: len(hit)]
            for i in np.flatnonzero(hit & (count >= rule.least)):
                first = int(np.flatnonzero(hit[max(0, i - rule.of + 1) : i + 1])[0])
                since = there[max(0, int(i) - rule.of + 1) + first]
                found.append(Signal(int(there[i]), rule.name, side, int(since)))
    order = {rule.name: place for place, rule in enumerate(RULES)}
    found.sort(key=lambda one: (one.at, order[one.rule]))
    return tuple(found)


@dataclass(frozen=True)
class Cusum:
    """A tabular CUSUM of N points, in standard deviations.

    Attributes:
        high, low: (N,) sums of what lies above and below, both 0 or more.
        h: the limit.
        signals: the first point of each stretch beyond the limit; `since` is the point after
            the sum was last 0 (Montgomery 9.1).
    """

    high: Floats
    low: Floats
    h: float
    signals: tuple[Signal, ...]


def cusum(z: ArrayLike, k: float = 0.5, h: float = 5.0) -> Cusum:
    """The tabular CUSUM (e-Handbook 6.3.2.3): S = max(0, S + z - k), and the same for -z.

    Missing points leave the sums as they are. The sums are not set back after a signal.

    Args:
        z: (N,) points in standard deviations from the unchanged mean.
        k: half the shift, in standard deviations, that is to be found quickly.
        h: limit of the sums.
    """
    x = np.asarray(z, float)
    sums = np.zeros((2, len(x)))
    signals = []
    for row, side in enumerate((1, -1)):
        total, begun, beyond = 0.0, 0, False
        for i, value in enumerate(x):
            if np.isfinite(value):
                if total == 0.0:
                    begun = i
                total = max(0.0, total + side * float(value) - k)
            sums[row, i] = total
            if total > h and not beyond:
                signals.append(Signal(i, "cusum", side, begun))
            beyond = total > h
    signals.sort(key=lambda one: one.at)
    return Cusum(sums[0], sums[1], h, tuple(signals))


def arl_of_cusum(shift: float, k: float = 0.5, h: float = 5.0, states: int = 200) -> float:
    """Mean number of points to the signal of a one-sided CUSUM of normal points.

    By a Markov chain over the sum's value (Brook & Evans 1972, Biometrika 59:539).

    Args:
        shift: true mean of the points, in standard deviations.
        states: into how many the range from 0 to `h` is cut.
    """
    width = 2 * h / (2 * states - 1)
    middle = width * np.arange(states)
    step = middle[None, :] - middle[:, None] + k - shift
    moves = stats.norm.cdf(step + width / 2) - stats.norm.cdf(step - width / 2)
    moves[:, 0] = stats.norm.cdf(step[:, 0] + width / 2)
    return float(np.linalg.solve(np.eye(states) - moves, np.ones(states))[0])


def arl_of_both(shift: float, k: float = 0.5, h: float = 5.0) -> float:
    """Mean number of points to a signal on either side, from those of both (Montgomery 9.1)."""
    return 1.0 / (1.0 / arl_of_cusum(shift, k, h) + 1.0 / arl_of_cusum(-shift, k, h))


def arl_of_shewhart(shift: float, sigmas: float = 3.0) -> float:
    """Mean number of normal points to one beyond the limits, with mean and deviation known."""
    return float(1.0 / (stats.norm.sf(sigmas - shift) + stats.norm.cdf(-sigmas - shift)))
