"""How far a share of few cases can be trusted."""

from __future__ import annotations

from math import sqrt
from statistics import NormalDist


def wilson(count: int, of: int, level: float = 0.95) -> tuple[float, float]:
    """The score interval of a share, 0 to 1; all of it for no cases.

    Wilson 1927, J Am Stat Assoc 22:209 (formula from memory; a test holds it against
    statsmodels). It stays inside 0 to 1 and is right for few cases, where the usual interval
    is not.

    Raises:
        ValueError: `count` is not from 0 to `of`.
    """
    if not 0 <= count <= of:
        raise ValueError(f"expected a count from 0 to {of}, got {count}")
    if of == 0:
        return 0.0, 1.0
    z = NormalDist().inv_cdf((1 + level) / 2)
    share = count / of
    middle = share + z * z / (2 * of)
    reach = z * sqrt(share * (1 - share) / of + z * z / (4 * of * of))
    whole = 1 + z * z / of
    low, high = (middle - reach) / whole, (middle + reach) / whole
    # At the ends the formula is exact but rounding is not.
    return 0.0 if count == 0 else max(0.0, low), 1.0 if count == of else min(1.0, high)
