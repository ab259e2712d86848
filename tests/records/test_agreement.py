"""Agreement statistics against published worked examples and other programs."""

from __future__ import annotations

import math

import numpy as np
import pytest
from agreement_examples import JUDGES, LARGE, MINI, PRINTED
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.records.agreement import (
    ICC_FORMS,
    icc,
    kappa,
    kappa_of_table,
    limits_of_agreement,
    mean_squares,
    repeatability,
)


@pytest.mark.parametrize("form", ICC_FORMS)
def test_icc_as_printed_by_shrout_and_fleiss(form: str) -> None:
    found = icc(JUDGES)[form]
    assert (found.value, found.low, found.high) == pytest.approx(PRINTED[form], abs=0.0051)


def test_mean_squares_as_printed_by_shrout_and_fleiss() -> None:
    assert mean_squares(JUDGES) == pytest.approx((11.24, 6.26, 32.49, 1.02), abs=0.005)
    found = icc(JUDGES)
    assert (found["ICC(1,1)"].f, found["ICC(3,1)"].f) == pytest.approx((1.79, 11.03), abs=0.005)
    assert (found["ICC(1,1)"].df2, found["ICC(3,1)"].df2) == (18, 15)


def test_limits_as_printed_by_bland_and_altman() -> None:
    found = limits_of_agreement(LARGE[0], MINI[0], multiple=2.0)
    # The paper rounds on the way, hence up to 0.2 off.
    assert found.bias == pytest.approx(-2.1, abs=0.05)
    assert found.sd == pytest.approx(38.8, abs=0.05)
    assert (found.bias_low, found.bias_high) == pytest.approx((-22.0, 17.8), abs=0.06)
    assert (found.lower, found.upper) == pytest.approx((-79.7, 75.5), abs=0.1)
    assert (found.lower_low, found.lower_high) == pytest.approx((-114.3, -45.1), abs=0.2)
    assert (found.upper_low, found.upper_high) == pytest.approx((40.9, 110.1), abs=0.2)
    assert repeatability(*LARGE) == pytest.approx(43.2, abs=0.1)
    assert repeatability(*MINI) == pytest.approx(56.4, abs=0.1)


def test_kappa_as_printed_by_fleiss() -> None:
    """Fleiss, Statistical Methods for Rates and Proportions, 2nd ed. 1981, Table 13.1 (100
    subjects, three diagnoses): kappa .68, standard error .087. From memory."""
    found = kappa_of_table([[75, 1, 4], [5, 4, 1], [0, 0, 10]])
    assert found.value == pytest.approx(0.68, abs=0.005)
    assert found.se == pytest.approx(0.087, abs=0.001)


def test_kappa_by_hand() -> None:
    """50 pairs, agreed .7, expected .5."""
    found = kappa_of_table([[20, 5], [10, 15]])
    assert (found.n, found.agreed, found.expected) == (50, pytest.approx(0.7), pytest.approx(0.5))
    assert found.value == pytest.approx(0.4)


def table_of(a: list[int], b: list[int], c: int = 4) -> np.ndarray:
    table = np.zeros((c, c))
    np.add.at(table, (a, b), 1)
    return table


pairs = st.lists(st.tuples(st.integers(0, 3), st.integers(0, 3)), min_size=8, max_size=60)


@settings(max_examples=30)
@given(pairs)
def test_kappa_is_scikit_learns(given_pairs: list[tuple[int, int]]) -> None:
    metrics = pytest.importorskip("sklearn.metrics", reason="scikit-learn is not installed")
    a, b = (list(row) for row in zip(*given_pairs, strict=True))
    for weights in ("none", "linear", "quadratic"):
        names = [str(value) for value in range(4)]
        found = kappa([str(i) for i in a], [str(i) for i in b], names, weights)  # type: ignore[arg-type]
        if math.isnan(found.value):
            assert len({*a, *b}) == 1
            continue
        theirs = metrics.cohen_kappa_score(
            a, b, labels=range(4), weights=None if weights == "none" else weights
        )
        assert found.value == pytest.approx(theirs, abs=1e-9)


@pytest.mark.filterwarnings("ignore::RuntimeWarning")  # theirs, of tables without variance
@settings(max_examples=30)
@given(pairs)
def test_the_error_of_kappa_is_statsmodels(given_pairs: list[tuple[int, int]]) -> None:
    other = pytest.importorskip(
        "statsmodels.stats.inter_rater", reason="statsmodels is not installed"
    )
    a, b = (list(row) for row in zip(*given_pairs, strict=True))
    for weights, theirs in (("none", None), ("linear", "linear"), ("quadratic", "quadratic")):
        found = kappa_of_table(table_of(a, b), weights)  # type: ignore[arg-type]
        if math.isnan(found.value):
            continue
        expected = other.cohens_kappa(table_of(a, b), wt=theirs)
        assert found.value == pytest.approx(expected.kappa, abs=1e-9)
        assert found.se**2 == pytest.approx(expected.var_kappa, abs=1e-9)


@pytest.mark.filterwarnings("ignore::DeprecationWarning", "ignore::FutureWarning")
@pytest.mark.parametrize("seed", range(4))
def test_icc_is_pingouins(seed: int) -> None:
    pingouin = pytest.importorskip("pingouin", reason="pingouin is not installed")
    pandas = pytest.importorskip("pandas")
    rng = np.random.default_rng(seed)
    n, k = int(rng.integers(3, 20)), int(rng.integers(2, 6))
    x = rng.normal(0, 2, (n, 1)) + rng.normal(0, 0.7, (1, k)) + rng.normal(0, 1, (n, k))
    rows = [(i, j, x[i, j]) for i in range(n) for j in range(k)]
    data = pandas.DataFrame(rows, columns=["subject", "judge", "value"])
    table = pingouin.intraclass_corr(data, "subject", "judge", "value")
    assert len(table) == 6
    for mine, (_, theirs) in zip(icc(x).values(), table.iterrows(), strict=True):
        interval = theirs["CI95"] if "CI95" in theirs else theirs["CI95%"]
        assert mine.value == pytest.approx(theirs["ICC"], abs=1e-9)
        assert (mine.low, mine.high) == pytest.approx(tuple(interval), abs=0.0051)
        assert (mine.f, mine.p) == pytest.approx((theirs["F"], theirs["pval"]), abs=1e-9)


def test_intervals_hold_what_they_say() -> None:
    """95 % intervals of ICC(1,1) and of the bias, over simulated studies with known truth."""
    rng = np.random.default_rng(5)
    hits = np.zeros(2)
    rounds = 600
    for _ in range(rounds):
        subject = rng.normal(0, 2.0, (12, 1))
        x = subject + rng.normal(0, 1.0, (12, 3))
        one = icc(x)["ICC(1,1)"]
        limits = limits_of_agreement(x[:, 0] + 0.5, x[:, 1])
        hits += one.low <= 0.8 <= one.high, limits.bias_low <= 0.5 <= limits.bias_high
    assert (np.abs(hits / rounds - 0.95) < 0.03).all()


def test_perfect_and_no_agreement() -> None:
    x = np.repeat(np.arange(5.0)[:, None], 3, axis=1)
    assert [one.value for one in icc(x).values()] == [1.0] * 6
    assert all(math.isnan(one.value) for one in icc(np.ones((4, 2))).values())
    assert kappa(["a", "b"], ["a", "b"], ["a", "b"]).value == 1.0
    assert math.isnan(kappa(["a", "a"], ["a", "a"], ["a", "b"]).value)
    shifted = icc(x + np.array([0.0, 1.0, 2.0]))
    assert shifted["ICC(3,1)"].value == 1.0  # consistent
    assert shifted["ICC(2,1)"].value < 0.75  # but not in agreement


@pytest.mark.parametrize("bad", [[[1, 2]], [[1], [2]], [[1, 2], [3, math.nan]]])
def test_incomplete_ratings_are_refused(bad: list) -> None:
    with pytest.raises(ValueError, match="ratings"):
        icc(bad)


def test_unequal_rows_are_refused() -> None:
    with pytest.raises(ValueError, match="rows"):
        limits_of_agreement([1, 2, 3], [1, 2])
    with pytest.raises(ValueError, match="rows"):
        limits_of_agreement([1, 2], [1, 2])
    with pytest.raises(ValueError, match="rows"):
        kappa([], [], ["a"])
