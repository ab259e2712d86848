"""How far a share of few cases can be trusted."""

from __future__ import annotations

FEW = 20
"""With fewer cases nothing is told about who made them, only counts (design value)."""


def wilson(count: int, of: int, level: float = 0.95) -> tuple[float, float]:
    """The score interval of a share, 0 to 1; all of it for no cases (Wilson 1927).

    Raises:
        ValueError: `count` is not from 0 to `of`.
    """
    from scipy import stats  # not light

    if not 0 <= count <= of:
        raise ValueError(f"expected a count from 0 to {of}, got {count}")
    if of == 0:
        return 0.0, 1.0
    found = stats.binomtest(count, of).proportion_ci(level, method="wilson")
    return float(found.low), float(found.high)
