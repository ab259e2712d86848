"""Which reports to write, and how."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date

from pipeline.align.options import AlignOptions
from pipeline.knee.errors import Problem
from pipeline.language import speech

WHAT = ("film", "study", "operator", "period")
FORMATS = ("html", "pdf")
PERIODS = ("month", "quarter", "year")
NAMES = ("path", "code")


@dataclass(frozen=True)
class Choices:
    """Which reports. Raises `Problem` where they cannot be written.

    Attributes:
        what: names of `WHAT`; the overview is always written.
        formats: names of `FORMATS`.
        language: of the reports, BCP 47.
        period: length of a period, one of `PERIODS`.
        unreviewed: also readings that nobody has accepted, marked UNREVIEWED throughout.
        since, until: first and last day of acquisition; None for no limit.
        operator: codes of operators; () for all.
        align: options of the verdict; its tolerance is drawn as a band.
        names: what films are called, one of `NAMES`.
    """

    what: tuple[str, ...] = WHAT
    formats: tuple[str, ...] = FORMATS
    language: str = "en"
    period: str = "month"
    unreviewed: bool = False
    since: date | None = None
    until: date | None = None
    operator: tuple[str, ...] = ()
    align: AlignOptions = field(default_factory=AlignOptions)
    names: str = "path"

    def __post_init__(self) -> None:
        speech(self.language)
        for name, given, allowed in (
            ("what", self.what, WHAT),
            ("format", self.formats, FORMATS),
            ("period", (self.period,), PERIODS),
            ("names", (self.names,), NAMES),
        ):
            for one in given:
                if one not in allowed:
                    raise Problem(f"{name}={one}", "is not known", f"name {', '.join(allowed)}")
        if not self.formats:
            raise Problem("format", "none is named", f"name some of {', '.join(FORMATS)}")
        if self.since is not None and self.until is not None and self.since > self.until:
            raise Problem("since", "lies after until", "exchange the two days")


def day_of(name: str, text: str) -> date | None:
    """A setting that is a day, "" for none; raises `Problem`."""
    if not text:
        return None
    try:
        return date.fromisoformat(text)
    except ValueError as error:
        raise Problem(
            f"{name}={text}", "is no day", "write it as YYYY-MM-DD, for example 2026-03-01"
        ) from error
