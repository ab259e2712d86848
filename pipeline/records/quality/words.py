"""Words of the drift page that stand in several of its parts, in the page's language."""

from __future__ import annotations

import math
from datetime import date

from pipeline.language import Speech, mark, mark_within
from pipeline.records.quality.control import RANGE, RULES
from pipeline.records.quality.drift import SHARE, Course
from pipeline.records.quality.films import Spells
from pipeline.records.store import Filter

CAUSE_WORDS = (
    mark_within("cause", "positioning"),
    mark_within("cause", "motion"),
    mark_within("cause", "under exposed"),
    mark_within("cause", "over exposed"),
    mark_within("cause", "double exposure"),
    mark_within("cause", "no image"),
    mark_within("cause", "image artifact"),
    mark_within("cause", "grid artifact"),
    mark_within("cause", "detector artifact"),
    mark_within("cause", "other artifact"),
    mark_within("cause", "mechanical failure"),
    mark_within("cause", "electrical failure"),
    mark_within("cause", "software failure"),
    mark_within("cause", "image processing"),
    mark_within("cause", "other"),
    mark_within("cause", "unknown"),
)
"""Those of `pipeline.knee.acquisition`, which knows no language; a test holds them together."""
READ_AS = {
    "square": mark("read as square"),
    "not square": mark("read as not square"),
    "cannot tell": mark("read as cannot tell"),
    "not read": mark("not read"),
}
"""By the names of `rejects.READ_AS`."""
CHARTS = {**{rule.name: rule.says for rule in RULES}, RANGE: mark("jump from the point before")}
STATE_WORDS = (
    mark_within("state", "proposed"),
    mark_within("state", "accepted"),
    mark_within("state", "changed"),
    mark_within("state", "rejected"),
    mark_within("state", "double"),
    mark_within("state", "adjudicate"),
)
ASKED = {
    "verdict": mark("verdict: {words}"),
    "view": mark("view: {words}"),
    "side": mark("side: {words}"),
    "state": mark("state: {words}"),
    "reject": mark("rejected for: {words}"),
    "since": mark("from {day} on"),
    "until": mark("until {day}"),
    "tags": mark("chosen by tags"),
    "uncertainty": mark("chosen by uncertainty"),
    "rotation": mark("chosen by rotation"),
    "tilt": mark("chosen by tilt"),
    "off": mark("chosen by the larger angle"),
    "operator": mark("chosen by operator"),
    "station": mark("chosen by station"),
    "modality": mark("chosen by modality"),
    "body_part": mark("chosen by body part"),
    "rejected": mark("chosen by whether they were rejected"),
    "weights": mark("chosen by weights"),
}
"""By the fields of `Filter` that a person may ask for; what was typed is not repeated."""
VERDICTS = (mark("yes"), mark("no"), mark("cannot tell"))


def asked(t: Speech, filter: Filter) -> str:
    """What was asked for, in words."""
    parts = []
    for name, value in vars(filter).items():
        if name not in ASKED or value in ((), None, ""):
            continue
        if name in ("since", "until"):
            parts.append(t(ASKED[name], day=t.day(value)))
        else:
            words = [_word(t, name, one) for one in value] if isinstance(value, tuple) else []
            parts.append(t(ASKED[name], words=", ".join(words)))
    return ", ".join(parts) or t("all readings")


def _word(t: Speech, name: str, value: object) -> str:
    if not value:
        return t("not known")
    if name == "verdict":
        return t(str(value))
    return t.within("cause" if name == "reject" else name, str(value))


def cause(t: Speech, name: str) -> str:
    return t.within("cause", name)


def each(t: Speech, spells: Spells) -> str:
    """What one point stands for, after "for"."""
    if spells.name == "week":
        return t("each week")
    if spells.name == "month":
        return t("each month")
    count = int(spells.name.split()[0])
    return t.plural("{n} reading", "{n} readings", count)


def stretch(t: Speech, spells: Spells, index: int) -> str:
    """A stretch of time by its month or its first day."""
    first = spells.first[index]
    return t.month(first) if spells.name == "month" else t.day(first)


def month(t: Speech, label: str) -> str:
    """`label`: YYYY-MM."""
    return t.month(date.fromisoformat(f"{label}-01"))


def number(t: Speech, course: Course, value: float) -> str:
    """A value of a measure with its unit; "" for none."""
    if not math.isfinite(value):
        return ""
    if course.measure is SHARE:
        return t.share(value)
    return t.number(value, 1, signed=True) + "\u00b0"


def plain(t: Speech, value: float) -> str:
    """As many digits as it has: for settings and ticks."""
    return t.number(value, len(f"{value:.6f}".rstrip("0").partition(".")[2]))


def span(t: Speech, low: float, high: float) -> str:
    """An interval of a share."""
    return t("{low} to {high}", low=t.share(low), high=t.share(high))
