"""Control charts against worked examples of books, published run lengths and other ways to them."""

from __future__ import annotations

import math

import numpy as np
import pytest
from control_examples import (
    CUSUM_ARL,
    MONTGOMERY_9_1,
    NIST_CUSUM,
    NIST_INDIVIDUALS,
    WECO_ARL,
    cusum_runs,
)
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from pipeline.records.quality.control import (
    RULES,
    TAIL,
    Level,
    arl_of_both,
    arl_of_shewhart,
    cusum,
    individuals,
    level_of,
    moving_range,
    run_rules,
    shares,
)
from pipeline.records.share import wilson


def test_individuals_of_the_e_handbook() -> None:
    """NIST/SEMATECH 6.3.2.2: mean 50.81, mean range 1.8778, limits 45.8159 and 55.8041."""
    level = level_of(NIST_INDIVIDUALS)
    assert level.mean == pytest.approx(50.81)
    assert level.sd * 1.128 == pytest.approx(1.8778, abs=5e-5)
    chart = individuals(NIST_INDIVIDUALS, level, RULES)
    assert chart.lower[0] == pytest.approx(45.8159, abs=5e-4)
    assert chart.upper[0] == pytest.approx(55.8041, abs=5e-4)
    assert chart.signals == ()  # "the process is in control"
    ranges = moving_range(NIST_INDIVIDUALS, level)
    assert np.allclose(ranges.values[1:5], [2.0, 2.3, 1.4, 3.5])
    assert math.isnan(ranges.values[0])
    assert ranges.upper[0] == pytest.approx(3.267 * 1.8778, abs=5e-3)
    assert ranges.signals == ()


def test_cusum_of_the_e_handbook() -> None:
    """NIST/SEMATECH 6.3.2.3: k = 0.3175, h = 4.1959 in units of the data; out from group 14 on."""
    found = cusum(np.array(NIST_CUSUM) - 325, k=0.3175, h=4.1959)
    wanted = [0, 0, 0, 0, 0.03, 0, 0, 0, 0, 0, 0, 0, 3.01, 4.94, 7.45, 10.63, 11.99, 14.44]
    assert np.allclose(found.high[:18], wanted, atol=0.011)
    low = [0, 0.01, 0, 0.33, 0, 0, 0.56, 0.72, 0.18, 0.26, 0.32, 0]
    assert np.allclose(found.low[:12], low, atol=0.011)
    assert [(one.at + 1, one.side, one.since + 1) for one in found.signals] == [(14, 1, 13)]


def test_cusum_of_montgomery() -> None:
    """Table 9.2: C+ is 5.28 at point 29, N+ is 7: the change came between points 22 and 23."""
    found = cusum(np.array(MONTGOMERY_9_1) - 10)
    assert found.high[28] == pytest.approx(5.28, abs=1e-9)
    assert found.high[27] < 5
    (signal,) = found.signals
    assert (signal.at + 1, signal.side, signal.since + 1) == (29, 1, 23)
    assert individuals(MONTGOMERY_9_1, Level(10, 1, 20)).signals == ()  # what Shewhart misses


@pytest.mark.parametrize("h", CUSUM_ARL)
def test_run_lengths_of_cusum_are_those_of_the_tables(h: float) -> None:
    for shift, wanted in CUSUM_ARL[h].items():
        assert arl_of_both(shift, 0.5, h) == pytest.approx(wanted, rel=0.006), shift


@pytest.mark.parametrize(("h", "shift"), [(4.0, 0.0), (4.0, 1.0), (5.0, 0.5)])
def test_run_lengths_of_cusum_as_simulated(h: float, shift: float) -> None:
    lengths = cusum_runs(np.random.default_rng(7), 4000, shift, 0.5, h)
    error = lengths.std() / math.sqrt(len(lengths))
    assert abs(lengths.mean() - arl_of_both(shift, 0.5, h)) < 4 * error


def test_the_chart_and_the_simulation_sum_alike() -> None:
    """The first signals of `cusum` are those of the other code, point by point."""
    z = np.random.default_rng(3).normal(0.3, 1.0, (40, 300))
    for row in z:
        high = low = 0.0
        wanted = None
        for i, value in enumerate(row):
            high, low = max(0.0, high + value - 0.5), max(0.0, low - value - 0.5)
            if wanted is None and max(high, low) > 4:
                wanted = i
        found = cusum(row, 0.5, 4.0)
        assert (found.signals[0].at if found.signals else None) == wanted
        assert (found.high[-1], found.low[-1]) == pytest.approx((high, low))


def test_run_lengths_of_shewhart() -> None:
    """Montgomery chapter 5 and 6: 370 without a change, 43.9, 6.3 and 2.0 after 1, 2, 3 sigma
    (individuals), from memory."""
    assert arl_of_shewhart(0.0) == pytest.approx(370.4, abs=0.05)
    for shift, wanted in ((1.0, 43.9), (2.0, 6.3), (3.0, 2.0)):
        assert arl_of_shewhart(shift) == pytest.approx(wanted, abs=0.05)


@pytest.mark.parametrize("names", WECO_ARL)
def test_run_lengths_of_run_rules(names: tuple[str, ...]) -> None:
    """Simulated, against Champ & Woodall 1987."""
    rules = [rule for rule in RULES if rule.name in names]
    rng = np.random.default_rng(11)
    lengths = []
    for _ in range(700):
        length, carried = 0, np.zeros(0)
        while True:
            z = rng.normal(size=400)
            found = [s.at for s in run_rules(np.concatenate([carried, z]), rules)]
            new = [at - len(carried) for at in found if at >= len(carried)]
            if new:
                lengths.append(length + new[0] + 1)
                break
            length += len(z)
            carried = z[-7:]
    mean, error = np.mean(lengths), np.std(lengths) / math.sqrt(len(lengths))
    assert abs(mean - WECO_ARL[names]) < 3.5 * error


def test_rules_by_hand() -> None:
    nan = math.nan
    for z, wanted in (
        ([0, 3.1, -3.2], [(1, "beyond", 1), (2, "beyond", -1)]),
        ([2.1, 0, 2.2, nan, -2.5], [(2, "two", 1)]),
        ([2.1, -2.1, 0, 0], []),
        ([1.5, 1.5, -1, nan, 1.5, 1.5], [(5, "four", 1)]),
        ([0.1] * 7 + [nan] + [0.1, 0.1], [(8, "eight", 1), (9, "eight", 1)]),
        ([0.1] * 7 + [0.0], []),
    ):
        assert [(s.at, s.rule, s.side) for s in run_rules(z)] == wanted
    assert run_rules([2.1, 0, 2.2])[0].since == 0
    assert run_rules([]) == ()


@given(
    st.lists(st.tuples(st.integers(0, 60), st.integers(0, 60)), min_size=1, max_size=20),
    st.floats(0.01, 0.99),
)
def test_shares_speak_where_the_binomial_says_so(
    pairs: list[tuple[int, int]], share: float
) -> None:
    counts, sizes = zip(*[(min(a, b), max(a, b)) for a, b in pairs], strict=True)
    chart = shares(counts, sizes, share)
    spoke = {one.at: one.side for one in chart.signals}
    for i, (x, n) in enumerate(zip(counts, sizes, strict=True)):
        if n == 0:
            assert i not in spoke
            assert math.isnan(chart.values[i])
            continue
        above = math.fsum(stats.binom.pmf(range(x, n + 1), n, share))
        below = math.fsum(stats.binom.pmf(range(x + 1), n, share))
        if min(abs(above - TAIL), abs(below - TAIL)) < 1e-9:
            continue
        side = 1 if above < TAIL else -1 if below < TAIL else 0
        assert spoke.get(i, 0) == side
        outside = chart.values[i] > chart.upper[i], chart.values[i] < chart.lower[i]
        assert outside == (side == 1, side == -1)  # the drawn limits say the same


def test_shares_cry_wolf_no_oftener_than_they_say() -> None:
    """False alarms of one point: at most two tails; three standard deviations do far worse."""
    for n, share in ((10, 0.1), (20, 0.2), (30, 0.05), (200, 0.3)):
        x = np.arange(n + 1)
        weights = stats.binom.pmf(x, n, share)
        spoke = {one.at for one in shares(x, np.full(n + 1, n), share).signals}
        exact = sum(weights[i] for i in spoke)
        assert exact <= 2 * TAIL
        edge = 3 * math.sqrt(share * (1 - share) / n)
        usual = weights[np.abs(x / n - share) > edge].sum()
        if (n, share) == (10, 0.1):
            assert usual > 4 * 2 * TAIL


def test_missing_points_and_levels() -> None:
    level = level_of([1.0, math.nan, 3.0, 2.0])
    assert (level.mean, level.n) == (2.0, 3)
    assert level.sd == pytest.approx(1.5 / 1.128)
    chart = individuals([1.0, math.nan, 99.0], level)
    assert [one.at for one in chart.signals] == [2]
    assert [one.at for one in moving_range([1.0, math.nan, 99.0], level).signals] == [2]
    assert np.array_equal(cusum([4.0, math.nan, 0.0]).high, [3.5, 3.5, 3.0])
    with pytest.raises(ValueError, match="two points"):
        level_of([1.0, math.nan])


def test_wilson_against_newcombe() -> None:
    """Newcombe 1998, Stat Med 17:857, table I, method 3: 81/263 and 0/20; from memory."""
    assert wilson(81, 263) == pytest.approx((0.2553, 0.3662), abs=5e-5)
    assert wilson(0, 20) == pytest.approx((0.0, 0.1611), abs=5e-5)
    assert wilson(0, 0) == (0.0, 1.0)
