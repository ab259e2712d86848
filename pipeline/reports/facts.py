"""What a report knows of one reading, gathered from the store and the film."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

from pipeline.records.export.record import Record

VERDICTS = ("yes", "no", "cannot tell", "not read")


@dataclass(frozen=True)
class Fact:
    """One reading.

    Attributes:
        record: what was read and what a person decided.
        name: enough for a person to know the film.
        stem: of the files of its own report; "" where it has none.
        study: what tells its study from others.
        operator, station: codes, never names; "" where not known.
        day: of acquisition; None where not known.
        acquired: date and time as written in the header, for the order within a study.
    """

    record: Record
    name: str
    stem: str
    study: str
    operator: str = ""
    station: str = ""
    day: date | None = None
    acquired: str = ""

    @property
    def reading(self) -> Mapping[str, Any]:
        """The object of `readings.jsonl` as it stands after the last decision."""
        return self.record.current

    @property
    def alignment(self) -> Mapping[str, Any]:
        """Empty where no angle was read."""
        return self.reading["alignment"] or {}

    @property
    def view(self) -> str:
        return str(self.reading["view"]["name"])

    @property
    def verdict(self) -> str:
        """One of `VERDICTS`."""
        return "not read" if self.reading["alignment"] is None else str(self.alignment["square"])

    @property
    def judged(self) -> bool:
        """Whether the verdict is a yes or a no."""
        return self.verdict in ("yes", "no")

    def angle(self, name: str) -> tuple[float, float, float] | None:
        """Degrees with the 90 % interval of `rotation` or `tilt`."""
        value, interval = self.alignment.get(f"{name}_deg"), self.alignment.get(f"{name}_90")
        if value is None:
            return None
        low, high = interval or (value, value)
        return float(value), float(low), float(high)


def in_time(fact: Fact) -> tuple[str, str, str, int]:
    """Sorts by time where it is known, else by name."""
    day = "" if fact.day is None else fact.day.isoformat()
    return day, fact.acquired, fact.name, fact.record.number
