"""The report over all audited studies: each view's way to square, totals by code and period."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from pipeline.audit import words
from pipeline.audit.model import Hunt, Study, Total
from pipeline.audit.totals import LEAST_HUNTS
from pipeline.language import Speech
from pipeline.records.paper.model import Block, Caution, Heading, Link, Paper, Table, Text

KEY = 12
"""Characters of a study's key by which it is named."""


def overview(
    t: Speech,
    studies: Sequence[Study],
    totals: Sequence[Total],
    files: Mapping[str, str],
    made_by: str = "",
) -> Paper:
    """The report over all studies.

    Args:
        files: each study's page by its key; studies without one are counted only.
    """
    hunts = [(study, hunt) for study in studies for hunt in study.hunts]
    lead = t(
        "Studies: {studies}. Views hunted for: {hunts}; {reached} of them became square, {first} "
        "on the first film.",
        studies=len(studies),
        hunts=len(hunts),
        reached=sum(hunt.exposures is not None for _, hunt in hunts),
        first=sum(hunt.first_square == 0 for _, hunt in hunts),
    )
    shown = [(study, hunt) for study, hunt in hunts if study.key in files]
    blocks: list[Block] = [
        Text(lead, "lead"),
        Heading(t("By operator code and period")),
        Caution(
            t(
                "For teaching, never for judging a person: cases differ, a hard patient gives a "
                "turned film, and with fewer than {least} views only counts are shown.",
                least=LEAST_HUNTS,
            )
        ),
        totals_table(t, totals),
        Heading(t("Studies")),
        _studies(t, shown, files),
    ]
    rest = len(studies) - len(files)
    if rest:
        said = t.plural(
            "{n} further study has no view of several films: it counts above and has no page.",
            "{n} further studies have no view of several films: they count above and have no page.",
            rest,
        )
        blocks.append(Text(said, "quiet"))
    return Paper(
        title=t("Audit of series"),
        subtitle=t("how views were found, film after film"),
        blocks=tuple(blocks),
        language=t.code,
        made_by=made_by,
        invented=any(study.invented for study in studies),
    )


def _studies(t: Speech, hunts: Sequence[tuple[Study, Hunt]], files: Mapping[str, str]) -> Table:
    rows = []
    for study, hunt in hunts:
        saved = hunt.advice.saved
        rows.append(
            (
                Link(study.key[:KEY], files[study.key]),
                study.day or t("not stated"),
                words.code(t, study.operator),
                words.view_and_side(t, hunt.view, hunt.side),
                str(len(hunt.films)),
                words.count_to_square(t, hunt),
                words.dose(t, hunt.before_dose),
                str(hunt.after),
                "\u2013" if saved is None else str(saved),
            )
        )
    return Table(
        columns=(
            t("study"),
            t("day"),
            t("operator"),
            t("view"),
            t("films"),
            t("films up to the first square one (99 %)"),
            t("dose before it"),
            t("films after it"),
            t("first film's advice would have saved"),
        ),
        rows=tuple(rows),
        caption=t("One row for each view of each knee."),
        numbers=(4, 7, 8),
    )


def totals_table(t: Speech, totals: Sequence[Total]) -> Table:
    """Totals by operator code and period."""
    rows = []
    for one in totals:
        low, high = one.first_95
        share = t("{first} of {hunts}", first=one.first, hunts=one.hunts)
        if not one.few:
            share += f" ({100 * low:.0f} \u2026 {100 * high:.0f} %)"
        middle = t("too few to say") if one.few else "\u2013"
        if one.median is not None:
            middle = t.number(one.median, 1)
            if one.median_90 is not None:
                middle += f" ({one.median_90[0]:.0f} \u2026 {one.median_90[1]:.0f})"
        rows.append(
            (
                words.code(t, one.operator),
                words.code(t, one.period),
                str(one.hunts),
                str(one.films),
                share,
                t("{n} of {hunts}", n=one.reached, hunts=one.hunts),
                middle,
                str(one.after),
                words.dose(t, one.before_dose),
            )
        )
    return Table(
        columns=(
            t("operator"),
            t("period"),
            t("views"),
            t("films"),
            t("square on the first film (95 %)"),
            t("became square"),
            t("films up to it, median (90 %)"),
            t("films after it"),
            t("dose before it"),
        ),
        rows=tuple(rows),
        caption=t(
            "Views of knees hunted for. Medians are of those that became square; intervals are "
            "exact."
        ),
        numbers=(2, 3, 7),
    )
