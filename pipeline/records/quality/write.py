"""Page, document and table of a drift, from a store."""

from __future__ import annotations

from collections.abc import Iterator
from importlib.metadata import version
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.language import speech
from pipeline.records.files import write_atomic
from pipeline.records.paper import write_html, write_pdf
from pipeline.records.quality.drift import Drift, How, drift
from pipeline.records.quality.films import gather, spells
from pipeline.records.quality.invented import is_invented
from pipeline.records.quality.page import drift_paper
from pipeline.records.quality.rejects import operators as operators_of
from pipeline.records.quality.rejects import rejects
from pipeline.records.quality.words import asked
from pipeline.records.rows import NOTICE
from pipeline.records.store import Filter, Store, find
from pipeline.records.table import csv_text

COLUMNS = (
    *("measure", "first_day", "last_day", "baseline", "readings", "value"),
    *("centre", "lower", "upper", "cusum_high", "cusum_low", "signals", "notice"),
)


def write_drift(
    store: Store,
    filter: Filter,
    how: How,
    out: Path,
    *,
    every: str,
    operators: bool,
    language: str = "en",
) -> list[str]:
    """Writes `drift.html`, `drift.pdf`, `drift.csv`; returns what to tell. Raises `Problem`.

    `language` is that of page and document; the table keeps its names.
    """
    t = speech(language)
    films = gather(find(store, filter))
    found = drift(films, spells(films, every), how)
    counted = rejects(films)
    paper = drift_paper(
        t,
        films,
        found,
        counted,
        how,
        asked=asked(t, filter),
        made_by=f"squareon {version('squareon')}",
        invented=is_invented(store),
        operators=operators_of(films) if operators else (),
    )
    write_html(paper, out / "drift.html")
    write_pdf(paper, out / "drift.pdf")
    write_atomic(out / "drift.csv", csv_text(COLUMNS, rows(found)))
    return [*told(found), *(f"  {out / name}" for name in ("drift.html", "drift.pdf", "drift.csv"))]


def told(found: Drift) -> Iterator[str]:
    """What the charts say, a line for each measure."""
    yield f"points ({found.spells.name}): {len(found.spells)}, from {found.spells.first[0]} on"
    for course in found.courses:
        name = f"  {course.measure.name:<18}"
        if course.level is None:
            yield f"{name} no chart: {course.why}"
        elif not course.signals:
            yield f"{name} nothing speaks"
        else:
            first = course.signals[0]
            spoke = len({one.at for one in course.signals})
            yield f"{name} points that speak: {spoke}, the first at {found.spells.label(first.at)}"


def rows(found: Drift) -> Iterator[dict[str, Any]]:
    """The table: one row for each measure and stretch of time."""
    for course in found.courses:
        for index in range(len(found.spells)):
            chart, sums = course.shewhart, course.sums
            spoke = [one.rule for one in course.signals if one.at == index]
            values = (
                course.measure.name,
                found.spells.first[index].isoformat(),
                found.spells.last[index].isoformat(),
                int(found.base[index]),
                int(course.sizes[index]),
                _number(course.values[index]),
                None if chart is None else _number(chart.centre[index]),
                None if chart is None else _number(chart.lower[index]),
                None if chart is None else _number(chart.upper[index]),
                None if sums is None else _number(sums.high[index]),
                None if sums is None else _number(sums.low[index]),
                " ".join(dict.fromkeys(spoke)),
                NOTICE,
            )
            yield dict(zip(COLUMNS, values, strict=True))


def _number(value: float) -> float | None:
    return round(float(value), 5) if np.isfinite(value) else None
