"""The drift page: what the charts say first, then each chart, then what was rejected and why."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from pipeline.language import Speech, mark, mark_within
from pipeline.records.paper import Block, Caution, Heading, Items, Paper, Table, Text
from pipeline.records.quality.control import RANGE, Signal, arl_of_both
from pipeline.records.quality.drift import FEW_POINTS, Course, Drift, How
from pipeline.records.quality.films import Films
from pipeline.records.quality.plots import causes_picture, course_picture
from pipeline.records.quality.rejects import Operator, Rejects
from pipeline.records.quality.words import CHARTS, cause, each, number, plain, span, stretch
from pipeline.records.quality.words import month as month_of
from pipeline.records.share import wilson

SIDES = {1: mark_within("way", "up"), -1: mark_within("way", "down")}
LEVELS = {
    False: mark("The shaded stretch is taken as unchanged: level and limits come from it."),
    True: mark(
        "Each point is judged by those before it, with limits as wide as these tell little, and "
        "then learnt from, until a CUSUM speaks. The shaded points are the first ones: none of "
        "them is judged."
    ),
}
FEW_FILMS = 30
"""Judged films of an operator below which nothing is told (design value)."""
COLUMNS = 4
"""Causes that have a column of their own in the table of months."""


def drift_paper(
    t: Speech,
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
        *_first(t, films, drift, how),
        Heading(t("Charts")),
        Text(_reading_charts(t, drift, how), "quiet"),
    ]
    for course in drift.courses:
        blocks += _course(t, course, drift)
    blocks += _rejects(t, rejects)
    blocks += _months(t, rejects)
    if operators:
        blocks += _operators(t, operators)
    blocks += _sources(t, how)
    days = t("{low} to {high}", low=t.day(first), high=t.day(last))
    read = t.plural("{n} reading", "{n} readings", len(films))
    title = t("Positioning over time")
    return Paper(title, f"{days}, {read}; {asked}", tuple(blocks), t.code, made_by, invented)


def _first(t: Speech, films: Films, drift: Drift, how: How) -> list[Block]:
    charted = [course for course in drift.courses if course.shewhart is not None]
    speaking = [course for course in charted if course.signals]
    if not charted:
        lead = t(
            "Too little is there for a chart; where there are some points, they have no limits."
        )
    elif not speaking:
        lead = t(
            "No chart speaks. Measures looked at: {n}; nothing in them shows a change of "
            "positioning.",
            n=len(charted),
        )
    else:
        lead = t(
            "Charts speak in {n} of {m} measures: {names}.",
            n=len(speaking),
            m=len(charted),
            names=", ".join(t(course.measure.name) for course in speaking),
        )
    blocks: list[Block] = [Text(lead, "lead")]
    if speaking:
        rows = [row for course in speaking for row in _signals(t, course, drift)]
        columns = (
            *(t("Measure"), t("What speaks"), t("First at"), t("Seems to begin"), t("Way")),
            *(t.within("level", "Before"), t.within("level", "Since")),
        )
        blocks.append(Table(columns, tuple(rows), t("What the charts say"), numbers=(5, 6)))
    if charted:
        blocks.append(Text(_by_chance(t, drift, how)))
    blocks.append(
        Text(
            t(
                "A chart tells that something changed, never why: a new detector, other patients, "
                "another way of reading and other hands look alike. Look at the films before "
                "anything is concluded."
            )
        )
    )
    shaky = [c for c in charted if c.level is not None and c.level.n < FEW_POINTS]
    if shaky and not drift.learnt:
        least = min(c.level.n for c in shaky if c.level is not None)
        blocks.append(
            Caution(
                t(
                    "Levels rest on {n} points, and {least} or more are wanted: limits are shaky, "
                    "and false alarms commoner than said.",
                    n=least,
                    least=FEW_POINTS,
                )
            )
        )
    if films.undated:
        left_out = t.plural(
            "{n} reading has no day and is left out.",
            "{n} readings have no day and are left out.",
            films.undated,
        )
        blocks.append(Caution(left_out))
    return blocks


def _by_chance(t: Speech, drift: Drift, how: How) -> str:
    """How many charts chance alone would make speak, and what that means."""
    expected = {"n": t.number(drift.false_alarms, 1)}
    if drift.learnt:
        said = [
            t(
                "If nothing had changed, about {n} of all these charts would be expected to speak "
                "over this time, and more where single patients lie far off.",
                **expected,
            )
        ]
    else:
        said = [
            t(
                "If nothing had changed, about {n} of all these charts would be expected to speak "
                "over this time with levels known exactly, and more in truth.",
                **expected,
            )
        ]
    said.append(
        t(
            "A chart with a single point just beyond its limit may be one of these; signals of "
            "several charts that go on are hardly chance."
        )
    )
    if set(how.rules) - {"beyond", RANGE}:
        said.append(t("The further run rules add to these."))
    return " ".join(said)


def _signals(t: Speech, course: Course, drift: Drift) -> list[tuple[str, ...]]:
    """For each chart and rule that speaks, its first signal."""
    firsts: dict[str, Signal] = {}
    for one in course.signals:
        firsts.setdefault(one.rule, one)
    assert course.level is not None
    rows: list[tuple[str, ...]] = []
    for rule, one in firsts.items():
        jump = rule == RANGE
        rows.append(
            (
                t(course.measure.name),
                "CUSUM" if rule == "cusum" else t(CHARTS[rule]),
                stretch(t, drift.spells, one.at),
                stretch(t, drift.spells, one.since),
                "" if jump else t.within("way", SIDES[one.side]),
                number(t, course, _before(course, one)),
                "" if jump else number(t, course, _mean_of(course, one.since)),
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


def _reading_charts(t: Speech, drift: Drift, how: How) -> str:
    how_to = t(
        "One point for {each}. Above: the points, their level (line) and limits (broken lines). "
        "Below: CUSUM, the sum of what exceeds half a shift (k = {k}), above and below the level, "
        "with its limits (h = {h}). Rings mark points that speak. Run rules: {rules}.",
        each=each(t, drift.spells),
        k=plain(t, how.k),
        h=plain(t, how.h),
        rules="; ".join(t(CHARTS[name]) for name in how.rules) or t("none"),
    )
    return f"{how_to} {t(LEVELS[drift.learnt])}"


def _course(t: Speech, course: Course, drift: Drift) -> list[Block]:
    title = t(course.measure.title)
    blocks: list[Block] = [Heading(title, 3)]
    if course.level is None:
        assert course.why is not None
        why = course.why.told(t)
        none = Text(t("No chart: {why}.", why=why))
        if np.isfinite(course.values).sum() < 2:  # a point alone shows no course
            return [*blocks, none]
        alt = t("{title}: points without limits. No chart: {why}.", title=title, why=why)
        return [*blocks, course_picture(t, course, drift, alt), none]
    sizes = course.sizes[course.sizes > 0]
    said = t(
        "{n} readings a point on the median; level {level} from {points} points.",
        n=t.number(float(np.median(sizes)), 0),
        level=number(t, course, course.level.mean),
        points=course.level.n,
    )
    if course.spread > 1:
        said += " " + t(
            "Points vary {n} times as much as chance alone would have it, and limits are widened "
            "by that.",
            n=t.number(course.spread, 1),
        )
    alt = t(
        "{title} over time with limits and CUSUM: {spoke}.",
        title=title,
        spoke=t.plural(
            "{n} point of {m} speaks",
            "{n} points of {m} speak",
            len({one.at for one in course.signals}),
            m=len(course.values),
        ),
    )
    return [*blocks, course_picture(t, course, drift, alt), Text(said, "quiet")]


def _rejects(t: Speech, rejects: Rejects) -> list[Block]:
    blocks: list[Block] = [Heading(t("Rejected films"))]
    if not rejects.known:
        return [
            *blocks,
            Text(
                t(
                    "Nothing is known about rejected films. Causes are taken from key object "
                    "selections or from a table of your own (squareon facts --help)."
                )
            ),
        ]
    rejected = sum(month.rejected for month in rejects.months)
    films = sum(month.films for month in rejects.months)
    text = t(
        "{n} of {m} films were rejected ({share}).",
        n=t.number(rejected, 0),
        m=t.number(films, 0),
        share=t.share(rejected / films, 1),
    )
    if read := rejects.causes.get("positioning", {}):
        text += " " + t(
            "Of {n} rejected for positioning, {turned} had been read as not square, {square} as "
            "square.",
            n=sum(read.values()),
            turned=read["not square"],
            square=read["square"],
        )
    return [
        *blocks,
        Text(text),
        causes_picture(t, rejects),
        _causes_by_month(t, rejects),
        Text(
            t(
                "Only films that reach the archive can be counted: where rejected films are "
                "deleted at the console, these shares are too low. A reading is no verdict on "
                "whether a film was of use: that was decided by people."
            ),
            "quiet",
        ),
    ]


def _causes_by_month(t: Speech, rejects: Rejects) -> Table:
    """Films and causes, month by month; the commonest causes have a column of their own."""
    causes, others = list(rejects.causes)[:COLUMNS], list(rejects.causes)[COLUMNS:]
    rows = []
    for month in rejects.months:
        share = t.share(month.rejected / month.films, 1) if month.films else "\u2013"
        counts = str(month.films), str(month.rejected)
        row = [month_of(t, month.label), *counts, share, span(t, month.low, month.high)]
        row += [str(month.causes.get(name, 0)) for name in causes]
        if others:
            row.append(str(sum(month.causes.get(name, 0) for name in others)))
        rows.append(tuple(row))
    columns = [t("Month"), t("Films"), t("Rejected"), t("Share"), t("95 % interval")]
    columns += [_capital(cause(t, name)) for name in causes]
    columns += [t("Other causes")] if others else []
    numbers = tuple(range(1, len(columns)))
    caption = t("Rejected films, month by month")
    return Table(tuple(columns), tuple(rows), caption, numbers)


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _months(t: Speech, rejects: Rejects) -> list[Block]:
    rows = []
    for month in rejects.months:
        share = t.share(month.not_square / month.judged) if month.judged else "\u2013"
        limits = wilson(month.not_square, month.judged)
        interval = span(t, *limits) if month.judged else "\u2013"
        counts = (month.readings, month.cannot_tell, month.not_read, month.judged, month.not_square)
        rows.append((month_of(t, month.label), *map(str, counts), share, interval))
    columns = (
        *(t("Month"), t("Readings"), t("Cannot tell"), t("Not read")),
        *(t("Judged"), t("Not square"), t("Share"), t("95 % interval")),
    )
    caption = t("Readings of knees, month by month")
    numbers = tuple(range(1, len(columns)))
    return [Heading(t("Months")), Table(columns, tuple(rows), caption, numbers)]


def _operators(t: Speech, operators: Sequence[Operator]) -> list[Block]:
    rows = []
    for one in operators:
        enough = one.judged >= FEW_FILMS
        interval = span(t, one.low, one.high) if enough else t("too few to tell")
        share = t.share(one.not_square / one.judged) if enough else "\u2013"
        rows.append((one.code, str(one.readings), str(one.judged), share, interval))
    return [
        Heading(t("Operators")),
        Text(
            t(
                "For teaching, never for judging a person: cases differ, and a hard patient gives "
                "a turned film. Where intervals overlap, chance alone may make the difference."
            )
        ),
        Table(
            (t("Code"), t("Readings"), t("Judged"), t("Not square"), t("95 % interval")),
            tuple(rows),
            t("Share of films that are not square on, by the site's codes"),
            numbers=(1, 2, 3, 4),
        ),
    ]


def _sources(t: Speech, how: How) -> list[Block]:
    return [
        Heading(t("How it is made")),
        Items(
            (
                t(
                    "Films whose verdict is cannot tell, and films that were not read, are in no "
                    "share; the table of months counts them."
                ),
                t(
                    "Limits of shares are exact binomial ones, each passed by chance by at most "
                    "one point in 740, or with levels learnt those of the law of the next count; "
                    "where points vary more than chance allows they are widened (after Laney 2002)."
                ),
                t(
                    "With a baseline of yours, limits of means are three standard deviations, from "
                    "the mean moving range (NIST/SEMATECH e-Handbook of Statistical Methods "
                    "6.3.2.2); else they and the scores in the CUSUM follow Hawkins 1987 and "
                    "Quesenberry 1991."
                ),
                t(
                    "CUSUM: tabular, as in the e-Handbook 6.3.2.3. With k = {k} and h = {h} it is "
                    "silent for {quiet} points on average while nothing changes, and finds a "
                    "lasting shift of one standard deviation after {quick} (by the method of Brook "
                    "& Evans 1972).",
                    k=plain(t, how.k),
                    h=plain(t, how.h),
                    quiet=t.number(arl_of_both(0, how.k, how.h), 0),
                    quick=t.number(arl_of_both(1, how.k, how.h), 0),
                ),
                t("Run rules: Western Electric 1956, as in the e-Handbook 6.3.2."),
                t("Intervals of shares: Wilson 1927. Causes of rejection: DICOM PS3.16 CID 7011."),
            )
        ),
    ]
