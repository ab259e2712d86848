"""Intervals that hold: split conformal prediction on subjects held apart.

The score of a knee is the number of stated standard deviations its printed interval must reach
to hold the truth. The factor that makes 90 % intervals hold is an order statistic of the scores
of n calibration subjects; then the coverage on new subjects, given those n, follows a Beta law
whatever the errors look like (Vovk 2012, PMLR 25:475; Angelopoulos & Bates 2021,
arXiv:2107.07511), as long as new subjects are drawn as those were. Under another draw nothing
holds but what is measured.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.align.square import Z90
from pipeline.bench.intervals import binomial

Array = NDArray[np.float64]
MISS = 0.1
"""Share of films whose interval may miss the truth."""


def rank(n: int, miss: float = MISS) -> int | None:
    """Which of n sorted scores (from 1) is the bound; None where n is too small for any."""
    k = math.ceil((n + 1) * (1 - miss) - 1e-9)
    return k if 1 <= k <= n else None


def coverage_law(n: int, miss: float = MISS) -> tuple[float, float]:
    """(a, b) of the Beta law of the coverage on new subjects, given n calibration subjects.

    Raises `ValueError` where n is too small.
    """
    k = rank(n, miss)
    if k is None:
        raise ValueError(f"{n} subjects are too few for intervals that miss {miss:g}")
    return float(k), float(n + 1 - k)


def score(truth: float, means: Sequence[float], sds: Sequence[float]) -> float:
    """Deviations needed until the interval that covers all explanations holds the truth.

    One explanation: |truth - mean| / sd. Several: the printed interval is the smallest that
    covers the interval of each, so it holds the truth as soon as one of them reaches it from
    above and one from below. 0 where it does so without any width.
    """
    below = min((mean - truth) / sd for mean, sd in zip(means, sds, strict=True))
    above = min((truth - mean) / sd for mean, sd in zip(means, sds, strict=True))
    return max(below, above, 0.0)


def factor(scores: Array, miss: float = MISS) -> float | None:
    """What every standard deviation must be multiplied by so that 90 % intervals hold.

    The rank-th smallest score over the normal quantile (Lei et al. 2018, J Am Stat Assoc
    113:1094). None with too few subjects.
    """
    k = rank(len(scores), miss)
    return None if k is None else float(np.sort(scores)[k - 1] / Z90)


@dataclass(frozen=True)
class Coverage:
    """Of one angle in one view under one condition.

    Attributes:
        n: knees.
        held: share whose 90 % interval holds the truth.
        low, high: Clopper and Pearson's exact 95 % interval of that share.
        half_width: median half width of the interval, degrees.
        needed: factor on the deviations with which 90 % would hold; None with too few knees.
    """

    n: int
    held: float
    low: float
    high: float
    half_width: float
    needed: float | None


def coverage(scores: Array, half_widths: Array, scale: float = 1.0) -> Coverage:
    """How often intervals hold whose deviations are `scale` times the stated ones.

    Args:
        scores: (N,) of the stated deviations.
        half_widths: (N,) degrees, of the 90 % intervals by the stated deviations.
    """
    n = len(scores)
    if n == 0:
        nan = float("nan")
        return Coverage(0, nan, nan, nan, nan, None)
    held = int((scores <= Z90 * scale).sum())
    low, high = binomial(held, n)
    own = factor(scores)
    return Coverage(
        n=n,
        held=held / n,
        low=low,
        high=high,
        half_width=float(np.median(half_widths) * scale),
        needed=None if own is None else own / scale,
    )
