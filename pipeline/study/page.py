"""The page of a study's analysis, and its table."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from pipeline.knee.counted import counted
from pipeline.records.files import write_atomic
from pipeline.records.paper import charts
from pipeline.records.paper.html import write_html
from pipeline.records.paper.model import (
    Block,
    Caution,
    Heading,
    Items,
    Paper,
    Picture,
    Table,
    Text,
)
from pipeline.records.table import csv_text
from pipeline.study.analyse import Effect, Study, effects, means

COLUMNS = ("name", "method", "n", "value", "low", "high", "p", "note")
CAREFUL = (
    "A change in a test with films is no proof of fewer exposures in practice: only that is what "
    "a patient gains from.",
    "The analysis that was planned before the answers came in is the one that counts; the others "
    "help to judge it.",
    "Learners who did not finish may differ from those who did: name them.",
    "Intervals and p rest on changes that are roughly normal over learners; the signed ranks do "
    "not.",
)


def write_study(study: Study, out: Path) -> list[Effect]:
    """Writes `study.html` and `study.csv` under `out`; returns what they hold."""
    found = effects(study)
    rows = [{name: getattr(each, name) for name in COLUMNS} for each in found]
    write_atomic(out / "study.csv", csv_text(COLUMNS, rows))
    write_html(paper_of(study, found), out / "study.html")
    return found


def paper_of(study: Study, found: Sequence[Effect]) -> Paper:
    """The page: picture first, then numbers, then what to be careful about."""
    learners = len({answer.learner for answer in study.answers})
    blocks: list[Block] = [
        Text(f"Measured: {study.what}. After less before: below 0 means smaller after.", "lead"),
        picture_of(study),
        Heading("Estimates"),
        table_of(found),
    ]
    if study.gaps:
        blocks += [Heading("Missing"), Items(study.gaps)]
    blocks += [Heading("Be careful"), *(Caution(text) for text in CAREFUL[:1]), Items(CAREFUL[1:])]
    return Paper(
        title="A study of learning",
        subtitle=f"{counted(learners, 'learner')}, {counted(len(study.answers), 'answer')}",
        blocks=tuple(blocks),
        invented=study.invented,
    )


def picture_of(study: Study) -> Picture:
    """Each learner's mean before and after, a panel for each arm."""
    each = means(study.answers)
    drawn, axes = charts.figure(height=3.4)
    places, names = [], []
    with charts.house():
        for number, arm in enumerate(("taught", "waiting")[: study.arms]):
            own = [(before, after) for which, before, after in each.values() if which == arm]
            left = 2.6 * number
            for before, after in own:
                axes.plot([left, left + 1], [before, after], "o-", color="#8e9c9f", markersize=4)
            if own:
                middle = [sum(pair[k] for pair in own) / len(own) for k in (0, 1)]
                axes.plot([left, left + 1], middle, "s-", color="#1c2325", linewidth=3)
            places += [left, left + 1]
            names += [f"{arm}\nbefore", f"{arm}\nafter"]
        axes.set_xticks(places, names)
        axes.set_ylabel(study.what)
        axes.grid(axis="x", visible=False)
    counts = {
        arm: sum(which == arm for which, _, _ in each.values()) for arm in ("taught", "waiting")
    }
    return charts.picture(
        drawn,
        "Each learner's mean before and after as a thin line, the arm's mean as a thick one: "
        + ", ".join(f"{count} {arm}" for arm, count in counts.items() if count),
        "Thin: one learner. Thick, squares: the mean of the arm.",
    )


def table_of(found: Sequence[Effect]) -> Table:
    """The estimates with their intervals."""

    def span(one: Effect) -> str:
        if one.low is None or one.high is None:
            return "–"
        return f"{one.low:+.2f} to {one.high:+.2f}"

    rows = tuple(
        (
            one.name,
            one.method,
            str(one.n),
            "–" if one.value is None else f"{one.value:+.2f}",
            span(one),
            "–" if one.p is None else ("< 0.001" if one.p < 0.001 else f"{one.p:.3f}"),
            one.note,
        )
        for one in found
    )
    return Table(
        ("what", "how", "learners", "estimate", "95 % interval", "p", "note"),
        rows,
        "Estimates: the first is the mixed model over all answers",
        numbers=(2, 3, 4, 5),
    )
