"""Readings as columns, and the stretches of time into which they are put."""

from __future__ import annotations

from array import array
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
from numpy.typing import NDArray

from pipeline.knee.acquisition import CAUSES
from pipeline.knee.errors import Problem
from pipeline.records.store.find import Found

YES, NO, CANNOT_TELL, NONE = 1, 0, -1, -2
VERDICTS = {"yes": YES, "no": NO, "cannot tell": CANNOT_TELL}
VIEWS = ("AP", "lateral")
CAUSE_NAMES = tuple(CAUSES)


@dataclass(frozen=True)
class Films:
    """N readings with a day, in order of the day; one row per knee.

    Attributes:
        day: (N,) ordinal of `datetime.date`.
        view: (N,) index of `VIEWS`, -1 for another.
        verdict: (N,) `YES`, `NO`, `CANNOT_TELL` or `NONE`.
        rotation, tilt: (N,) degrees, NaN where there is none.
        operator: (N,) index of `operators`, -1 where not known.
        operators: codes.
        first: (N,) whether the row is the first one of its film: films are counted by these.
        cause: (N,) index of `CAUSE_NAMES`, -1 for a film that was not rejected.
        undated: readings without a day, which are left out.
    """

    day: NDArray[np.int64]
    view: NDArray[np.int64]
    verdict: NDArray[np.int64]
    rotation: NDArray[np.float64]
    tilt: NDArray[np.float64]
    operator: NDArray[np.int64]
    operators: tuple[str, ...]
    first: NDArray[np.bool_]
    cause: NDArray[np.int64]
    undated: int

    def __len__(self) -> int:
        return len(self.day)


def gather(found: Iterable[Found]) -> Films:
    """Readings as `find` gives them: by day, those without one last."""
    whole = {name: array("q") for name in ("day", "view", "verdict", "operator", "cause", "first")}
    angle = {name: array("d") for name in ("rotation", "tilt")}
    operators: dict[str, int] = {}
    seen: set[str] = set()
    undated = 0
    for one in found:
        if one.day is None:
            undated += 1
            continue
        whole["day"].append(date.fromisoformat(one.day).toordinal())
        whole["view"].append(VIEWS.index(one.view) if one.view in VIEWS else -1)
        whole["verdict"].append(VERDICTS.get(one.verdict or "", NONE))
        operator = one.operator
        place = -1 if operator is None else operators.setdefault(operator, len(operators))
        whole["operator"].append(place)
        whole["cause"].append(CAUSE_NAMES.index(one.reject) if one.reject else -1)
        whole["first"].append(one.film not in seen)
        seen.add(one.film)
        for name, value in (("rotation", one.rotation_deg), ("tilt", one.tilt_deg)):
            angle[name].append(float("nan") if value is None else value)
    return Films(
        day=_column(whole["day"]),
        view=_column(whole["view"]),
        verdict=_column(whole["verdict"]),
        rotation=np.array(angle["rotation"], dtype=np.float64),
        tilt=np.array(angle["tilt"], dtype=np.float64),
        operator=_column(whole["operator"]),
        operators=tuple(operators),
        first=_column(whole["first"]).astype(bool),
        cause=_column(whole["cause"]),
        undated=undated,
    )


def _column(values: array[int]) -> NDArray[np.int64]:
    return np.array(values, dtype=np.int64)


@dataclass(frozen=True)
class Spells:
    """M stretches of time without gaps between them.

    Attributes:
        name: "week", "month", or "N films".
        first, last: the days of each, both included.
        of: (N,) index of the stretch to which each reading belongs.
    """

    name: str
    first: tuple[date, ...]
    last: tuple[date, ...]
    of: NDArray[np.int64]

    def __len__(self) -> int:
        return len(self.first)

    def label(self, index: int) -> str:
        """The stretch as a person would name it."""
        if self.name == "month":
            return f"{self.first[index]:%Y-%m}"
        return f"{self.first[index]:%Y-%m-%d}"


ENOUGH = 10
"""Readings that a week should hold on the median; otherwise months are taken (design value)."""


def spells(films: Films, every: str = "auto") -> Spells:
    """Cuts time into stretches; raises `Problem` for an unknown `every`, or without films.

    Args:
        every: "week" (from Monday), "month", a number of readings such as "25", or "auto":
            weeks where half of them hold `ENOUGH` readings, else months.
    """
    if not len(films):
        raise Problem("the store", "holds no reading with a day", "note days with squareon facts")
    if every == "auto":
        weeks = spells(films, "week")
        enough = np.median(np.bincount(weeks.of, minlength=len(weeks))) >= ENOUGH
        return weeks if enough else spells(films, "month")
    if every.isdigit() and int(every) > 0:
        return _by_number(films, int(every))
    start, end = date.fromordinal(int(films.day[0])), date.fromordinal(int(films.day[-1]))
    if every == "week":
        start -= timedelta(days=start.weekday())
        firsts = [start + timedelta(days=d) for d in range(0, (end - start).days + 1, 7)]
        after = firsts[-1] + timedelta(days=7)
    elif every == "month":
        months = range(start.year * 12 + start.month - 1, end.year * 12 + end.month + 1)
        edges = [date(m // 12, m % 12 + 1, 1) for m in months]
        firsts, after = edges[:-1], edges[-1]
    else:
        raise Problem(f"every={every}", "is no stretch", "give auto, week, month or a number")
    return _between(films, every, [*firsts, after])


def _between(films: Films, name: str, edges: Sequence[date]) -> Spells:
    starts = np.array([day.toordinal() for day in edges[:-1]])
    lasts = tuple(day - timedelta(days=1) for day in edges[1:])
    of = np.searchsorted(starts, films.day, side="right") - 1
    return Spells(name, tuple(edges[:-1]), lasts, of)


def _by_number(films: Films, size: int) -> Spells:
    """Every `size` readings; what is left over at the end is left out (index -1)."""
    whole = len(films) // size
    if not whole:
        raise Problem(f"every={size}", f"there are {len(films)} readings", "give a smaller number")
    of = np.arange(len(films)) // size
    of[of >= whole] = -1
    days = [date.fromordinal(int(day)) for day in films.day]
    first = tuple(days[i * size] for i in range(whole))
    last = tuple(days[(i + 1) * size - 1] for i in range(whole))
    return Spells(f"{size} readings", first, last, of)
