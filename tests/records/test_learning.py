"""Levels that are learnt: scores are standard normal and independent from the first points on."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from pipeline.records.quality.control import RULES, TAIL, cusum, shares
from pipeline.records.quality.learning import learn_means, learn_shares

NEVER = 1e9
"""A limit that no CUSUM passes: everything is learnt."""


def test_scores_are_those_of_the_t_law() -> None:
    """Point 5 by hand: mean 2.5 and standard deviation 1.291 of 1, 2, 3, 4; t of 6 is 2.425."""
    chart, found = learn_means(np.array([1.0, 2.0, 3.0, 4.0, 6.0]), RULES[:1], 4, 0.5, NEVER)
    t = (6 - 2.5) / (math.sqrt(5 / 3) * math.sqrt(1 + 1 / 4))
    assert t == pytest.approx(2.4249, abs=1e-4)
    assert chart.z[4] == pytest.approx(stats.norm.ppf(stats.t.cdf(t, 3)))
    assert np.isnan(chart.z[:4]).all()
    assert chart.centre[4] == 2.5
    reach = stats.t.isf(TAIL, 3) * math.sqrt(5 / 3 * 5 / 4)
    assert (chart.lower[4], chart.upper[4]) == pytest.approx((2.5 - reach, 2.5 + reach))
    assert found.taken.all()


def test_scores_of_means_are_standard_normal_and_independent() -> None:
    """Hawkins 1987: exactly so, whatever the unknown level; here 300 series of 60 points."""
    rng = np.random.default_rng(4)
    many = np.array(
        [learn_means(rng.normal(-7, 3, 60), (), 2, 0.5, NEVER)[0].z[10:] for _ in range(300)]
    )
    # Points beyond three deviations are not learnt from, which hardly shows.
    assert stats.kstest(many.ravel(), "norm").pvalue > 0.001
    for lag in (1, 2, 5):
        r = np.corrcoef(many[:, lag:].ravel(), many[:, :-lag].ravel())[0, 1]
        assert abs(r) < 4 / math.sqrt(many[:, lag:].size)
    spoke = (np.abs(many) > 3).mean()
    error = math.sqrt(2 * TAIL / many.size)
    assert abs(spoke - 2 * TAIL) < 4 * error


def test_shares_are_judged_by_the_law_of_the_next_count() -> None:
    """Beta-binomial by hand: after 2 of 10 the next of 3 with Jeffreys' prior, a = 2.5, b = 8.5."""
    counts, sizes = np.array([2, 3]), np.array([10, 3])
    a, b = 2.5, 8.5
    above = a * (a + 1) * (a + 2) / ((a + b) * (a + b + 1) * (a + b + 2))
    chart = shares(counts[1:], sizes[1:], 0.2, (), ([2], [10]))
    assert stats.norm.sf(chart.z[0]) == pytest.approx(above / 2)
    learnt, _ = learn_shares(counts, sizes, (), 1, 0.5, NEVER)
    assert learnt.z[1] == pytest.approx(chart.z[0])
    assert math.isnan(learnt.z[0])


def test_shares_cry_wolf_no_oftener_than_they_say() -> None:
    rng = np.random.default_rng(8)
    spoke = points = 0
    for share in (0.05, 0.2, 0.5):
        for _ in range(25):
            sizes = rng.integers(5, 40, 48)
            counts = rng.binomial(sizes, share)
            chart, _ = learn_shares(counts, sizes, RULES[:1], 8, 0.5, NEVER)
            spoke += len(chart.signals)
            points += int(np.isfinite(chart.z).sum())
    assert points == 75 * 40
    assert spoke <= stats.binom.isf(0.001, points, 2 * TAIL)


def test_learning_ends_when_a_cusum_speaks() -> None:
    values = np.concatenate([np.tile([-1.0, 1.0], 10), np.tile([3.0, 5.0], 20)])
    chart, found = learn_means(values, RULES[:1], 8, 0.5, 5.0)
    first = cusum(chart.z).signals[0].at
    assert 20 <= first <= 22
    assert not found.taken[first:].any()
    assert np.allclose(chart.centre[first + 1 :], chart.centre[-1])  # the level stays as it was
    assert abs(chart.centre[-1]) < 0.5
    missing = values.copy()
    missing[[3, 30]] = np.nan
    assert np.isnan(learn_means(missing, (), 8, 0.5, 5.0)[0].z[[3, 30]]).all()
