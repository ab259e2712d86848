"""How many learners a study needs: exact power of the t tests.

Power is that of the noncentral t distribution (Cohen, Statistical Power Analysis for the
Behavioral Sciences, 2nd ed. 1988, chapter 2); tests compare it with statsmodels and with Cohen's
table of 64 a group for d = 0.5 (Psychol Bull 1992;112:155).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from pipeline.knee.errors import Problem

MOST = 100_000


@dataclass(frozen=True)
class Wanted:
    """What a study should be able to show.

    Attributes:
        effect: smallest change worth finding, in the unit of what is measured (two arms: the
            difference between the arms' mean changes).
        sd_change: standard deviation of the learners' own changes, film's chance left out.
        sd_film: standard deviation of one learner's result from film to film.
        films: films that a learner reads before, and as many after.
        arms: 1 = every learner is taught, before against after; 2 = a taught and a waiting arm.
        power, alpha: chance to find the effect, and of a false alarm (two-sided).
        lost: share of learners who will not finish.
    """

    effect: float
    sd_change: float
    sd_film: float = 0.0
    films: int = 10
    arms: int = 2
    power: float = 0.8
    alpha: float = 0.05
    lost: float = 0.0

    def __post_init__(self) -> None:
        if not self.effect > 0:
            raise Problem("effect", f"{self.effect:g} cannot be looked for", "give more than 0")
        if min(self.sd_change, self.sd_film) < 0 or self.sd_change + self.sd_film == 0:
            raise Problem("sd", "results that never vary need no study", "give the spread")
        if self.films < 1 or self.arms not in (1, 2):
            raise Problem("films, arms", "no such design", "films from 1 on, arms 1 or 2")
        if not (0 < self.alpha < 1 and self.alpha < self.power < 1 and 0 <= self.lost < 1):
            raise Problem(
                "power, alpha, lost", "no such chances", "use for example 0.8, 0.05 and 0.1"
            )

    @property
    def spread(self) -> float:
        """Standard deviation of a learner's mean change: the learner's own and the films'."""
        return math.sqrt(self.sd_change**2 + 2.0 * self.sd_film**2 / self.films)

    @property
    def standardised(self) -> float:
        """Cohen's d of the changes."""
        return self.effect / self.spread


def power_of(d: float, learners: int, arms: int, alpha: float) -> float:
    """Chance of a two-sided t test to find the standardised effect `d`.

    Args:
        learners: in each arm.
    """
    from scipy.stats import nct, t

    freedom = learners - 1 if arms == 1 else 2 * (learners - 1)
    shift = d * math.sqrt(learners if arms == 1 else learners / 2)
    bound = float(t.ppf(1 - alpha / 2, freedom))
    high, low = float(nct.sf(bound, freedom, shift)), float(nct.cdf(-bound, freedom, shift))
    # Far out the lower tail is lost in rounding and may come as no number.
    return high + (low if math.isfinite(low) else 0.0)


def learners_needed(wanted: Wanted) -> int:
    """Fewest learners in each arm that finish. Raises `Problem` beyond 100,000."""
    low, high = 1, 2
    d = wanted.standardised

    def enough(n: int) -> bool:
        return power_of(d, n, wanted.arms, wanted.alpha) >= wanted.power

    while not enough(high):
        low, high = high, 2 * high
        if high > MOST:
            raise Problem("effect", "is too small against the spread for any class", "give more")
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if enough(middle) else (middle, high)
    return high


def to_invite(wanted: Wanted) -> int:
    """Learners to invite in all arms together, those who will be lost included."""
    return wanted.arms * math.ceil(learners_needed(wanted) / (1.0 - wanted.lost))
