"""The report of one study: its films in time order."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from pipeline.language import Speech
from pipeline.records.paper import Block, Columns, Heading, Link, Paper, Picture, Table, Text
from pipeline.reports import words
from pipeline.reports.facts import Fact
from pipeline.reports.film import Seen

ACROSS = 3
"""Films side by side."""


def study_paper(
    t: Speech,
    title: str,
    facts: Sequence[Fact],
    seen: Mapping[int, Seen],
    invented: bool,
    series: tuple[Block, ...] = (),
) -> Paper:
    """Thumbnails and verdicts, a table of angles, and what the series audit has to say.

    Args:
        facts: in time order.
        seen: pictures by number of the reading.
        series: blocks of the audit of this series, put in between; () for none.
    """
    squares = sum(fact.verdict == "yes" for fact in facts)
    lead = t.plural("{n} reading", "{n} readings", len(facts))
    lead += ", " + t.plural("{n} square on", "{n} square on", squares) + "."
    blocks: list[Block] = [Text(lead, "lead")]
    for start in range(0, len(facts), ACROSS):
        row = facts[start : start + ACROSS]
        cells = [_cell(t, fact, seen[fact.record.number]) for fact in row]
        blocks.append(Columns((*cells, *((),) * (ACROSS - len(cells)))))
    blocks += [Heading(t("Angles of all films")), angles(t, facts), *series]
    return Paper(
        title=title,
        subtitle=words.days(t, facts),
        blocks=tuple(blocks),
        language=t.code,
        made_by=words.made_by(t, facts[0]),
        invented=invented,
    )


def linked(fact: Fact) -> Link | str:
    """The film's name, leading to its own report where it has one."""
    return Link(fact.name, f"{fact.stem}.html") if fact.stem else fact.name


def angles(t: Speech, facts: Sequence[Fact]) -> Table:
    """One line for each reading."""
    columns = (
        t("film"),
        t("view"),
        t("verdict"),
        t("rotation (90 % interval)"),
        t("tilt (90 % interval)"),
        t("accepted"),
    )
    rows = tuple(
        (
            linked(fact),
            words.what(t, fact),
            words.signed_verdict(t, fact),
            words.angle(t, fact, "rotation"),
            words.angle(t, fact, "tilt"),
            t("yes") if fact.record.reviewed else t("no"),
        )
        for fact in facts
    )
    return Table(columns, rows, t("Films in time order; rounded to a tenth of a degree."), (3, 4))


def _cell(t: Speech, fact: Fact, seen: Seen) -> tuple[Block, ...]:
    blocks: list[Block] = []
    if seen.small is None:
        blocks.append(Text(seen.why, "quiet"))
    else:
        alt = t("{film}: {verdict}", film=fact.name, verdict=words.verdict(t, fact))
        blocks.append(Picture(seen.small, alt))
    blocks += [
        Text(f"{words.signed_verdict(t, fact)} \u00b7 {words.what(t, fact)}"),
        Text(fact.name) if not fact.stem else Link(fact.name, f"{fact.stem}.html"),
    ]
    return tuple(blocks)
