"""What the films of one study show one after the other, as blocks of a report."""

from __future__ import annotations

from pipeline.audit import words
from pipeline.audit.model import Hunt, Study
from pipeline.audit.order import moment
from pipeline.language import Speech
from pipeline.records.paper import charts
from pipeline.records.paper.model import Block, Heading, Items, Picture, Table, Text


def series_blocks(t: Speech, study: Study, tolerance: float) -> tuple[Block, ...]:
    """The audit in short, for a report that shows the films itself; () for single films.

    Args:
        tolerance: degrees either side of zero that count as square.
    """
    several = [hunt for hunt in study.hunts if len(hunt.films) > 1]
    if not several:
        return ()
    blocks: list[Block] = [Heading(t("How the views were found"))]
    for hunt in several:
        blocks += [
            Heading(words.view_and_side(t, hunt.view, hunt.side), 3),
            Text(words.story(t, hunt)),
            chart(t, hunt, tolerance),
            steps(t, hunt),
        ]
    return (*blocks, Items((words.order(t, study.order), *notes(t, study))))


def chart(t: Speech, hunt: Hunt, tolerance: float) -> Picture:
    """Rotation and tilt film after film, with intervals and the tolerance."""
    at = list(range(1, len(hunt.films) + 1))
    series = []
    for angle, label in (("rotation", t("rotation")), ("tilt", t("tilt"))):
        spans = [film.angles[f"{angle}_90"] for film in hunt.films]
        series.append(
            charts.Line(
                label,
                [x - 0.04 if angle == "rotation" else x + 0.04 for x in at],
                [film.angles[f"{angle}_deg"] for film in hunt.films],
                [low for low, _ in spans],
                [high for _, high in spans],
            )
        )
    figure = charts.lines(
        series,
        x_label=t("film"),
        y_label=t("degrees"),
        band=(-tolerance, tolerance),
        height=2.9,
    )
    axes = figure.axes[0]
    step = max(1, len(at) // 16)
    axes.set_xticks(at[::step], [str(number) for number in hunt.numbers[::step]])
    axes.set_xlim(0.5, len(at) + 0.5)
    if hunt.first_square is not None:
        place = hunt.first_square + 1
        axes.axvline(place, color=charts.SOFT, linewidth=1, linestyle=(0, (2, 2)))
        axes.annotate(
            t("first square"),
            (place, 1.0),
            xycoords=("data", "axes fraction"),
            xytext=(4, -12),
            textcoords="offset points",
            color=charts.SOFT,
        )
    alt = t(
        "Rotation and tilt of {films} films in time order; {story}",
        films=len(hunt.films),
        story=words.story(t, hunt),
    )
    caption = t(
        "Angles as read, with 90 % intervals. Shaded: square within {tolerance} degrees.",
        tolerance=t.number(tolerance, 0),
    )
    return charts.picture(figure, alt, caption, width=0.8)


def steps(t: Speech, hunt: Hunt) -> Table:
    """The moves between the films of one view."""
    rows = []
    for i, step in enumerate(hunt.steps):
        before, after = hunt.numbers[i : i + 2]
        films = f"{before} \u2192 {after}"
        rows.append((films, words.move(t, step), words.how_known(t, step)))
    return Table(
        columns=(t("from film to film"), t("move that was made"), t("how it is known")),
        rows=tuple(rows),
        caption=t("Moves between the films of this view, with 90 % intervals."),
    )


def notes(t: Speech, study: Study) -> tuple[str, ...]:
    """What must be known to understand the numbers."""
    notes = [
        t("All pictures together: {dose}.", dose=words.dose(t, study.dose)),
        t(
            "Dose is the area dose product of the header (0018,115E), which DICOM states in "
            "dGy\u00b7cm\u00b2 and which may hold fluoroscopy of which no picture was kept. "
            "What a header does not state is unknown, not zero."
        ),
        t(
            "Where the header has the positioner's angles, they give the move of the beam; "
            "they are angles about the body and know nothing of a limb that was turned. "
            "Without them the change of pose tells the move, and films cannot tell beam from "
            "limb."
        ),
        t(
            "Intervals hold 90 % of synthetic films; on real films they are unknown. Moves "
            "are given for a limb lying along the table."
        ),
    ]
    if any(film.shot.acquired and moment(film.shot.acquired) for film in study.films):
        times = [m for f in study.films if (m := moment(f.shot.acquired)) is not None]
        span = (max(times) - min(times)).total_seconds() / 60
        notes.append(t("From the first picture to the last: {n} minutes.", n=t.number(span, 1)))
    return tuple(notes)
