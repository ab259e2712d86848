"""The pictures of a drift page: a measure with its charts, causes of rejection."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from pipeline.language import Speech
from pipeline.records.paper import Picture
from pipeline.records.paper.charts import INK, SOFT, STYLES, figure, house, picture, stacks
from pipeline.records.quality.drift import SHARE, Course, Drift
from pipeline.records.quality.rejects import Rejects
from pipeline.records.quality.words import READ_AS, cause, plain

if TYPE_CHECKING:
    from matplotlib.axes import Axes

BASE = "#e7e9e3"
LIMIT: dict[str, Any] = {"color": SOFT, "linewidth": 1.2, "linestyle": (0, (6, 3))}


def course_picture(t: Speech, course: Course, drift: Drift, alt: str) -> Picture:
    """The Shewhart chart above, the CUSUM below; where there is no chart, the points alone."""
    drawn, only = figure(height=4.4 if course.sums else 2.4)
    days = _middles(drift)
    with house():
        if course.sums is None:
            _points(t, only, course, days)
        else:
            only.remove()
            above, below = drawn.subplots(2, 1, sharex=True, height_ratios=[3, 2])
            _shade(t, above, drift)
            _shewhart(t, above, course, days)
            _cusum(t, below, course, days)
    return picture(drawn, alt)


Days = Any
"""Days as matplotlib takes them; its types know numbers only."""


def _middles(drift: Drift) -> Days:
    """The middle of each stretch of time."""
    both = zip(drift.spells.first, drift.spells.last, strict=True)
    return [first + (last - first) / 2 for first, last in both]


def _shade(t: Speech, axes: Axes, drift: Drift) -> None:
    """What counts as unchanged: a band, and words in it."""
    base = np.flatnonzero(drift.base)
    if len(base):
        first: Any = drift.spells.first[base[0]]
        last: Any = drift.spells.last[base[-1]]
        axes.axvspan(first, last, color=BASE, zorder=0)
        axes.annotate(
            t("first points") if drift.learnt else t("taken as unchanged"),
            (first, 1.0),
            (2, 2),
            xycoords=("data", "axes fraction"),
            textcoords="offset points",
            va="bottom",
            fontsize=8,
            color=SOFT,
        )


def _points(t: Speech, axes: Axes, course: Course, days: Days) -> None:
    values = _shown(course, course.values)
    axes.plot(days, values, **_small(0))
    axes.set_ylabel(t("per cent") if course.measure is SHARE else t("degrees"))
    _ticks(t, axes)


def _shewhart(t: Speech, axes: Axes, course: Course, days: Days) -> None:
    chart = course.shewhart
    assert chart is not None
    _points(t, axes, course, days)
    axes.plot(days, _shown(course, chart.centre), color=SOFT, linewidth=1.2)
    for limit in (chart.lower, chart.upper):
        axes.step(days, _shown(course, limit), where="mid", **LIMIT)
    _rings(axes, days, _shown(course, chart.values), [one.at for one in chart.signals])


def _cusum(t: Speech, axes: Axes, course: Course, days: Days) -> None:
    sums = course.sums
    assert sums is not None
    axes.axhline(0, color=SOFT, linewidth=1.0)
    for limit in (sums.h, -sums.h):
        axes.axhline(limit, **LIMIT)
    axes.plot(days, sums.high, label=t("sum above"), **_small(0))
    axes.plot(days, -sums.low, label=t("sum below"), **_small(1))
    for at, side in ((one.at, one.side) for one in sums.signals):
        _rings(axes, days, sums.high if side > 0 else -sums.low, [at])
    most = max(1.3 * sums.h, 1.05 * float(max(sums.high.max(), sums.low.max())))
    axes.set_ylim(-most, most)
    axes.set_ylabel(t("CUSUM, sigma"))
    _ticks(t, axes)
    axes.legend(loc="lower left", bbox_to_anchor=(0, 1), ncols=2, borderaxespad=0.1, fontsize=8)


def _rings(axes: Axes, days: Days, values: NDArray[np.float64], at: list[int]) -> None:
    """A ring about each point that speaks."""
    where = sorted(set(at))
    axes.plot(
        [days[i] for i in where],
        [values[i] for i in where],
        linestyle="",
        marker="o",
        markersize=11,
        markerfacecolor="none",
        markeredgecolor=INK,
        markeredgewidth=1.6,
    )


def _small(style: int) -> dict[str, Any]:
    return {**STYLES[style].line, "linewidth": 1.2, "markersize": 4}


def _shown(course: Course, values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Shares in per cent, angles as they are."""
    return 100 * values if course.measure is SHARE else values


def _ticks(t: Speech, axes: Axes) -> None:
    axes.yaxis.set_major_formatter(lambda value, _: plain(t, value))


def causes_picture(t: Speech, rejects: Rejects) -> Picture:
    """Causes of rejection, each by how the film's knee was read."""
    causes: Mapping[str, Mapping[str, int]] = rejects.causes
    rows = list(causes)
    parts = [
        (t(words), [causes[name][read] for name in rows])
        for read, words in READ_AS.items()
        if any(causes[name][read] for name in rows)
    ]
    said = ", ".join(f"{cause(t, name)} {sum(causes[name].values())}" for name in rows)
    drawn = stacks([cause(t, name) for name in rows], parts, x_label=t("rejected films"))
    return picture(drawn, t("Rejected films by cause: {causes}.", causes=said))
