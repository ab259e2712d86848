"""Charts of the benchmark's report."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from pipeline.bench.words import entry as entry_of
from pipeline.bench.words import short
from pipeline.bench.words import suite as suite_of
from pipeline.language import Speech
from pipeline.records.paper import Block
from pipeline.records.paper.charts import STYLES, Line, figure, house, lines, picture

MOST = len(STYLES)


def plots(t: Speech, results: Mapping[str, Any], about: str) -> list[Block]:
    """The charts about `landmarks`, `angles` or `square`; of the first entries where there are
    more than one chart can tell apart."""
    entries = list(results["figures"])[:MOST]
    first = suite_of(t, next(iter(results["figures"][entries[0]])))
    kinds = {"landmarks": _landmark_plots, "angles": _angle_plots, "square": _square_plots}
    return [block for block in kinds[about](t, results, entries, first) if block is not None]


def _landmark_plots(
    t: Speech, results: Mapping[str, Any], entries: list[str], first: str
) -> list[Block | None]:
    return [
        _over_suites(
            t,
            results,
            entries,
            lambda f: f["both"]["landmarks"].get("mean"),
            t("mean error of landmarks, mm"),
        ),
        _curve(
            t,
            results,
            entries,
            lambda f: f["both"]["landmarks"].get("sdr_curve"),
            "mm",
            t("share of landmarks within, %"),
            t("Suite {suite}: share of landmarks within a distance of the truth", suite=first),
            100,
        ),
    ]


def _angle_plots(
    t: Speech, results: Mapping[str, Any], entries: list[str], first: str
) -> list[Block | None]:
    return [
        _over_suites(
            t,
            results,
            entries,
            lambda f: f["both"]["angles"].get("mae"),
            t("mean absolute error of angles, degrees"),
        ),
        _curve(
            t,
            results,
            entries,
            lambda f: [[100 * r["kept"], r["angles_mae"]] for r in f["abstention"]],
            t("knees kept, the surest first, %"),
            t("mean absolute error, degrees"),
            t(
                "Suite {suite}: abstention. A line that falls to the left says that an entry knows "
                "when it is unsure",
                suite=first,
            ),
            1,
        ),
        _curve(
            t,
            results,
            entries,
            lambda f: [
                [100 * float(level), 100 * held]
                for level, held in (f["both"]["angles"].get("held_at") or {}).items()
            ],
            t("interval promised, %"),
            t("angles inside it, %"),
            t("Suite {suite}: intervals against their promise (dotted: as promised)", suite=first),
            1,
            diagonal=True,
        ),
    ]


def _square_plots(
    t: Speech, results: Mapping[str, Any], entries: list[str], first: str
) -> list[Block | None]:
    return [
        _curve(
            t,
            results,
            entries,
            lambda f: [
                [100 * row["said"], 100 * row["true"]]
                for row in ((f["square"] or {}).get("usable") or {}).get("reliability", [])
            ],
            t("probability of being square on, as said, %"),
            t("truly square on, %"),
            t(
                "Suite {suite}: probability of being square on within 5 degrees (dotted: as it "
                "should be)",
                suite=first,
            ),
            1,
            diagonal=True,
        )
    ]


def _over_suites(
    t: Speech, results: Mapping[str, Any], entries: list[str], take: Any, label: str
) -> Block | None:
    suites = list(results["figures"][entries[0]])
    drawn, axes = figure(height=1.3 + 0.42 * len(suites))
    some = False
    with house():
        for number, (style, entry) in enumerate(zip(STYLES, entries, strict=False)):
            for place, suite in enumerate(suites):
                three = take(results["figures"][entry][suite]) or {}
                if not three.get("n"):
                    continue
                at = place + (number - (len(entries) - 1) / 2) * 0.18
                if three.get("low") is not None and three.get("high") is not None:
                    axes.plot([three["low"], three["high"]], [at, at], color=style.colour, lw=1.4)
                look = {**style.line, "linestyle": ""}
                name = (
                    None
                    if any(line.get_label() == entry_of(t, entry) for line in axes.lines)
                    else 1
                )
                axes.plot(
                    [three["value"]], [at], label=entry_of(t, entry) if name else None, **look
                )
                some = True
        axes.set_yticks(range(len(suites)), [suite_of(t, suite) for suite in suites])
        axes.set_ylim(len(suites) - 0.4, -0.6)
        axes.set_xlim(left=0)
        axes.set_xlabel(label)
        axes.xaxis.set_major_formatter(lambda value, _: short(t, value))
        axes.legend(loc="lower left", bbox_to_anchor=(0, 1), ncols=4, borderaxespad=0.2)
    if not some:
        return None
    caption = t("{what}, with 95 % intervals over persons.", what=label[0].upper() + label[1:])
    alt = t("{what}, each entry on each suite; the numbers stand in the tables below", what=label)
    return picture(drawn, alt, caption)


def _curve(
    t: Speech,
    results: Mapping[str, Any],
    entries: list[str],
    take: Any,
    x_label: str,
    y_label: str,
    caption: str,
    scale: float,
    diagonal: bool = False,
) -> Block | None:
    suite = next(iter(results["figures"][entries[0]]))
    series = []
    for entry in entries:
        points = take(results["figures"][entry][suite]) or []
        if points:
            series.append(
                Line(entry_of(t, entry), [p[0] for p in points], [scale * p[1] for p in points])
            )
    if not series:
        return None
    drawn = lines(series, x_label=x_label, y_label=y_label)
    for axis in (drawn.axes[0].xaxis, drawn.axes[0].yaxis):
        axis.set_major_formatter(lambda value, _: short(t, value))
    if diagonal:
        with house():
            axes = drawn.axes[0]
            axes.plot([0, 100], [0, 100], linestyle=":", color="#4d575a", linewidth=1, zorder=0)
    return picture(drawn, caption, caption + ".")
