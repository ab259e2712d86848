"""Totals by operator code and period, small numbers treated as such."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from pipeline.audit.doses import together
from pipeline.audit.model import Hunt, Study, Total
from pipeline.knee.errors import Problem

LEAST_HUNTS = 10
"""With fewer, nothing is said about an operator or a period but the counts (design value)."""
PERIODS = {"year": 4, "month": 7, "day": 10}
"""Characters of YYYY-MM-DD that name the period."""
NOT_STATED = "not stated"


def totals_of(studies: Sequence[Study], period: str = "month") -> tuple[Total, ...]:
    """One row for each operator code and period, sorted. Raises `Problem` for another period."""
    if period not in PERIODS:
        raise Problem("period", f"{period} is none", f"choose among {', '.join(PERIODS)}")
    rows: dict[tuple[str, str], list[Study]] = {}
    for study in studies:
        when = NOT_STATED if study.day is None else study.day[: PERIODS[period]]
        rows.setdefault((study.operator or NOT_STATED, when), []).append(study)
    return tuple(
        _total(*key, own) for key, own in sorted(rows.items()) if any(s.hunts for s in own)
    )


def _total(operator: str, period: str, studies: Sequence[Study]) -> Total:
    hunts: list[Hunt] = [hunt for study in studies for hunt in study.hunts]
    needed = sorted(hunt.exposures for hunt in hunts if hunt.exposures is not None)
    few = len(hunts) < LEAST_HUNTS
    return Total(
        operator=operator,
        period=period,
        studies=len(studies),
        hunts=len(hunts),
        films=sum(len(hunt.films) for hunt in hunts),
        first=sum(hunt.first_square == 0 for hunt in hunts),
        reached=len(needed),
        median=None if few or not needed else float(np.median(needed)),
        median_90=None if few else median_90(needed),
        after=sum(hunt.after for hunt in hunts),
        before_dose=together(hunt.before_dose for hunt in hunts if hunt.first_square != 0),
        few=few,
    )


def median_90(values: Sequence[int]) -> tuple[float, float] | None:
    """Interval of the median between two order statistics that holds it with at least 90 %.

    P(x_(k) <= median <= x_(n+1-k)) >= 1 - 2 P(B <= k - 1), B binomial (n, 1/2): Conover,
    Practical Nonparametric Statistics (chapter on quantiles, from memory). None where even the
    whole range does not hold it so surely (n below 5).
    """
    from scipy.stats import binom

    n, ordered = len(values), sorted(values)
    k = int(binom.ppf(0.05, n, 0.5)) if n else 0
    while k > 0 and 2 * binom.cdf(k - 1, n, 0.5) > 0.1:
        k -= 1
    if k < 1:
        return None
    return float(ordered[k - 1]), float(ordered[n - k])
