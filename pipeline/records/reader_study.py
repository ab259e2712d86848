"""How well two independent readers, and the program, agree: the table of a reader study."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from pipeline.records.agreement import icc, kappa, limits_of_agreement
from pipeline.records.store.model import DoubleReading, Entry
from pipeline.records.table import csv_text

COLUMNS = ("compared", "quantity", "view", "n", "statistic", "value", "low", "high")
COMPARED = (("first", "second"), ("program", "first"), ("program", "second"))
ANGLES = ("rotation_deg", "tilt_deg")
VERDICTS = ("no", "cannot tell", "yes")
LEAST = 3
"""Fewest pairs for which a statistic is given."""

Reading = Mapping[str, Any]


@dataclass(frozen=True)
class Statistic:
    """One row of the table.

    Attributes:
        compared: who with whom; differences are the first minus the second.
        quantity: "rotation_deg", "tilt_deg", "verdict", "view", "side", "decision" or
            "landmarks".
        view: "AP", "lateral" or "all".
        n: pairs (for landmarks: landmarks).
        statistic: its name.
        value, low, high: None where not defined; the interval is the 95 % one.
    """

    compared: str
    quantity: str
    view: str
    n: int
    statistic: str
    value: float | None
    low: float | None = None
    high: float | None = None


@dataclass(frozen=True)
class _Case:
    """What each reader ended with; None where the reading was rejected."""

    versions: Mapping[str, Reading | None]
    outcomes: Mapping[str, str]
    view: str


def reader_agreement(doubles: Sequence[DoubleReading]) -> list[Statistic]:
    """All statistics of the readings that two people gave independently."""
    cases = [_case(double) for double in doubles]
    found: list[Statistic] = []
    for pair in COMPARED:
        compared = " and ".join(pair)
        for view in ("AP", "lateral"):
            here = [case for case in cases if case.view == view]
            for quantity in ANGLES:
                found += _angles(compared, quantity, view, _values(here, pair, quantity))
            found += _landmarks(compared, view, here, pair)
        both = _pairs(cases, pair)
        for quantity, read, categories, weights in CATEGORIES:
            found += _category(compared, quantity, both, read, categories, weights)
    outcomes = [(case.outcomes["first"], case.outcomes["second"]) for case in cases]
    decided = [tuple("reject" if o == "reject" else "accept" for o in pair) for pair in outcomes]
    found += _kappa("first and second", "decision", decided, ("accept", "reject"), "none")
    return found


def as_csv(statistics: Iterable[Statistic]) -> str:
    """The table as CSV, columns `COLUMNS`."""
    return csv_text(COLUMNS, [asdict(statistic) for statistic in statistics])


def _case(double: DoubleReading) -> _Case:
    return _Case(
        versions={
            "program": double.original,
            "first": _version(double.first, double.original),
            "second": _version(double.second, double.original),
        },
        outcomes={"first": double.first.outcome, "second": double.second.outcome},
        view=str(double.original["view"]["name"]),
    )


def _version(entry: Entry, original: Reading) -> Reading | None:
    if entry.outcome == "reject":
        return None
    return original if entry.final is None else entry.final


def _pairs(cases: Sequence[_Case], pair: tuple[str, str]) -> list[tuple[Reading, Reading]]:
    found = []
    for case in cases:
        one, other = (case.versions[name] for name in pair)
        if one is not None and other is not None:
            found.append((one, other))
    return found


def _values(
    cases: Sequence[_Case], pair: tuple[str, str], quantity: str
) -> list[tuple[float, float]]:
    """The quantity by both, where both read the film as of the same view and have an angle."""
    found = []
    for one, other in _pairs(cases, pair):
        a, b = ((reading["alignment"] or {}).get(quantity) for reading in (one, other))
        if a is not None and b is not None and one["view"]["name"] == other["view"]["name"]:
            found.append((a, b))
    return found


def _angles(
    compared: str, quantity: str, view: str, values: Sequence[tuple[float, float]]
) -> list[Statistic]:
    n = len(values)
    if n < LEAST:
        return []
    a, b = np.array(values).T
    limits = limits_of_agreement(a, b)
    rows: list[tuple[str, float, float, float]] = [
        ("bias", limits.bias, limits.bias_low, limits.bias_high),
        ("lower limit", limits.lower, limits.lower_low, limits.lower_high),
        ("upper limit", limits.upper, limits.upper_low, limits.upper_high),
        ("mean absolute difference", float(np.abs(a - b).mean()), math.nan, math.nan),
    ]
    rows += [
        (one.form.replace("k", "2"), one.value, one.low, one.high)
        for one in icc(np.column_stack([a, b])).values()
    ]
    return [
        Statistic(compared, quantity, view, n, name, *map(_number, numbers))
        for name, *numbers in rows
    ]


def _landmarks(
    compared: str, view: str, cases: Sequence[_Case], pair: tuple[str, str]
) -> list[Statistic]:
    """Distances in % of the knee box's width: needs no scale."""
    distances, seen, only = [], 0, 0
    for one, other in _pairs(cases, pair):
        box = one["knee"]["box"]
        theirs = {landmark["name"]: landmark for landmark in other["landmarks"]}
        for landmark in one["landmarks"]:
            match = theirs.get(landmark["name"])
            both = [landmark["seen"], match is not None and match["seen"]]
            seen += any(both)
            only += any(both) and not all(both)
            if all(both) and match is not None and box is not None and box[2] > box[0]:
                far = math.hypot(landmark["x"] - match["x"], landmark["y"] - match["y"])
                distances.append(100.0 * far / (box[2] - box[0]))
    if len(distances) < LEAST:
        return []
    rows = (
        ("mean distance, % of box width", float(np.mean(distances))),
        ("95th percentile of distance, % of box width", float(np.percentile(distances, 95))),
        ("seen by one only, %", 100.0 * only / seen),
    )
    return [
        Statistic(compared, "landmarks", view, len(distances), name, _number(value))
        for name, value in rows
    ]


def _verdict(reading: Reading) -> str | None:
    verdict = (reading["alignment"] or {}).get("square")
    return None if verdict is None else str(verdict)


def _view(reading: Reading) -> str | None:
    return str(reading["view"]["name"])


def _side(reading: Reading) -> str | None:
    name = reading["side"]["name"]
    return None if name is None else str(name)


CATEGORIES: tuple[tuple[str, Callable[[Reading], str | None], tuple[str, ...], Any], ...] = (
    ("verdict", _verdict, VERDICTS, "none"),
    ("verdict", _verdict, VERDICTS, "linear"),
    ("view", _view, ("AP", "lateral", "other", "none"), "none"),
    ("side", _side, ("right", "left"), "none"),
)


def _category(
    compared: str,
    quantity: str,
    both: Sequence[tuple[Reading, Reading]],
    read: Callable[[Reading], str | None],
    categories: tuple[str, ...],
    weights: Any,
) -> list[Statistic]:
    names = [(read(one), read(other)) for one, other in both]
    known = [(a, b) for a, b in names if a is not None and b is not None]
    return _kappa(compared, quantity, known, categories, weights)


def _kappa(
    compared: str,
    quantity: str,
    pairs: Sequence[tuple[str, ...]],
    categories: tuple[str, ...],
    weights: Any,
) -> list[Statistic]:
    if len(pairs) < LEAST:
        return []
    found = kappa([a for a, _ in pairs], [b for _, b in pairs], categories, weights)
    name = "kappa" if weights == "none" else f"{weights} weighted kappa"
    rows = [(name, found.value, found.low, found.high)]
    if weights == "none":
        rows.append(("agreed, %", 100.0 * found.agreed, math.nan, math.nan))
    return [
        Statistic(compared, quantity, "all", found.n, name, *map(_number, numbers))
        for name, *numbers in rows
    ]


def _number(value: float) -> float | None:
    return round(value, 5) if math.isfinite(value) else None
