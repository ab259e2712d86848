"""The figures of the accuracy report against laws with closed forms."""

import numpy as np
import pytest

from pipeline.bench.accuracy import _errors, matched
from pipeline.bench.intervals import interval, share


def test_gaussian_errors_follow_the_rayleigh_law():
    """Isotropic Gaussian error s: mean radial error s sqrt(pi/2), SDR_z = 1 - exp(-z^2 / 2s^2).

    Own arithmetic for s = 1.2: 1.504 mm; SDR at 2 mm 75.1 %, at 4 mm 99.6 %.
    """
    rng = np.random.default_rng(1)
    radial = np.linalg.norm(rng.normal(0, 1.2, (40_000, 2)), axis=1)
    figures = _errors(list(radial.reshape(-1, 10)))
    assert figures["mean_mm"] == pytest.approx(1.504, abs=0.015)
    assert figures["sdr_2"] == pytest.approx(0.7506, abs=0.01)
    assert figures["sdr_4"] == pytest.approx(0.9961, abs=0.002)


def test_missing_values_do_not_count():
    figures = _errors([np.array([1.0, np.nan]), np.array([np.nan, 3.0]), np.array([np.nan])])
    assert figures["n"] == 2
    assert figures["mean_mm"] == pytest.approx(2.0)


def test_the_bootstrap_interval_has_the_width_of_the_standard_error():
    """For a mean of n normal values the 95 % interval is about 2 x 1.96 / sqrt(n) wide."""
    values = np.random.default_rng(2).normal(0, 1, 900)
    mean, low, high = interval([np.array([v]) for v in values], lambda v: float(v.mean()))
    assert low < mean < high
    assert high - low == pytest.approx(2 * 1.96 / 30, rel=0.15)


def test_whole_films_are_resampled():
    """Ten equal scores a film carry no more information than one."""
    values = np.random.default_rng(3).normal(0, 1, 100)
    one = interval([np.array([v]) for v in values], lambda v: float(v.mean()))
    ten = interval([np.full(10, v) for v in values], lambda v: float(v.mean()))
    assert ten[2] - ten[1] == pytest.approx(one[2] - one[1], rel=0.1)


def test_a_share_without_a_failure_is_not_certain():
    """27 of 27: the exact lower bound is 0.025 ** (1 / 27) = 0.872 (closed form for n of n)."""
    all_right = share([1.0] * 27)
    assert all_right["share"] == all_right["high"] == 1.0
    assert all_right["low"] == pytest.approx(0.025 ** (1 / 27))


def test_tips_are_matched_nearest_first_and_once() -> None:
    true = np.array([[0.0, 0.0], [10.0, 0.0], [50.0, 50.0]])
    found = np.array([[9.0, 0.0], [4.0, 0.0]])
    assert matched(true, found).tolist() == [4.0, 1.0, np.inf]
    assert matched(true, np.zeros((0, 2))).tolist() == [np.inf] * 3
    assert matched(np.zeros((0, 2)), found).tolist() == []
