"""Charts of the benchmark's report."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from pipeline.bench.words import entry as entry_of
from pipeline.bench.words import short
from pipeline.bench.words import suite as suite_of
from pipeline.language import Speech
from pipeline.records.paper import Block
from pipeline.records.paper.charts import STYLES, Line, figure, house, lines, picture

MOST = len(STYLES)
Take = Callable[[Any], Any]
"""What a chart shows of the figures of one entry on one suite."""


def plots(t: Speech, results: Mapping[str, Any], about: str) -> list[Block]:
    """The charts about `landmarks`, `angles` or `square`; of the first entries where there are
    more than one chart can tell apart."""
    charts = _Charts(t, results["figures"])
    kinds = {"landmarks": charts.landmarks, "angles": charts.angles, "square": charts.square}
    return [block for block in kinds[about]() if block is not None]


@dataclass(frozen=True)
class _Charts:
    """Charts in a language of figures by entry and suite; None where nothing is to be drawn."""

    t: Speech
    figures: Mapping[str, Mapping[str, Any]]

    @property
    def entries(self) -> list[str]:
        return list(self.figures)[:MOST]

    @property
    def suites(self) -> list[str]:
        return list(self.figures[self.entries[0]])

    def landmarks(self) -> list[Block | None]:
        t = self.t
        return [
            self._over_suites(
                lambda f: f["both"]["landmarks"].get("mean"), t("mean error of landmarks, mm")
            ),
            self._curve(
                lambda f: f["both"]["landmarks"].get("sdr_curve"),
                "mm",
                t("share of landmarks within, %"),
                t(
                    "Suite {suite}: share of landmarks within a distance of the truth",
                    suite=self._first,
                ),
                100,
            ),
        ]

    def angles(self) -> list[Block | None]:
        t = self.t
        return [
            self._over_suites(
                lambda f: f["both"]["angles"].get("mae"),
                t("mean absolute error of angles, degrees"),
            ),
            self._curve(
                lambda f: [[100 * r["kept"], r["angles_mae"]] for r in f["abstention"]],
                t("knees kept, the surest first, %"),
                t("mean absolute error, degrees"),
                t(
                    "Suite {suite}: abstention. A line that falls to the left says that an entry "
                    "knows when it is unsure",
                    suite=self._first,
                ),
                1,
            ),
            self._curve(
                lambda f: [
                    [100 * float(level), 100 * held]
                    for level, held in (f["both"]["angles"].get("held_at") or {}).items()
                ],
                t("interval promised, %"),
                t("angles inside it, %"),
                t(
                    "Suite {suite}: intervals against their promise (dotted: as promised)",
                    suite=self._first,
                ),
                1,
                diagonal=True,
            ),
        ]

    def square(self) -> list[Block | None]:
        t = self.t
        return [
            self._curve(
                lambda f: [
                    [100 * row["said"], 100 * row["true"]]
                    for row in ((f["square"] or {}).get("usable") or {}).get("reliability", [])
                ],
                t("probability of being square on, as said, %"),
                t("truly square on, %"),
                t(
                    "Suite {suite}: probability of being square on within 5 degrees (dotted: as it "
                    "should be)",
                    suite=self._first,
                ),
                1,
                diagonal=True,
            )
        ]

    @property
    def _first(self) -> str:
        return suite_of(self.t, self.suites[0])

    def _over_suites(self, take: Take, label: str) -> Block | None:
        t, entries, suites = self.t, self.entries, self.suites
        drawn, axes = figure(height=1.3 + 0.42 * len(suites))
        some = False
        with house():
            for number, (style, entry) in enumerate(zip(STYLES, entries, strict=False)):
                name: str | None = entry_of(t, entry)
                for place, suite in enumerate(suites):
                    three = take(self.figures[entry][suite]) or {}
                    if not three.get("n"):
                        continue
                    at = place + (number - (len(entries) - 1) / 2) * 0.18
                    low, high = three.get("low"), three.get("high")
                    if low is not None and high is not None:
                        axes.plot([low, high], [at, at], color=style.colour, lw=1.4)
                    look = {**style.line, "linestyle": ""}
                    axes.plot([three["value"]], [at], label=name, **look)
                    name = None  # the key names an entry once
                    some = True
            axes.set_yticks(range(len(suites)), [suite_of(t, suite) for suite in suites])
            axes.set_ylim(len(suites) - 0.4, -0.6)
            axes.set_xlim(left=0)
            axes.set_xlabel(label)
            axes.xaxis.set_major_formatter(lambda value, _: short(t, value))
            axes.legend(loc="lower left", bbox_to_anchor=(0, 1), ncols=4, borderaxespad=0.2)
        if not some:
            return None
        what = label[0].upper() + label[1:]
        caption = t("{what}, with 95 % intervals over persons.", what=what)
        alt = t(
            "{what}, each entry on each suite; the numbers stand in the tables below", what=label
        )
        return picture(drawn, alt, caption)

    def _curve(
        self,
        take: Take,
        x_label: str,
        y_label: str,
        caption: str,
        scale: float,
        diagonal: bool = False,
    ) -> Block | None:
        t, series = self.t, []
        for entry in self.entries:
            points = take(self.figures[entry][self.suites[0]]) or []
            if points:
                x, y = [p[0] for p in points], [scale * p[1] for p in points]
                series.append(Line(entry_of(t, entry), x, y))
        if not series:
            return None
        drawn = lines(series, x_label=x_label, y_label=y_label)
        axes = drawn.axes[0]
        for axis in (axes.xaxis, axes.yaxis):
            axis.set_major_formatter(lambda value, _: short(t, value))
        if diagonal:
            with house():
                axes.plot([0, 100], [0, 100], linestyle=":", color="#4d575a", linewidth=1, zorder=0)
        return picture(drawn, caption, caption + ".")
