"""Agreement statistics: intraclass correlation, limits of agreement, kappa.

Sources: Shrout & Fleiss 1979, Psychol Bull 86:420 (intraclass correlation, its intervals);
Bland & Altman 1986, Lancet i:307 (limits of agreement, repeatability); Cohen 1960, Educ Psychol
Meas 20:37 and Cohen 1968, Psychol Bull 70:213 (kappa, weighted kappa); Fleiss, Cohen & Everitt
1969, Psychol Bull 72:323 (its standard error).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import stats

ICC_FORMS = ("ICC(1,1)", "ICC(2,1)", "ICC(3,1)", "ICC(1,k)", "ICC(2,k)", "ICC(3,k)")


@dataclass(frozen=True)
class Icc:
    """One form of the intraclass correlation; numbers are NaN where they are not defined.

    Attributes:
        form: one of `ICC_FORMS`.
        value, low, high: estimate and confidence interval.
        f, df1, df2, p: test of no agreement.
    """

    form: str
    value: float
    low: float
    high: float
    f: float
    df1: int
    df2: int
    p: float


def icc(ratings: ArrayLike, level: float = 0.95) -> dict[str, Icc]:
    """The six forms of Shrout & Fleiss by name.

    `ratings`: (n subjects, k judges) float, complete. Raises ValueError for fewer than two of
    either or a missing rating.
    """
    x = np.asarray(ratings, dtype=np.float64)
    if x.ndim != 2 or min(x.shape) < 2 or not np.isfinite(x).all():
        raise ValueError(f"expected (n >= 2, k >= 2) finite ratings, got shape {x.shape}")
    n, k = x.shape
    between, within, judges, error = mean_squares(x)
    df, df_within, df_error = n - 1, n * (k - 1), (n - 1) * (k - 1)
    with np.errstate(divide="ignore", invalid="ignore"):
        f1, f3 = np.divide(between, within), np.divide(between, error)
        one = _from_f(f1, df, df_within, level)
        three = _from_f(f3, df, df_error, level)
        two = np.divide(between - error, between + (k - 1) * error + k * (judges - error) / n)
        two_k = np.divide(between - error, between + (judges - error) / n)
        two_low, two_high = _interval_two(between, judges, error, n, k, float(two), level)
    tests = {
        "1": (float(f1), df, df_within, float(stats.f.sf(f1, df, df_within))),
        "3": (float(f3), df, df_error, float(stats.f.sf(f3, df, df_error))),
    }
    values = {
        "ICC(1,1)": (*(_single(v, k) for v in one), *tests["1"]),
        "ICC(2,1)": (float(two), two_low, two_high, *tests["3"]),
        "ICC(3,1)": (*(_single(v, k) for v in three), *tests["3"]),
        "ICC(1,k)": (*(_mean(v) for v in one), *tests["1"]),
        "ICC(2,k)": (float(two_k), _step_up(two_low, k), _step_up(two_high, k), *tests["3"]),
        "ICC(3,k)": (*(_mean(v) for v in three), *tests["3"]),
    }
    return {form: Icc(form, *values[form]) for form in ICC_FORMS}


def mean_squares(x: NDArray[np.float64]) -> tuple[float, float, float, float]:
    """(between subjects, within subjects, between judges, residual) of (n, k) ratings."""
    n, k = x.shape
    total = x.mean()
    rows = k * float(((x.mean(axis=1) - total) ** 2).sum())
    columns = n * float(((x.mean(axis=0) - total) ** 2).sum())
    inside = float(((x - x.mean(axis=1, keepdims=True)) ** 2).sum())
    residual = x - x.mean(axis=1, keepdims=True) - x.mean(axis=0, keepdims=True) + total
    rest = float((residual**2).sum())
    return (
        rows / (n - 1),
        inside / (n * (k - 1)),
        columns / (k - 1),
        rest / ((n - 1) * (k - 1)),
    )


def _from_f(f: float, df1: int, df2: int, level: float) -> tuple[float, float, float]:
    """F and the limits of its ratio of mean squares."""
    upper = (1.0 + level) / 2.0
    return f, f / stats.f.ppf(upper, df1, df2), f * stats.f.ppf(upper, df2, df1)


def _single(f: float, k: int) -> float:
    return float((f - 1.0) / (f + k - 1.0)) if math.isfinite(f) else _limit(f)


def _mean(f: float) -> float:
    return float(np.subtract(1.0, np.divide(1.0, f))) if math.isfinite(f) else _limit(f)


def _limit(f: float) -> float:
    """No variance but between subjects: 1; no variance at all: not defined."""
    return 1.0 if f == math.inf else math.nan


def _step_up(single: float, k: int) -> float:
    """Spearman-Brown: reliability of the mean of k judges."""
    return k * single / (1.0 + (k - 1) * single)


def _interval_two(
    between: float, judges: float, error: float, n: int, k: int, rho: float, level: float
) -> tuple[float, float]:
    """Shrout & Fleiss's approximate interval of ICC(2,1)."""
    if not math.isfinite(rho) or error <= 0.0:
        return (math.nan, math.nan)
    upper, ratio = (1.0 + level) / 2.0, judges / error
    a, b = k * rho * ratio, n * (1.0 + (k - 1) * rho) - k * rho
    v = (k - 1) * (n - 1) * (a + b) ** 2 / ((n - 1) * a**2 + b**2)
    f_low, f_high = stats.f.ppf(upper, n - 1, v), stats.f.ppf(upper, v, n - 1)
    rest = k * judges + (k * n - k - n) * error
    low = n * (between - f_low * error) / (f_low * rest + n * between)
    high = n * (f_high * between - error) / (rest + n * f_high * between)
    return float(low), float(high)


@dataclass(frozen=True)
class Limits:
    """Bland and Altman's limits of agreement of b with a (differences a - b).

    Attributes:
        n: pairs.
        bias, sd: mean and SD of the differences.
        bias_low, bias_high: confidence interval of the bias.
        lower, upper: limits, `bias -+ multiple * sd`.
        lower_low, lower_high, upper_low, upper_high: confidence intervals of the limits.
        slope: change of the difference per unit of the mean; far from 0 the limits mislead.
    """

    n: int
    bias: float
    sd: float
    bias_low: float
    bias_high: float
    lower: float
    upper: float
    lower_low: float
    lower_high: float
    upper_low: float
    upper_high: float
    slope: float


def limits_of_agreement(
    a: ArrayLike, b: ArrayLike, multiple: float = 1.96, level: float = 0.95
) -> Limits:
    """Limits of agreement of paired measurements `a`, `b`: (n,) float, n >= 3.

    `multiple` of the SD: 1.96; the paper of 1986 uses 2. Standard errors as there: SD / sqrt(n)
    of the bias, sqrt(3 SD^2 / n) of a limit, both with n - 1 degrees of freedom.
    """
    x, y = np.asarray(a, dtype=np.float64), np.asarray(b, dtype=np.float64)
    if x.shape != y.shape or x.ndim != 1 or len(x) < 3:
        raise ValueError(f"expected two equally long rows of at least 3, got {x.shape}, {y.shape}")
    difference, mean, n = x - y, (x + y) / 2.0, len(x)
    bias, sd = float(difference.mean()), float(difference.std(ddof=1))
    t = float(stats.t.ppf((1.0 + level) / 2.0, n - 1))
    of_bias, of_limit = t * sd / math.sqrt(n), t * sd * math.sqrt(3.0 / n)
    lower, upper = bias - multiple * sd, bias + multiple * sd
    spread = float(((mean - mean.mean()) ** 2).sum())
    slope = float(((mean - mean.mean()) * difference).sum() / spread) if spread > 0 else math.nan
    return Limits(
        n=n,
        bias=bias,
        sd=sd,
        bias_low=bias - of_bias,
        bias_high=bias + of_bias,
        lower=lower,
        upper=upper,
        lower_low=lower - of_limit,
        lower_high=lower + of_limit,
        upper_low=upper - of_limit,
        upper_high=upper + of_limit,
        slope=slope,
    )


def repeatability(first: ArrayLike, second: ArrayLike, multiple: float = 2.0) -> float:
    """Coefficient of repeatability: `multiple` times the SD about zero of repeated readings."""
    difference = np.asarray(first, dtype=np.float64) - np.asarray(second, dtype=np.float64)
    return multiple * math.sqrt(float((difference**2).mean()))


@dataclass(frozen=True)
class Kappa:
    """Agreement on categories beyond chance.

    Attributes:
        n: pairs.
        value, low, high: kappa and its confidence interval; NaN where it is not defined (both
            readers used one and the same category throughout).
        se: standard error (Fleiss, Cohen & Everitt 1969).
        agreed, expected: share of (weighted) agreement found, and expected by chance.
    """

    n: int
    value: float
    low: float
    high: float
    se: float
    agreed: float
    expected: float


def kappa(
    a: Sequence[str],
    b: Sequence[str],
    categories: Sequence[str],
    weights: Literal["none", "linear", "quadratic"] = "none",
    level: float = 0.95,
) -> Kappa:
    """Cohen's kappa of two readers; `categories` in their order where `weights` needs one."""
    if len(a) != len(b) or not len(a):
        raise ValueError(f"expected two equally long rows, got {len(a)} and {len(b)}")
    place = {name: index for index, name in enumerate(categories)}
    table = np.zeros((len(categories), len(categories)))
    for one, other in zip(a, b, strict=True):
        table[place[one], place[other]] += 1
    return kappa_of_table(table, weights, level)


def kappa_of_table(
    table: ArrayLike,
    weights: Literal["none", "linear", "quadratic"] = "none",
    level: float = 0.95,
) -> Kappa:
    """Kappa of a (c, c) table of counts, first reader's categories down."""
    counts = np.asarray(table, dtype=np.float64)
    n, c = float(counts.sum()), len(counts)
    p = counts / n
    rows, columns = p.sum(axis=1), p.sum(axis=0)
    steps = np.abs(np.subtract.outer(np.arange(c), np.arange(c))) / max(c - 1, 1)
    w = {"none": np.eye(c), "linear": 1.0 - steps, "quadratic": 1.0 - steps**2}[weights]
    agreed, expected = float((w * p).sum()), float((w * np.outer(rows, columns)).sum())
    if 1.0 - expected < 1e-12:
        nan = math.nan
        return Kappa(int(n), nan, nan, nan, nan, agreed, expected)
    value = (agreed - expected) / (1.0 - expected)
    mixed = np.add.outer(w @ columns, w.T @ rows)
    inner = float((p * (w * (1.0 - expected) - mixed * (1.0 - agreed)) ** 2).sum())
    inner -= (agreed * expected - 2.0 * expected + agreed) ** 2
    se = math.sqrt(max(inner, 0.0) / n) / (1.0 - expected) ** 2
    z = float(stats.norm.ppf((1.0 + level) / 2.0))
    return Kappa(int(n), value, value - z * se, value + z * se, se, agreed, expected)
