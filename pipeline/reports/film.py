"""The report of one film."""

from __future__ import annotations

from dataclasses import dataclass

from pipeline.language import Speech
from pipeline.records.paper import (
    Block,
    Caution,
    Columns,
    Heading,
    Items,
    Link,
    Paper,
    Picture,
    Table,
    Text,
    charts,
)
from pipeline.reports import words
from pipeline.reports.facts import Fact

LIMIT_DEG = 15.0
"""The chart of angles reaches this far; it grows for what lies beyond."""


@dataclass(frozen=True)
class Seen:
    """A film's picture as JPEG, or why there is none."""

    picture: bytes | None
    small: bytes | None = None
    why: str = ""


def film_paper(
    t: Speech, fact: Fact, seen: Seen, study_file: str, tolerance_deg: float, invented: bool
) -> Paper:
    """Picture and verdict first, then angles, reasons, what is proposed, cautions.

    Args:
        study_file: of the report of its study; "" where there is none.
        tolerance_deg: of the verdict; drawn as a band.
    """
    mark = words.unreviewed(t, fact)
    blocks: list[Block] = [Caution(mark)] if mark else []
    blocks.append(Columns(((_picture(t, fact, seen),), tuple(_answer(t, fact))), shares=(3, 2)))
    blocks += _angles(t, fact, tolerance_deg)
    blocks += _reasons(t, fact)
    blocks += _proposals(t, fact)
    said = words.cautions(t, fact)
    if said:
        blocks += [Heading(t("Cautions")), Items(said)]
    blocks += [
        Heading(t("About this reading")),
        Text(words.decision(t, fact)),
        Text(words.scale(t, fact)),
    ]
    if study_file:
        blocks.append(Link(t("All films of this study"), study_file))
    return Paper(
        title=words.what(t, fact),
        subtitle=subtitle(t, fact),
        blocks=tuple(blocks),
        language=t.code,
        made_by=words.made_by(t, fact),
        invented=invented,
    )


def subtitle(t: Speech, fact: Fact) -> str:
    """Film, day, operator code and station, as far as they are known."""
    parts = [fact.name]
    if fact.day is not None:
        parts.append(t.day(fact.day))
    if fact.operator:
        parts.append(t("operator {code}", code=fact.operator))
    if fact.station:
        parts.append(t("station {code}", code=fact.station))
    return " \u00b7 ".join(parts)


def _picture(t: Speech, fact: Fact, seen: Seen) -> Block:
    if seen.picture is None:
        return Text(seen.why, "quiet")
    told = [words.verdict(t, fact)]
    for name in words.ANGLES:
        if fact.angle(name) is not None:
            told.append(f"{t(words.ANGLES[name])} {words.angle(t, fact, name)}")
    alt = t("{film} with the marks of the reading. {told}.", film=fact.name, told="; ".join(told))
    legend = t(
        "Plus: fixed landmark. Dot: landmark on a contour. Dashed: fitted outline. Diamond or bar: "
        "proposed target with its 90 % circle, dashed where uncertain. Hatched: nerve zone."
    )
    return Picture(seen.picture, alt, legend)


def _answer(t: Speech, fact: Fact) -> list[Block]:
    refused = words.refused(t, fact)
    blocks: list[Block] = [Text(words.signed_verdict(t, fact), "lead")]
    if refused:
        return [*blocks, Text(refused)]
    probability = fact.alignment.get("square_probability")
    if probability is not None:
        blocks.append(Text(t("Probability that it is square on: {p}.", p=t.number(probability, 2))))
    said = [words.sentence(t, fact, name) for name in words.ANGLES]
    blocks.append(Items(tuple(one for one in said if one)))
    moves = words.moves(t, fact)
    if moves:
        blocks += [
            Heading(t("What would have brought it square on"), 3),
            Items(moves),
            Text(t("Looking back at an archived film: no reason to expose again."), "quiet"),
        ]
    return blocks


def _angles(t: Speech, fact: Fact, tolerance_deg: float) -> list[Block]:
    rows, spans = [], []
    before = fact.record.original["alignment"] or {}
    for name in words.ANGLES:
        found = fact.angle(name)
        if found is None:
            continue
        was = before.get(f"{name}_deg")
        label = t(words.ANGLES[name])
        rows.append(
            (
                label,
                words.degrees(t, found[0]),
                words.span(t, *found[1:]),
                t("not read") if was is None else words.degrees(t, float(was)),
            )
        )
        spans.append(charts.Span(label, *found))
    if not rows:
        return []
    limit = max(LIMIT_DEG, *(abs(v) + 1 for s in spans for v in (s.value, s.low, s.high) if v))
    drawn = charts.spans(
        spans,
        x_label=t("degrees"),
        band=(-tolerance_deg, tolerance_deg),
        limits=(-limit, limit),
        ticks=lambda value: t.number(value, 0, signed=True),
    )
    alt = t(
        "Rotation and tilt with their 90 % intervals against the tolerance of {n} degrees; the "
        "numbers stand in the table below.",
        n=t.number(tolerance_deg, 0),
    )
    caption = t(
        "Dot: the angle. Line: its 90 % interval. Shaded: within {n} degrees of square.",
        n=t.number(tolerance_deg, 0),
    )
    columns = (t("angle"), t("now"), t("90 % interval"), t("as first read"))
    return [
        Heading(t("Angles")),
        charts.picture(drawn, alt, caption, width=0.8),
        Table(columns, tuple(rows), t("Rounded to a tenth of a degree."), (1, 2, 3)),
    ]


def _reasons(t: Speech, fact: Fact) -> list[Block]:
    criteria = fact.alignment.get("criteria", ())
    if not criteria:
        return []
    columns = (t("what is looked at"), t("value"), t("allowed"), t("judged"), t("source"))
    return [
        Heading(t("Reasons")),
        Table(
            columns,
            tuple(words.reason(t, row) for row in criteria),
            t(
                "What an expert would look at, each judged with its uncertainty. Rounded to a "
                "tenth."
            ),
            (1, 2),
        ),
    ]


def _proposals(t: Speech, fact: Fact) -> list[Block]:
    proposals = fact.reading["proposals"]
    if not proposals:
        return []
    return [
        Heading(t("Targets, for a person to review")),
        Items(tuple(words.target(t, proposal) for proposal in proposals)),
    ]
