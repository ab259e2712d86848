"""Pages for people: one per film, one per study, one for all, and operators over time.

Each page is one file with its pictures inside; it needs no network and no script.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from markupsafe import Markup

from pipeline.records.export import words
from pipeline.records.export.plot import Shot
from pipeline.records.export.plot import plot as plot_of
from pipeline.records.export.record import NOTICE, Record
from pipeline.records.overlay import CAUTION, VIEWS
from pipeline.records.share import FEW
from pipeline.records.templates import render


@dataclass(frozen=True)
class Sheet:
    """One reading as pages show it.

    Attributes:
        record: what was read and decided.
        name: what the film is called on the page.
        file: file name of its own page.
        acquired: date and time as the header has them, "" where it has none.
        picture, thumbnail: `<svg>` elements, large and small; "" where the film is held back.
        held_back: why there is no picture, or "".
    """

    record: Record
    name: str
    file: str
    acquired: str
    picture: str
    thumbnail: str
    held_back: str = ""


def film_page(sheet: Sheet, study_file: str) -> str:
    """The page of one reading."""
    return _render("film.html", sheet=_told(sheet), study_file=study_file)


def study_page(title: str, sheets: Sequence[Sheet]) -> str:
    """The page of one study, its films in time order."""
    ordered = sorted(sheets, key=lambda sheet: (sheet.acquired, sheet.record.number))
    return _render("study.html", title=title, sheets=[_told(sheet) for sheet in ordered])


def index_page(studies: Sequence[Mapping[str, Any]], left_out: int) -> str:
    """The page that leads to the others: for each study its title, file and lines."""
    marked = any(line["mark"] for study in studies for line in study["lines"])
    return _render("index.html", studies=studies, left_out=left_out, marked=marked)


def operators_page(shots: Mapping[str, Sequence[Shot]], tolerance: float) -> str:
    """Angles over time for each operator, `name: shots in time order`."""
    rows = []
    for name, each in sorted(shots.items()):
        judged = [shot for shot in each if shot.square is not None]
        square = sum(shot.square == "yes" for shot in judged)
        rows.append(
            {
                "name": name,
                "count": len(each),
                "square": square,
                "judged": len(judged),
                "few": len(judged) < FEW,
                "plot": Markup(plot_of(each, tolerance)),
            }
        )
    return _render("operators.html", operators=rows, tolerance=tolerance)


def line_of(sheet: Sheet) -> dict[str, Any]:
    """What the index tells of one reading."""
    reading = sheet.record.current
    return {
        "file": sheet.file,
        "name": sheet.name,
        "what": _what(reading),
        "symbol": _symbol(reading),
        "verdict": words.verdict_words(reading),
        "mark": sheet.record.mark,
    }


def _render(template: str, **values: Any) -> str:
    return render("pipeline.records.export", template, caution=CAUTION, notice=NOTICE, **values)


def _told(sheet: Sheet) -> dict[str, Any]:
    """The words and pictures of one reading."""
    record = sheet.record
    reading, original = record.current, record.original
    alignment = reading["alignment"] or {}
    return {
        "name": sheet.name,
        "file": sheet.file,
        "acquired": sheet.acquired,
        "picture": Markup(sheet.picture),
        "thumbnail": Markup(sheet.thumbnail),
        "held_back": sheet.held_back,
        "what": _what(reading),
        "mark": record.mark,
        "decision": _decision(record),
        "symbol": _symbol(reading),
        "verdict": words.verdict_words(reading),
        "square": alignment.get("square"),
        "probability": alignment.get("square_probability"),
        "sentences": [_sentence(reading, *angle) for angle in words.angles(reading)],
        "angles": _angles(reading, original),
        "reasons": [_reason(row) for row in alignment.get("criteria", ())],
        "moves": words.moves(reading),
        "targets": [_target(proposal) for proposal in reading["proposals"]],
        "warnings": [warning["name"] for warning in reading["warnings"]],
        "moved": [
            (m["name"].replace("_", " "), record.origin(m["name"]))
            for m in reading["landmarks"]
            if record.origin(m["name"]) != "as proposed"
        ],
        "refused": reading["refused"],
        "cautions": list(dict.fromkeys(reading["cautions"])),
        "scale": reading["scale"],
        "made_by": original["made_by"],
    }


def _what(reading: Mapping[str, Any]) -> str:
    view, side = VIEWS[reading["view"]["name"]], reading["side"]["name"]
    return view if side is None or reading["view"]["name"] == "none" else f"{side} knee, {view}"


def _symbol(reading: Mapping[str, Any]) -> str:
    alignment = reading["alignment"]
    return words.SIGNS[None if alignment is None else alignment["square"]]


def _decision(record: Record) -> str:
    day = f"{record.at:%Y-%m-%d %H:%M}"
    if record.state == "accepted":
        return f"Accepted as proposed by {record.reviewer}, {day}."
    if record.state == "changed":
        return f"Accepted with changes by {record.reviewer}, {day}."
    if record.state == "rejected":
        return f"Rejected by {record.reviewer}, {day}: {record.reason}"
    return "No person has accepted this reading: a machine's proposal, nothing more."


def _sentence(
    reading: Mapping[str, Any], name: str, value: float, interval: Sequence[float] | None
) -> str:
    """An angle as a person would say it."""
    if interval is not None and interval[0] <= 0 <= interval[1]:
        low, high = interval
        return f"{name.capitalize()}: no clear error; it may be {low:+.0f} to {high:+.0f} degrees."
    shown = words.shows(reading, name, value)
    how = f": {shown}" if shown else ""
    if interval is None:
        return f"{name.capitalize()} {abs(value):.0f} degrees{how}."
    low, high = sorted(abs(end) for end in interval)
    return f"{name.capitalize()} {abs(value):.0f} degrees ({low:.0f} to {high:.0f}){how}."


def _angles(
    reading: Mapping[str, Any], original: Mapping[str, Any]
) -> list[tuple[str, str, str, str]]:
    before = {name: value for name, value, _ in words.angles(original)}
    rows = []
    for name, value, interval in words.angles(reading):
        span = "" if interval is None else f"{interval[0]:+.1f} to {interval[1]:+.1f}\u00b0"
        was = f"{before[name]:+.1f}\u00b0" if name in before else "not read"
        rows.append((name, f"{value:+.1f}\u00b0", span, was))
    return rows


def _reason(row: Mapping[str, Any]) -> tuple[str, str, str, str]:
    value = "" if row["value"] is None else f"{row['value']:+.1f} {row['unit']}"
    limit = "" if row["tolerance"] is None else f"{row['tolerance']:g}"
    return row["name"], value, limit, words.JUDGED[row["verdict"]]


def _target(proposal: Mapping[str, Any]) -> str:
    if proposal["status"] == "withheld":
        return f"{proposal['target']}: withheld, {proposal['why']}"
    why = f" ({proposal['why']})" if proposal["why"] else ""
    return f"{proposal['target']}: proposed for review{why}"
