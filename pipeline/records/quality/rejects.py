"""Which films were rejected, for which cause, in which month; and how they had been read."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.records.quality.films import (
    CANNOT_TELL,
    CAUSE_NAMES,
    NO,
    NONE,
    YES,
    Films,
    Spells,
    spells,
)
from pipeline.records.share import wilson

READ_AS = {YES: "square", NO: "not square", CANNOT_TELL: "cannot tell", NONE: "not read"}


@dataclass(frozen=True)
class Month:
    """One month.

    Attributes:
        label: YYYY-MM.
        films: films with a day, each counted once.
        rejected: of them.
        low, high: 95 % interval of the share rejected (Wilson 1927).
        causes: cause to number, only those that occur.
        readings, judged, not_square, cannot_tell, not_read: of knees.
    """

    label: str
    films: int
    rejected: int
    low: float
    high: float
    causes: dict[str, int]
    readings: int
    judged: int
    not_square: int
    cannot_tell: int
    not_read: int


@dataclass(frozen=True)
class Rejects:
    """All months, and the causes over all of them.

    Attributes:
        months: in order, none left out.
        causes: cause to how the rejected films' first knees had been read (`READ_AS` to number);
            the commonest cause first.
        known: whether anything is known about rejection.
    """

    months: tuple[Month, ...]
    causes: dict[str, dict[str, int]]

    @property
    def known(self) -> bool:
        return bool(self.causes)


def rejects(films: Films) -> Rejects:
    """Counts; raises `Problem` without films."""
    by_month = spells(films, "month")
    months = [_month(films, by_month, index) for index in range(len(by_month))]
    found: dict[str, dict[str, int]] = {}
    for index, name in enumerate(CAUSE_NAMES):
        mine = films.first & (films.cause == index)
        if mine.any():
            verdicts = films.verdict[mine]
            found[name] = {word: int((verdicts == code).sum()) for code, word in READ_AS.items()}
    order = sorted(found, key=lambda name: -sum(found[name].values()))
    return Rejects(tuple(months), {name: found[name] for name in order})


def _month(films: Films, by_month: Spells, index: int) -> Month:
    mine = by_month.of == index
    first = mine & films.first
    causes = films.cause[first & (films.cause >= 0)]
    counts = np.bincount(causes, minlength=len(CAUSE_NAMES))
    total, rejected = int(first.sum()), len(causes)
    low, high = wilson(rejected, total)
    verdict = films.verdict[mine]
    return Month(
        label=by_month.label(index),
        films=total,
        rejected=rejected,
        low=low,
        high=high,
        causes={name: int(n) for name, n in zip(CAUSE_NAMES, counts, strict=True) if n},
        readings=int(mine.sum()),
        judged=int(np.isin(verdict, (YES, NO)).sum()),
        not_square=int((verdict == NO).sum()),
        cannot_tell=int((verdict == CANNOT_TELL).sum()),
        not_read=int((verdict == NONE).sum()),
    )


@dataclass(frozen=True)
class Operator:
    """One operator's readings; the interval is Wilson's at 95 %."""

    code: str
    readings: int
    judged: int
    not_square: int
    low: float
    high: float


def operators(films: Films) -> Sequence[Operator]:
    """Each operator, by code; those whose code is not known are left out."""
    found = []
    for index, code in enumerate(films.operators):
        verdict = films.verdict[films.operator == index]
        judged, odd = int(np.isin(verdict, (YES, NO)).sum()), int((verdict == NO).sum())
        found.append(Operator(code, len(verdict), judged, odd, *wilson(odd, judged)))
    return sorted(found, key=lambda one: one.code)
