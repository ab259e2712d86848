"""The drift page: what the charts say first, then each chart, then what was rejected and why."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from pipeline.records.paper import Block, Caution, Heading, Items, Paper, Table, Text
from pipeline.records.quality.control import RANGE, RULES, Signal, arl_of_both
from pipeline.records.quality.drift import FEW_POINTS, SHARE, Course, Drift, How
from pipeline.records.quality.films import Films
from pipeline.records.quality.plots import causes_picture, course_picture
from pipeline.records.quality.rejects import Month, Operator, Rejects
from pipeline.records.share import wilson

SIDES = {1: "up", -1: "down"}
CHARTS = {**{rule.name: rule.says for rule in RULES}, RANGE: "jump from the point before"}
LEVELS = {
    False: "The shaded stretch is taken as unchanged: level and limits come from it.",
    True: "Each point is judged by those before it, with limits as wide as these tell little, and "
    "then learnt from, until a CUSUM speaks. The shaded points are the first ones: none of them is "
    "judged.",
}
FEW_FILMS = 30
"""Judged films of an operator below which nothing is told (design value)."""
COLUMNS = 4
"""Causes that have a column of their own in the table of months."""


def drift_paper(
    films: Films,
    drift: Drift,
    rejects: Rejects,
    how: How,
    *,
    asked: str,
    made_by: str,
    invented: bool,
    operators: Sequence[Operator] = (),
) -> Paper:
    """The page. `asked`: what was looked at, in words."""
    first, last = drift.spells.first[0], drift.spells.last[-1]
    blocks: list[Block] = [
        *_first(films, drift, how),
        Heading("Charts"),
        Text(_reading_charts(drift, how), "quiet"),
    ]
    for course in drift.courses:
        blocks += _course(course, drift)
    blocks += _rejects(rejects)
    blocks += _months(rejects)
    if operators:
        blocks += _operators(operators)
    blocks += _sources(how)
    subtitle = f"{first:%Y-%m-%d} to {last:%Y-%m-%d}, {len(films)} readings; {asked}"
    return Paper("Positioning over time", subtitle, tuple(blocks), "en", made_by, invented)


def _first(films: Films, drift: Drift, how: How) -> list[Block]:
    charted = [course for course in drift.courses if course.shewhart is not None]
    speaking = [course for course in charted if course.signals]
    if not charted:
        lead = "Too little is there for a chart; where there are some points, they have no limits."
    elif not speaking:
        lead = f"No chart speaks: nothing in {len(charted)} measures shows a change of positioning."
    else:
        names = ", ".join(course.measure.name for course in speaking)
        lead = f"Charts speak in {len(speaking)} of {len(charted)} measures: {names}."
    blocks: list[Block] = [Text(lead, "lead")]
    if speaking:
        rows = [row for course in speaking for row in _signals(course, drift)]
        columns = ("Measure", "What speaks", "First at", "Seems to begin", "Way", "Before", "Since")
        blocks.append(Table(columns, tuple(rows), "What the charts say", numbers=(5, 6)))
    further = set(how.rules) - {"beyond", RANGE}
    if charted:
        blocks.append(
            Text(
                f"If nothing had changed, about {drift.false_alarms:.1f} signals would be expected "
                "in all these charts over this time"
                + (". " if drift.learnt else ", with levels known exactly, and more in truth. ")
                + "A single point just beyond a limit may be one of "
                "these; signals of several charts that go on are hardly chance."
                + (" The further run rules add to these." if further else "")
            )
        )
    blocks.append(
        Text(
            "A chart tells that something changed, never why: a new detector, other patients, "
            "another way of reading and other hands look alike. Look at the films before anything "
            "is concluded."
        )
    )
    shaky = [c for c in charted if c.level is not None and c.level.n < FEW_POINTS]
    if shaky and not drift.learnt:
        least = min(c.level.n for c in shaky if c.level is not None)
        blocks.append(
            Caution(
                f"Levels rest on {least} points, and {FEW_POINTS} or more are wanted: limits are "
                "shaky, and false alarms commoner than said."
            )
        )
    if films.undated:
        blocks.append(Caution(f"{films.undated} readings have no day and are left out."))
    return blocks


def _signals(course: Course, drift: Drift) -> list[tuple[str, ...]]:
    """For each chart and rule that speaks, its first signal."""
    firsts: dict[str, Signal] = {}
    for one in course.signals:
        firsts.setdefault(one.rule, one)
    assert course.level is not None
    rows: list[tuple[str, ...]] = []
    for rule, one in firsts.items():
        after = _mean_of(course, one.since)
        rows.append(
            (
                course.measure.name,
                "CUSUM" if rule == "cusum" else CHARTS[rule],
                drift.spells.label(one.at),
                drift.spells.label(one.since),
                "" if rule == RANGE else SIDES[one.side],
                _number(course, _before(course, one)),
                "" if rule == RANGE else _number(course, after),
            )
        )
    return rows


def _before(course: Course, signal: Signal) -> float:
    """The level by which the point was judged."""
    assert course.shewhart is not None
    centre = float(course.shewhart.centre[signal.at])
    if np.isfinite(centre) or course.level is None:
        return centre
    return course.level.mean


def _mean_of(course: Course, since: int) -> float:
    """Of all readings from a stretch on."""
    values, sizes = course.values[since:], course.sizes[since:]
    there = np.isfinite(values)
    return float(np.average(values[there], weights=sizes[there]))


def _number(course: Course, value: float) -> str:
    if course.measure is SHARE:
        return f"{100 * value:.0f} %"
    return f"{value:+.1f}\u00b0".replace("-", "\u2212")


def _reading_charts(drift: Drift, how: How) -> str:
    rules = "; ".join(CHARTS[name] for name in how.rules) or "none"
    return (
        f"One point for {drift.spells.each}. Above: the points, their level (line) and "
        "limits (broken lines). Below: CUSUM, the sum of what exceeds half a shift "
        f"(k = {how.k:g}), above and below the level, with its limits (h = {how.h:g}). Rings mark "
        f"points that speak. Run rules: {rules}. " + LEVELS[drift.learnt]
    )


def _course(course: Course, drift: Drift) -> list[Block]:
    blocks: list[Block] = [Heading(course.measure.title, 3)]
    if not course.sizes.sum():
        return [*blocks, Text(f"No chart: {course.why}.")]
    sizes = course.sizes[course.sizes > 0]
    said = f"{int(np.median(sizes))} readings a point on the median"
    if course.level is None:
        why = Text(f"No chart: {course.why}.")
        if np.isfinite(course.values).sum() < 2:  # a point alone shows no course
            return [*blocks, why]
        alt = f"{course.measure.title}: points without limits, as {course.why}."
        return [*blocks, course_picture(course, drift, alt), why]
    said += f"; level {_number(course, course.level.mean)} from {course.level.n} points"
    if course.spread > 1:
        said += (
            f"; points vary {course.spread:.1f} times as much as chance alone would have it, and "
            "limits are widened by that"
        )
    spoke = len({one.at for one in course.signals})
    alt = (
        f"{course.measure.title} over time with limits and CUSUM: "
        f"{spoke or 'no'} point{'s' if spoke != 1 else ''} of {len(course.values)} speak"
        f"{'s' if spoke == 1 else ''}."
    )
    return [*blocks, course_picture(course, drift, alt), Text(said + ".", "quiet")]


def _rejects(rejects: Rejects) -> list[Block]:
    blocks: list[Block] = [Heading("Rejected films")]
    if not rejects.known:
        return [
            *blocks,
            Text(
                "Nothing is known about rejected films. Causes are taken from key object "
                "selections or from a table of your own (squareon facts --help)."
            ),
        ]
    rejected = sum(month.rejected for month in rejects.months)
    films = sum(month.films for month in rejects.months)
    read = rejects.causes.get("positioning", {})
    text = f"{rejected} of {films} films were rejected ({100 * rejected / films:.1f} %)."
    if read:
        text += (
            f" Of {sum(read.values())} rejected for positioning, {read['not square']} had been "
            f"read as not square, {read['square']} as square."
        )
    return [
        *blocks,
        Text(text),
        causes_picture(rejects),
        _causes_by_month(rejects),
        Text(
            "Only films that reach the archive can be counted: where rejected films are deleted at "
            "the console, these shares are too low. A reading is no verdict on whether a film "
            "was of use: that was decided by people.",
            "quiet",
        ),
    ]


def _causes_by_month(rejects: Rejects) -> Table:
    """Films and causes, month by month; the commonest causes have a column of their own."""
    causes, others = list(rejects.causes)[:COLUMNS], list(rejects.causes)[COLUMNS:]
    rows = []
    for month in rejects.months:
        span = f"{100 * month.low:.0f} to {100 * month.high:.0f} %"
        row = [month.label, str(month.films), str(month.rejected), _share(month), span]
        row += [str(month.causes.get(name, 0)) for name in causes]
        if others:
            row.append(str(sum(month.causes.get(name, 0) for name in others)))
        rows.append(tuple(row))
    columns = ["Month", "Films", "Rejected", "Share", "95 % interval"]
    columns += [name.capitalize() for name in causes] + (["Other causes"] if others else [])
    numbers = tuple(range(1, len(columns)))
    return Table(tuple(columns), tuple(rows), "Rejected films, month by month", numbers)


def _share(month: Month) -> str:
    return f"{100 * month.rejected / month.films:.1f} %" if month.films else "\u2013"


def _months(rejects: Rejects) -> list[Block]:
    rows = []
    for month in rejects.months:
        share = f"{100 * month.not_square / month.judged:.0f} %" if month.judged else "\u2013"
        low, high = wilson(month.not_square, month.judged)
        span = f"{100 * low:.0f} to {100 * high:.0f} %" if month.judged else "\u2013"
        counts = (month.readings, month.cannot_tell, month.not_read, month.judged)
        rows.append((month.label, *map(str, counts), str(month.not_square), share, span))
    columns = (
        *("Month", "Readings", "Cannot tell", "Not read"),
        *("Judged", "Not square", "Share", "95 % interval"),
    )
    caption = "Readings of knees, month by month"
    numbers = tuple(range(1, len(columns)))
    return [Heading("Months"), Table(columns, tuple(rows), caption, numbers)]


def _operators(operators: Sequence[Operator]) -> list[Block]:
    rows = []
    for one in operators:
        enough = one.judged >= FEW_FILMS
        span = f"{100 * one.low:.0f} to {100 * one.high:.0f} %" if enough else "too few to tell"
        share = f"{100 * one.not_square / one.judged:.0f} %" if enough else "\u2013"
        rows.append((one.code, str(one.readings), str(one.judged), share, span))
    return [
        Heading("Operators"),
        Text(
            "For teaching, never for judging a person: cases differ, and a hard patient gives a "
            "turned film. Where intervals overlap, chance alone may make the difference."
        ),
        Table(
            ("Code", "Readings", "Judged", "Not square", "95 % interval"),
            tuple(rows),
            "Share of films that are not square on, by the site's codes",
            numbers=(1, 2, 3, 4),
        ),
    ]


def _sources(how: How) -> list[Block]:
    return [
        Heading("How it is made"),
        Items(
            (
                "Films whose verdict is cannot tell, and films that were not read, are in no "
                "share; the table of months counts them.",
                "Limits of shares are exact binomial ones, each passed by chance by at most one "
                "point in 740, or with levels learnt those of the law of the next count; where "
                "points vary more than chance allows they are widened (after Laney 2002).",
                "With a baseline of yours, limits of means are three standard deviations, from the "
                "mean moving range (NIST/SEMATECH e-Handbook of Statistical Methods 6.3.2.2); "
                "else they and the scores in the CUSUM follow Hawkins 1987 and Quesenberry 1991.",
                f"CUSUM: tabular, as in the e-Handbook 6.3.2.3. With k = {how.k:g} and h = "
                f"{how.h:g} it is silent for {arl_of_both(0, how.k, how.h):.0f} points on average "
                "while nothing changes, and finds a lasting shift of one standard deviation after "
                f"{arl_of_both(1, how.k, how.h):.0f} (by the method of Brook & Evans 1972).",
                "Run rules: Western Electric 1956, as in the e-Handbook 6.3.2.",
                "Intervals of shares: Wilson 1927. Causes of rejection: DICOM PS3.16 CID 7011.",
            )
        ),
    ]
