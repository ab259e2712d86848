"""Paired comparisons against published worked examples and reference libraries."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from pipeline.bench.paired import holm, sign_flip

DARWIN = (49, -67, 8, 16, 6, 23, 28, 41, 14, 29, 56, 24, 75, 60, -48)
"""Crossed minus self-fertilised maize, eighths of an inch: Fisher 1935, The Design of Experiments,
section 21, after Darwin 1876 (from memory; the printed count is reproduced below)."""


def test_fishers_randomisation_of_darwins_maize() -> None:
    """Fisher counts 1726 of the 2^15 sign patterns as extreme as this one (from memory)."""
    assert sign_flip(np.array(DARWIN)) * 2**15 == pytest.approx(1726)


def test_exact_and_drawn_against_scipy() -> None:
    rng = np.random.default_rng(4)
    for n in (9, 40):
        d = rng.normal(0.35, 1, n)
        exact = stats.permutation_test(
            (d,),
            lambda x, axis: np.mean(x, axis=axis),
            permutation_type="samples",
            n_resamples=20_000,
            vectorized=True,
            rng=np.random.default_rng(1),
        )
        assert sign_flip(d) == pytest.approx(exact.pvalue, abs=0.01)


def test_no_difference_is_no_evidence() -> None:
    assert sign_flip(np.zeros(8)) == 1.0
    assert sign_flip(np.zeros(0)) == 1.0


def test_under_the_null_five_in_a_hundred_are_below_five() -> None:
    rng = np.random.default_rng(7)
    p = [sign_flip(rng.normal(0, 1, 8)) for _ in range(600)]
    assert np.mean(np.array(p) <= 0.05) == pytest.approx(0.05, abs=0.025)


def test_holm_against_statsmodels() -> None:
    multitest = pytest.importorskip("statsmodels.stats.multitest")
    p = np.random.default_rng(2).uniform(0, 0.1, 12)
    expected = multitest.multipletests(p, method="holm")[1]
    np.testing.assert_allclose(holm(list(p)), expected)
