"""Time order of the pictures of a study, and by what they were ordered."""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import datetime
from typing import Any

from pipeline.audit.model import FilmRead, Order


def moment(written: str | None) -> datetime | None:
    """Date and time as DICOM writes them (DA TM or DT, PS3.5 6.2); None without a time of day.

    A time zone is left out: the films of one study come from one clock.
    """
    found = re.match(r"(\d{8})\s?(\d{2})(\d{2})(\d{2})?(?:\.(\d{1,6}))?", written or "")
    if not found:
        return None
    day, hour, minute, second, rest = found.groups()
    try:
        return datetime(
            int(day[:4]),
            int(day[4:6]),
            int(day[6:]),
            int(hour),
            int(minute),
            min(int(second or 0), 59),  # 60 is a leap second
            int((rest or "0").ljust(6, "0")),
        )
    except ValueError:
        return None


def day_of(written: str | None) -> str | None:
    """YYYY-MM-DD, or None."""
    found = re.match(r"(\d{4})(\d{2})(\d{2})", written or "")
    return "-".join(found.groups()) if found else None


def in_order(films: Sequence[FilmRead]) -> tuple[list[FilmRead], Order]:
    """Films by time of acquisition, then Instance Number, then file, frame and knee.

    Where no film states a time of day, by Instance Number; where neither is stated, by name. A
    film that does not state what the others are ordered by comes last.
    """
    timed = {film.picture for film in films if moment(film.shot.acquired)}
    counted = {film.picture for film in films if film.shot.number is not None}
    every = {film.picture for film in films}

    def key(film: FilmRead) -> tuple[Any, ...]:
        when = moment(film.shot.acquired)
        return (
            when is None and bool(timed),
            when or datetime.min,
            film.shot.number is None and bool(counted),
            film.shot.number or 0,
            *film.picture,
            film.row["knee"]["index"],
        )

    if timed:
        ties = len({key(film)[1] for film in films}) < len(every)
        order = Order("time and number" if ties else "time", len(every - timed))
    elif counted:
        order = Order("number", len(every - counted))
    else:
        order = Order("name")
    return sorted(films, key=key), order
