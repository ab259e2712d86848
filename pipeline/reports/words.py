"""One reading in plain words, in the language of the report."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from pipeline.language import Speech, mark
from pipeline.language.phrases import told
from pipeline.records.export import words as said
from pipeline.reports.facts import Fact

VERDICTS = {**said.VERDICTS, "not read": mark("Not read")}
ANGLES = {"rotation": mark("Rotation"), "tilt": mark("Tilt")}


def verdict(t: Speech, fact: Fact) -> str:
    return t(VERDICTS[fact.verdict])


def signed_verdict(t: Speech, fact: Fact) -> str:
    """The verdict behind its sign."""
    return f"{said.SIGNS[fact.alignment.get('square')]} {verdict(t, fact)}"


def what(t: Speech, fact: Fact) -> str:
    """View and side."""
    side, view = fact.reading["side"]["name"], fact.view
    if view == "none":
        return t("No knee")
    if view == "other":
        return t("Another view")
    sides = {
        ("right", "AP"): mark("Right knee, AP"),
        ("left", "AP"): mark("Left knee, AP"),
        ("right", "lateral"): mark("Right knee, lateral"),
        ("left", "lateral"): mark("Left knee, lateral"),
        (None, "AP"): mark("Knee of unknown side, AP"),
        (None, "lateral"): mark("Knee of unknown side, lateral"),
    }
    return t(sides[side, view])


def degrees(t: Speech, value: float) -> str:
    """To a tenth of a degree, with its sign."""
    return t.number(value, 1, signed=True) + "\u00b0"


def span(t: Speech, low: float, high: float) -> str:
    return t("{low} to {high}", low=degrees(t, low), high=degrees(t, high))


def angle(t: Speech, fact: Fact, name: str) -> str:
    """`+10.7° (+7.7° to +13.6°)`; "" where not read."""
    found = fact.angle(name)
    if found is None:
        return ""
    return f"{degrees(t, found[0])} ({span(t, *found[1:])})"


def sentence(t: Speech, fact: Fact, name: str) -> str:
    """An angle as a person would say it; "" where not read."""
    found = fact.angle(name)
    if found is None:
        return ""
    value, low, high = found
    label = t(ANGLES[name])
    if low <= 0 <= high:
        return t(
            "{angle}: no clear error; it may be anything from {low} to {high}.",
            angle=label,
            low=degrees(t, low),
            high=degrees(t, high),
        )
    small, large = sorted((abs(low), abs(high)))
    values = {
        "angle": label,
        "n": t.number(abs(value), 1),
        "low": t.number(small, 1),
        "high": t.number(large, 1),
    }
    shown = said.WHAT_IT_SHOWS.get((fact.view, name, value > 0))
    if shown is None:
        return t("{angle}: {n} degrees ({low} to {high}).", **values)
    return t("{angle}: {n} degrees ({low} to {high}): {shows}.", shows=t(shown), **values)


def moves(t: Speech, fact: Fact) -> tuple[str, ...]:
    """Moves that would have done something; where there is none, that none was suggested."""
    rows = fact.reading["moves"]
    needed = [told(t, move["text"]) for move in rows if move["toward"]]
    texts = needed or [told(t, move["text"]) for move in rows]
    return tuple(dict.fromkeys(_capital(text) for text in texts))


def reason(t: Speech, row: Mapping[str, Any]) -> tuple[str, str, str, str, str]:
    """A criterion: name, value, allowed, judged, source."""
    value = ""
    if row["value"] is not None:
        value = f"{t.number(row['value'], 1, signed=True)} {told(t, row['unit'])}"
    limit = "" if row["tolerance"] is None else t.number(row["tolerance"], 1)
    return (
        told(t, row["name"]),
        value,
        limit,
        t(said.JUDGED[row["verdict"]]),
        told(t, row["source"]),
    )


def target(t: Speech, proposal: Mapping[str, Any]) -> str:
    """A target and what became of it."""
    name = told(t, proposal["target"])
    why = told(t, proposal["why"] or "")
    if proposal["status"] == "withheld":
        return t("{target}: withheld, {why}", target=name, why=why)
    if why:
        return t("{target}: proposed for review ({why})", target=name, why=why)
    return t("{target}: proposed for review", target=name)


def cautions(t: Speech, fact: Fact) -> tuple[str, ...]:
    return tuple(dict.fromkeys(_capital(told(t, caution)) for caution in fact.reading["cautions"]))


def refused(t: Speech, fact: Fact) -> str:
    """Why nothing was read; "" where it was."""
    why = fact.reading["refused"]
    return "" if not why else t("Not read: {why}.", why=told(t, why))


def decision(t: Speech, fact: Fact) -> str:
    """Who decided what, and when."""
    record = fact.record
    day = f"{t.day(record.at)} {record.at:%H:%M}"
    values = {"who": record.reviewer, "day": day}
    if record.state == "accepted":
        return t("Accepted as proposed by {who}, {day}.", **values)
    if record.state == "changed":
        return t("Accepted with changes by {who}, {day}.", **values)
    if record.state == "rejected":
        return t("Rejected by {who}, {day}: {reason}", reason=record.reason, **values)
    return t("No person has accepted this reading: a machine's proposal, nothing more.")


def days(t: Speech, facts: Sequence[Fact]) -> str:
    """First to last day of acquisition."""
    known = [fact.day for fact in facts if fact.day is not None]
    if not known:
        return t("day not known")
    low, high = min(known), max(known)
    return t.day(low) if low == high else t("{low} to {high}", low=t.day(low), high=t.day(high))


def unreviewed(t: Speech, fact: Fact) -> str:
    """What an unaccepted reading must say first; "" for an accepted one."""
    if fact.record.reviewed:
        return ""
    return f"{t('UNREVIEWED')}. {decision(t, fact)}"


def scale(t: Speech, fact: Fact) -> str:
    """Where millimetres come from."""
    at_knee, rule = fact.reading["scale"]["mm_per_px_knee"], fact.reading["scale"]["rule"]
    if at_knee is None:
        return t("No scale at the knee is known: lengths are not in millimetres.")
    return t(
        "Millimetres are at the knee: {n} mm a pixel ({rule}).",
        n=t.number(at_knee, 3),
        rule=told(t, rule),
    )


def made_by(t: Speech, fact: Fact) -> str:
    """The program, weights and settings that made the reading, in one sentence."""
    made = fact.record.original["made_by"]
    return t(
        "Read by version {version}, weights {weights}, settings {settings}.",
        version=made["version"],
        weights=made["weights"],
        settings=made["config_sha256"][:12],
    )


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
