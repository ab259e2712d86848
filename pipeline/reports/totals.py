"""Totals of many films: counts, shares with their intervals, and no more than few films allow."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import median

from pipeline.language import Speech, mark
from pipeline.records.paper import Block, Heading, Table, Text, charts
from pipeline.records.share import FEW, wilson
from pipeline.reports import words
from pipeline.reports.facts import VERDICTS, Fact

VIEWS = {"AP": mark("AP"), "lateral": mark("Lateral")}


@dataclass(frozen=True)
class Count:
    """Readings by verdict; `judged` are those with a yes or a no."""

    by: Mapping[str, int]

    @property
    def all(self) -> int:
        return sum(self.by.values())

    @property
    def square(self) -> int:
        return self.by.get("yes", 0)

    @property
    def judged(self) -> int:
        return self.square + self.by.get("no", 0)


def count(facts: Sequence[Fact]) -> Count:
    return Count(Counter(fact.verdict for fact in facts))


def share(t: Speech, counted: Count, few: int = FEW) -> str:
    """`72 % (61 % to 81 %)`; with few films only that they are few."""
    if counted.judged < few:
        return t("fewer than {n}: no share", n=few)
    low, high = wilson(counted.square, counted.judged)
    return t(
        "{share} ({low} to {high})",
        share=t.share(counted.square / counted.judged),
        low=t.share(low),
        high=t.share(high),
    )


def table(t: Speech, heading: str, groups: Mapping[str, Sequence[Fact]], caption: str) -> Table:
    """Counts and shares, one line for each group, in the order given."""
    columns = (
        heading,
        t("readings"),
        *(t(words.VERDICTS[verdict]) for verdict in VERDICTS),
        t("square on, of those with a yes or a no (95 % interval)"),
    )
    rows = []
    for name, facts in groups.items():
        counted = count(facts)
        numbers = [counted.all, *(counted.by.get(verdict, 0) for verdict in VERDICTS)]
        rows.append((name, *(t.number(n, 0) for n in numbers), share(t, counted)))
    return Table(columns, tuple(rows), caption, (1, 2, 3, 4, 5))


def by_view(t: Speech, facts: Sequence[Fact]) -> dict[str, Sequence[Fact]]:
    """AP, lateral, and the rest; empty groups left out."""
    groups = {t(name): [f for f in facts if f.view == view] for view, name in VIEWS.items()}
    groups[t("Other or no knee")] = [f for f in facts if f.view not in VIEWS]
    return {name: members for name, members in groups.items() if members}


def sizes(t: Speech, facts: Sequence[Fact]) -> Table | None:
    """How far off the films were: the median size of each angle by view."""
    rows = []
    for view, view_name in VIEWS.items():
        for name, label in words.ANGLES.items():
            found = [a for f in facts if f.view == view and (a := f.angle(name)) is not None]
            if found:
                middle = median(abs(angle[0]) for angle in found)
                rows.append(
                    (
                        f"{t(view_name)}, {t(label)}",
                        t.number(len(found), 0),
                        f"{t.number(middle, 1)}\u00b0",
                    )
                )
    if not rows:
        return None
    caption = t("Half of the films were off by less than the median, either way.")
    return Table((t("angle"), t("readings"), t("median size")), tuple(rows), caption, (1, 2))


def over_time(t: Speech, facts: Sequence[Fact], tolerance_deg: float) -> list[Block]:
    """Rotation and tilt film by film, AP and lateral together; nothing for fewer than two."""
    read = [fact for fact in facts if fact.angle("rotation") is not None]
    if len(read) < 2:
        return []
    series = []
    for aside, (name, label) in zip((-0.1, 0.1), words.ANGLES.items(), strict=True):
        angles = [fact.angle(name) for fact in read]
        series.append(
            charts.Line(
                t(label),
                [place + aside for place in range(1, len(read) + 1)],
                [None if angle is None else angle[0] for angle in angles],
                [None if angle is None else angle[1] for angle in angles],
                [None if angle is None else angle[2] for angle in angles],
                joined=False,
            )
        )
    drawn = charts.lines(
        series,
        x_label=t("film, in time order"),
        y_label=t("degrees"),
        band=(-tolerance_deg, tolerance_deg),
        ticks=lambda value: t.number(value, 0, signed=True),
        counted=True,
    )
    n = t.number(tolerance_deg, 0)
    alt = t("Rotation and tilt of {films} films in time order.", films=len(read))
    caption = t("Lines: 90 % intervals. Shaded: within {n} degrees of square.", n=n)
    return [Heading(t("Film by film")), charts.picture(drawn, alt, caption)]


def bars(t: Speech, groups: Mapping[str, Sequence[Fact]], what: str) -> Block:
    """Counts of verdicts as bars."""
    counts = {name: count(facts) for name, facts in groups.items()}
    parts = [
        (t(words.VERDICTS[verdict]), [c.by.get(verdict, 0) for c in counts.values()])
        for verdict in VERDICTS
    ]
    drawn = charts.stacks(list(groups), parts, x_label=t("readings"))
    return charts.picture(
        drawn,
        t("{what}: readings by verdict; the numbers stand in the table.", what=what),
        width=0.75,
    )


def honest(t: Speech, counted: Count, few: int = FEW) -> Text:
    """What so many films allow to be said."""
    if counted.judged < few:
        return Text(
            t(
                "Fewer than {n} films with a yes or a no: counts are shown, and nothing can be "
                "told about skill or change.",
                n=few,
            )
        )
    return Text(
        t(
            "The interval says what share so many films allow. Films differ in difficulty, and who "
            "made which film was not drawn by lot: this is no ranking of people."
        )
    )
