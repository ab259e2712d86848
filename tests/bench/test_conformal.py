"""Intervals that hold: against the law that conformal prediction obeys exactly."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from pipeline.align.square import hull, interval_90
from pipeline.bench.conformal import coverage, coverage_law, factor, rank, score

Z90 = 1.6448536269514722


def test_ranks_are_the_published_ones() -> None:
    """n = 9, 90 %: the 9th smallest; n = 8: none is enough (Angelopoulos & Bates 2021)."""
    scores = np.arange(1.0, 10.0)
    assert factor(scores) == pytest.approx(9 / Z90)
    assert factor(scores[:8]) is None
    assert rank(99) == 90
    assert rank(19, 0.05) == 19


@pytest.mark.parametrize("law", ["normal", "heavy", "lumpy"])
def test_coverage_on_new_subjects_follows_the_beta_law(law: str) -> None:
    """Given n calibration scores the coverage is Beta(k, n + 1 - k), whatever the scores' law.

    2,000 calibrations of 60 subjects; the true coverage of each bound comes from the law's own
    distribution function. A rank one too high or too low fails this by far.
    """
    n, rounds = 60, 2000
    rng = np.random.default_rng(11)
    if law == "normal":
        draws, cdf = np.abs(rng.normal(0, 3, (rounds, n))), lambda x: 2 * stats.norm.cdf(x / 3) - 1
    elif law == "heavy":
        draws, cdf = np.abs(rng.standard_t(2, (rounds, n))), lambda x: 2 * stats.t.cdf(x, 2) - 1
    else:  # a mixture of two scales, as of easy and hopeless films
        wide = rng.random((rounds, n)) < 0.1
        draws = np.abs(rng.normal(0, np.where(wide, 20.0, 1.0)))
        cdf = lambda x: 0.9 * (2 * stats.norm.cdf(x) - 1) + 0.1 * (2 * stats.norm.cdf(x / 20) - 1)  # noqa: E731
    bounds = np.array([factor(row) for row in draws]) * Z90
    a, b = coverage_law(n)
    assert (a, b) == (55, 6)
    assert stats.kstest(cdf(bounds), stats.beta(a, b).cdf).pvalue > 0.01
    assert stats.kstest(cdf(bounds), stats.beta(a - 1, b + 1).cdf).pvalue < 1e-6


def test_new_errors_are_held_as_often_as_promised() -> None:
    """Deviations of half the true size: the factor is 2, and new films are covered."""
    rng = np.random.default_rng(4)
    old, new = np.abs(rng.normal(0, 2, 2000)), np.abs(rng.normal(0, 2, 20_000))
    scale = factor(old)
    assert scale == pytest.approx(2.0, rel=0.06)
    found = coverage(new, np.full(len(new), Z90), scale)
    assert found.held == pytest.approx(0.9, abs=0.02)
    assert found.low < found.held < found.high
    assert found.half_width == pytest.approx(Z90 * scale)
    assert found.needed == pytest.approx(1.0, abs=0.05)


@given(
    truth=st.floats(-20, 20),
    means=st.lists(st.floats(-20, 20), min_size=1, max_size=2),
    sds=st.lists(st.floats(0.1, 5), min_size=2, max_size=2),
)
def test_the_score_is_the_least_factor_at_which_the_printed_interval_holds(
    truth: float, means: list[float], sds: list[float]
) -> None:
    """Checked on the intervals that are printed, just below and just above the score."""
    sds = sds[: len(means)]
    needed = score(truth, means, sds) / Z90

    def holds(scale: float) -> bool:
        low, high = hull([interval_90(m, s, scale) for m, s in zip(means, sds, strict=True)])
        return low <= truth <= high

    assert holds(needed + 1e-6)
    if needed > 1e-6:
        assert not holds(needed - 1e-6)
