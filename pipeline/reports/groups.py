"""Reports of an operator code, of a period, and the one that leads to all others."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date

from pipeline.language import Speech
from pipeline.records.paper import Block, Caution, Heading, Link, Paper, Table, Text
from pipeline.reports import totals, words
from pipeline.reports.facts import Fact, in_time
from pipeline.reports.study import angles

LISTED = 400
"""So many films are listed one by one; more are no list to read."""


def period_of(day: date | None, length: str) -> str:
    """`2026-03`, `2026-Q1` or `2026`; "" for an unknown day. They sort by time."""
    if day is None:
        return ""
    if length == "quarter":
        return f"{day.year}-Q{(day.month + 2) // 3}"
    return f"{day.year}-{day.month:02d}" if length == "month" else str(day.year)


def period_name(t: Speech, period: str) -> str:
    """The period as a person says it."""
    if not period:
        return t("day not known")
    year, _, part = period.partition("-")
    if part.startswith("Q"):
        return t("quarter {n} of {year}", n=part[1:], year=year)
    return t.month(date(int(year), int(part), 1)) if part else year


def grouped(facts: Sequence[Fact], length: str) -> dict[str, list[Fact]]:
    """Facts by period, periods in time order, unknown days last."""
    found: dict[str, list[Fact]] = {}
    for fact in sorted(facts, key=in_time):
        found.setdefault(period_of(fact.day, length), []).append(fact)
    return dict(sorted(found.items(), key=lambda item: item[0] or "~"))


def operator_paper(
    t: Speech, code: str, facts: Sequence[Fact], length: str, tolerance_deg: float, invented: bool
) -> Paper:
    """One operator code: by view, by period, film by film."""
    facts = sorted(facts, key=in_time)
    return Paper(
        title=t("Operator {code}", code=code) if code else t("Operator not stated"),
        subtitle=words.days(t, facts),
        blocks=(
            *_totals(t, facts, tolerance_deg),
            *_periods(t, facts, length),
            *_list(t, facts),
        ),
        language=t.code,
        made_by=words.made_by(t, facts[0]),
        invented=invented,
    )


def period_paper(
    t: Speech, period: str, facts: Sequence[Fact], tolerance_deg: float, invented: bool
) -> Paper:
    """One period: by view and by station, film by film. Operators are not set side by side."""
    facts = sorted(facts, key=in_time)
    stations: dict[str, list[Fact]] = {}
    for fact in facts:
        stations.setdefault(fact.station or t("not stated"), []).append(fact)
    by_station: tuple[Block, ...] = ()
    if set(stations) != {t("not stated")}:
        caption = t("Readings by station.")
        by_station = (
            Heading(t("Stations")),
            totals.table(t, t("station"), dict(sorted(stations.items())), caption),
        )
    return Paper(
        title=t("Period: {period}", period=period_name(t, period)),
        subtitle=words.days(t, facts),
        blocks=(*_totals(t, facts, tolerance_deg), *by_station, *_list(t, facts)),
        language=t.code,
        made_by=words.made_by(t, facts[0]),
        invented=invented,
    )


def overview_paper(
    t: Speech,
    studies: Sequence[tuple[str, str, Sequence[Fact]]],
    operators: Mapping[str, tuple[str, int]],
    periods: Mapping[str, tuple[str, int]],
    facts: Sequence[Fact],
    *,
    length: str,
    left_out: int,
    invented: bool,
) -> Paper:
    """Leads to all other reports.

    Args:
        studies: title, file and readings of each; file "" where studies were not asked for.
        operators, periods: name to file and number of readings; empty where not asked for.
        left_out: readings left out because no person has accepted them.
    """
    lead = t.plural("{n} reading", "{n} readings", len(facts))
    blocks: list[Block] = [Text(f"{lead}.", "lead")]
    if left_out:
        blocks.append(
            Text(
                t.plural(
                    "{n} more reading is left out: no person has accepted it.",
                    "{n} more readings are left out: no person has accepted them.",
                    left_out,
                )
            )
        )
    blocks += _unreviewed(t, facts)
    groups = totals.by_view(t, facts)
    if facts:
        blocks += [
            totals.bars(t, groups, t("All films")),
            totals.table(t, t("view"), groups, t("All films by view and verdict.")),
            totals.honest(t, totals.count(facts)),
            *_periods(t, facts, length),
        ]
    if operators:
        blocks += [
            Heading(t("Operator codes")),
            _links(t, t("operator"), operators, t("In the order of the codes; no ranking.")),
        ]
    if periods:
        blocks += [
            Heading(t("Periods")),
            _links(t, t("period"), periods, t("In time order.")),
        ]
    if studies:
        rows = tuple(
            (
                Link(title, file) if file else title,
                t.number(len(members), 0),
                t.number(sum(fact.verdict == "yes" for fact in members), 0),
            )
            for title, file, members in studies
        )
        columns = (t("study"), t("readings"), t("square on"))
        blocks += [Heading(t("Studies")), Table(columns, rows, t("In time order."), (1, 2))]
    return Paper(
        title=t("Knee films: reports"),
        subtitle=words.days(t, facts),
        blocks=tuple(blocks),
        language=t.code,
        made_by=words.made_by(t, facts[0]) if facts else "",
        invented=invented,
    )


def _totals(t: Speech, facts: Sequence[Fact], tolerance_deg: float) -> list[Block]:
    groups, counted = totals.by_view(t, facts), totals.count(facts)
    lead = t(
        "{square} of {judged} films with a yes or a no are square on.",
        square=t.number(counted.square, 0),
        judged=t.number(counted.judged, 0),
    )
    blocks: list[Block] = [Text(lead, "lead"), *_unreviewed(t, facts)]
    blocks += [
        totals.honest(t, counted),
        totals.bars(t, groups, t("All films")),
        totals.table(t, t("view"), groups, t("All films by view and verdict.")),
    ]
    found = totals.sizes(t, facts)
    if found is not None:
        blocks.append(found)
    return [*blocks, *totals.over_time(t, facts, tolerance_deg)]


def _unreviewed(t: Speech, facts: Sequence[Fact]) -> list[Block]:
    """How many of them no person has accepted, where there are any."""
    waiting = sum(not fact.record.reviewed for fact in facts)
    if not waiting:
        return []
    said = t.plural(
        "{n} reading here was accepted by no person: UNREVIEWED.",
        "{n} readings here were accepted by no person: UNREVIEWED.",
        waiting,
    )
    return [Caution(said)]


def _periods(t: Speech, facts: Sequence[Fact], length: str) -> list[Block]:
    found = {period_name(t, name): members for name, members in grouped(facts, length).items()}
    if len(found) < 2:
        return []
    return [
        Heading(t("Over time")),
        totals.bars(t, found, t("Over time")),
        totals.table(t, t("period"), found, t("Readings by period.")),
    ]


def _list(t: Speech, facts: Sequence[Fact]) -> list[Block]:
    blocks: list[Block] = [Heading(t("All films")), angles(t, facts[:LISTED])]
    if len(facts) > LISTED:
        more = t.plural("{n} more is not listed.", "{n} more are not listed.", len(facts) - LISTED)
        blocks.append(Text(more))
    return blocks


def _links(t: Speech, heading: str, named: Mapping[str, tuple[str, int]], caption: str) -> Table:
    rows = tuple((Link(name, file), t.number(n, 0)) for name, (file, n) in named.items())
    return Table((heading, t("readings")), rows, caption, (1,))
