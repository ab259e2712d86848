"""Charts of reports, all with one look: read in grey and by colour-blind people.

What tells two things apart is never colour alone: each style has a dash and a marker of its own,
and its own lightness. Drawn by matplotlib without its global figures, so that threads may draw.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from pipeline.records.paper.model import Picture

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

INK, SOFT, LINE, SHEET, BAND = "#1c2325", "#4d575a", "#c9cdc6", "#ffffff", "#e7e9e3"
DPI = 170


@dataclass(frozen=True)
class Style:
    """How one series is drawn; `filled` False: the marker is open."""

    colour: str
    dash: str
    marker: str
    filled: bool = True

    @property
    def line(self) -> dict[str, Any]:
        """Arguments of `Axes.plot`."""
        return {
            "color": self.colour,
            "linestyle": self.dash,
            "marker": self.marker,
            "markerfacecolor": self.colour if self.filled else SHEET,
            "markeredgecolor": self.colour,
            "linewidth": 1.8,
            "markersize": 5.5,
        }


# Blue, vermilion and orange are Okabe and Ito's (2008, from memory), some darkened or lightened
# until lightness alone tells them apart.
STYLES = (
    Style(INK, "-", "o"),
    Style("#0a66a6", "--", "s", filled=False),
    Style("#c8791a", "-.", "^"),
    Style("#7fb8dd", ":", "D"),
)
"""First to last series of a chart; more than four are no chart to read."""


@dataclass(frozen=True)
class Line:
    """A series: `label` and points; `low`, `high` an interval about each, or ()."""

    label: str
    x: Sequence[Any]
    y: Sequence[float | None]
    low: Sequence[float | None] = ()
    high: Sequence[float | None] = ()
    joined: bool = True


@dataclass(frozen=True)
class Span:
    """A value with its interval; `value` None: not known."""

    label: str
    value: float | None
    low: float | None
    high: float | None


def house() -> AbstractContextManager[None]:
    """The look, as a context; `figure` and `picture` stand in it already."""
    import matplotlib

    return matplotlib.rc_context(
        {
            "font.family": "DejaVu Sans",
            "font.size": 9.5,
            "text.color": INK,
            "axes.labelcolor": INK,
            "axes.edgecolor": SOFT,
            "axes.facecolor": SHEET,
            "figure.facecolor": SHEET,
            "axes.spines.top": False,
            "axes.spines.right": False,
            "axes.grid": True,
            "axes.axisbelow": True,
            "axes.unicode_minus": True,
            "grid.color": LINE,
            "grid.linewidth": 0.6,
            "xtick.color": SOFT,
            "ytick.color": SOFT,
            "xtick.labelcolor": INK,
            "ytick.labelcolor": INK,
            "legend.frameon": False,
            "hatch.linewidth": 0.6,
            "svg.hashsalt": "squareon",
            "svg.fonttype": "path",
        }
    )


def figure(width: float = 7.2, height: float = 3.2) -> tuple[Figure, Axes]:
    """An empty chart, inches; draw into it and give it to `picture`."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    with house():
        made = Figure(figsize=(width, height), layout="constrained")
        FigureCanvasAgg(made)
        return made, made.add_subplot()


def picture(drawn: Figure, alt: str, caption: str = "", width: float = 1.0) -> Picture:
    """The chart as a block of a paper: sharp at any size on a page, PNG in a document.

    Args:
        alt: what the chart tells, in a sentence.
    """
    files = io.BytesIO(), io.BytesIO()
    with house():
        drawn.savefig(files[0], format="svg", metadata={"Date": None, "Creator": None})
        drawn.set_layout_engine("none")  # what stands where is settled
        drawn.savefig(files[1], format="png", dpi=DPI, metadata={"Software": None})
    return Picture(files[0].getvalue(), alt, caption, png=files[1].getvalue(), width=width)


def lines(
    series: Sequence[Line],
    *,
    x_label: str,
    y_label: str,
    band: tuple[float, float] | None = None,
    limits: tuple[float, float] | None = None,
    ticks: Callable[[float], str] | None = None,
    height: float = 3.2,
    counted: bool = False,
) -> Figure:
    """Series over something, with intervals where given.

    Args:
        band: of y, shaded: where values should lie.
        limits: of y.
        ticks: y to words; ticks then stand at whole numbers, so that words may round.
        counted: x counts something and has whole ticks.
    """
    from matplotlib.ticker import MaxNLocator

    drawn, axes = figure(height=height)
    with house():
        if band is not None:
            axes.axhspan(*band, color=BAND, zorder=0)
        for style, one in zip(STYLES, series, strict=False):
            keep = [k for k, value in enumerate(one.y) if value is not None]
            x, y = [one.x[k] for k in keep], [one.y[k] for k in keep]
            look = style.line if one.joined else {**style.line, "linestyle": ""}
            axes.plot(x, y, label=one.label, **look)  # type: ignore[arg-type]
            if one.low:
                low, high = [one.low[k] for k in keep], [one.high[k] for k in keep]
                axes.vlines(x, low, high, color=style.colour, linewidth=1)  # type: ignore[arg-type]
        axes.set_xlabel(x_label)
        axes.set_ylabel(y_label)
        if counted:
            axes.xaxis.set_major_locator(MaxNLocator(integer=True))
        if limits is not None:
            axes.set_ylim(*limits)
        if ticks is not None:
            axes.yaxis.set_major_locator(MaxNLocator(steps=[1, 2, 5, 10], integer=True))
            axes.yaxis.set_major_formatter(lambda value, _: ticks(value))
        if len(series) > 1:
            axes.legend(
                loc="lower left",
                bbox_to_anchor=(0, 1),
                borderaxespad=0.2,
                ncols=_abreast([one.label for one in series]),
                handlelength=3.4,
            )
    return drawn


def spans(
    rows: Sequence[Span],
    *,
    x_label: str,
    band: tuple[float, float] | None = None,
    limits: tuple[float, float] | None = None,
    ticks: Callable[[float], str] | None = None,
    zero: bool = True,
) -> Figure:
    """One line for each value: a dot and its interval; the first row on top."""
    from matplotlib.ticker import MaxNLocator

    drawn, axes = figure(height=0.9 + 0.34 * max(len(rows), 1))
    with house():
        if band is not None:
            axes.axvspan(*band, color=BAND, zorder=0)
        if zero:
            axes.axvline(0, color=SOFT, linewidth=1)
        for place, row in enumerate(rows):
            if row.low is not None and row.high is not None:
                axes.plot([row.low, row.high], [place, place], color=INK, linewidth=2.4)
                axes.plot([row.low, row.high], [place, place], "|", color=INK, markersize=9)
            if row.value is not None:
                axes.plot([row.value], [place], "o", color=INK, markersize=7)
        axes.set_yticks(range(len(rows)), [row.label for row in rows])
        axes.set_ylim(len(rows) - 0.4, -0.6)
        axes.grid(axis="y", visible=False)
        axes.set_xlabel(x_label)
        if limits is not None:
            axes.set_xlim(*limits)
        if ticks is not None:
            axes.xaxis.set_major_locator(MaxNLocator(steps=[1, 2, 5, 10], integer=True))
            axes.xaxis.set_major_formatter(lambda value, _: ticks(value))
    return drawn


HATCHES = ("", "////", "....", "xxxx")
FILLS = ("#3f6f74", "#e7b98c", "#f3f1e8", "#8e9c9f")


def stacks(
    rows: Sequence[str], parts: Sequence[tuple[str, Sequence[int]]], *, x_label: str
) -> Figure:
    """Counts as stacked bars; each part has a hatch of its own.

    Args:
        rows: names, the first on top.
        parts: label and one count for each row, at most four.
    """
    from matplotlib.ticker import MaxNLocator

    drawn, axes = figure(height=1.2 + 0.36 * max(len(rows), 1))
    with house():
        left = [0] * len(rows)
        for (label, counts), fill, hatch in zip(parts, FILLS, HATCHES, strict=False):
            axes.barh(
                range(len(rows)),
                counts,
                left=left,
                label=label,
                color=fill,
                hatch=hatch,
                edgecolor=INK,
                linewidth=0.8,
                height=0.66,
            )
            left = [a + b for a, b in zip(left, counts, strict=True)]
        axes.set_yticks(range(len(rows)), list(rows))
        axes.set_ylim(len(rows) - 0.4, -0.6)
        axes.grid(axis="y", visible=False)
        axes.xaxis.set_major_locator(MaxNLocator(integer=True))
        axes.set_xlabel(x_label)
        axes.legend(
            loc="lower left",
            bbox_to_anchor=(0, 1),
            borderaxespad=0.2,
            ncols=_abreast([label for label, _ in parts]),
        )
    return drawn


def _abreast(labels: Sequence[str]) -> int:
    """Entries of a legend in one line: all where they fit, else two."""
    return 4 if sum(len(label) + 6 for label in labels) <= 70 else 2
