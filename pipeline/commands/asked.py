"""Which readings a command is about: the arguments that `squareon find` and others share."""

from __future__ import annotations

import argparse
import re
from datetime import date
from typing import TYPE_CHECKING

from pipeline.knee.acquisition import CAUSES
from pipeline.knee.errors import Problem

if TYPE_CHECKING:
    from pipeline.records.store import Filter

VERDICTS = {"yes": "yes", "no": "no", "cannot-tell": "cannot tell", "none": ""}
VIEWS = ("AP", "lateral", "other", "none")
STATES = ("proposed", "accepted", "changed", "rejected", "double", "adjudicate")


def add_choices(parser: argparse.ArgumentParser) -> None:
    """The arguments that choose readings; each may be given several times unless it is a range."""
    group = parser.add_argument_group("which readings (all where nothing is said)")

    def several(name: str, says: str, **more: object) -> None:
        group.add_argument(f"--{name}", action="append", default=[], help=says, **more)  # type: ignore[arg-type]

    several("verdict", "the current verdict", choices=tuple(VERDICTS))
    several("view", "the current view", choices=VIEWS)
    several("side", "the current side", choices=("right", "left"))
    several("state", "what people have decided", choices=STATES)
    for name, says in (
        ("rotation", "degrees, signed"),
        ("tilt", "degrees, signed"),
        ("off", "degrees, the larger of rotation and tilt without sign"),
        ("uncertainty", "degrees, width of the wider 90 %% interval"),
    ):
        group.add_argument(f"--{name}", metavar="A..B", help=f"{says}; an end may be left out")
    group.add_argument(
        "--period", metavar="A..B", help="days of acquisition: 2026, 2026-03, 2026-03-01..2026-05"
    )
    several("operator", "the site's code, or a name as in headers", metavar="CODE")
    several("station", "the site's code, or a name as in headers", metavar="CODE")
    several("modality", "CR, DX, RF, XA", metavar="NAME")
    several("body-part", "KNEE, LEG and so on", metavar="NAME")
    several("tag", "carries this tag", metavar="TAG")
    several("reject", "films rejected for this cause, or any", choices=("any", "none", *CAUSES))
    several("weights", "only readings of these weights (a digest's beginning)", metavar="DIGEST")
    group.add_argument(
        "--every-model",
        action="store_true",
        help="readings of all weights and settings, not the last one of each knee alone",
    )


def chosen(arguments: argparse.Namespace) -> Filter:
    """The filter that the arguments say; raises `Problem`."""
    from pipeline.records.store import Filter  # not light

    since, until = period(arguments.period) if arguments.period else (None, None)
    causes = [cause for cause in arguments.reject if cause in CAUSES]
    whole = [cause for cause in arguments.reject if cause not in CAUSES]
    if whole and len(arguments.reject) > 1:
        raise Problem(
            "--reject", "any and none stand alone", "leave the others out, or name causes only"
        )
    return Filter(
        verdict=tuple(VERDICTS[name] for name in arguments.verdict),
        view=tuple(arguments.view),
        side=tuple(arguments.side),
        state=tuple(arguments.state),
        tags=tuple(arguments.tag),
        uncertainty=_span(arguments.uncertainty, "--uncertainty"),
        rotation=_span(arguments.rotation, "--rotation"),
        tilt=_span(arguments.tilt, "--tilt"),
        off=_span(arguments.off, "--off"),
        since=since,
        until=until,
        operator=tuple(arguments.operator),
        station=tuple(arguments.station),
        modality=tuple(name.upper() for name in arguments.modality),
        body_part=tuple(name.upper() for name in arguments.body_part),
        reject=tuple(causes),
        rejected={"any": True, "none": False}.get(whole[0]) if whole else None,
        weights=tuple(arguments.weights),
        latest=not (arguments.every_model or arguments.weights),
    )


def _span(text: str | None, name: str) -> tuple[float, float] | None:
    if text is None:
        return None
    low, dots, high = text.partition("..")
    try:
        least = float(low) if low.strip() else float("-inf")
        most = float(high) if high.strip() else float("inf")
    except ValueError:
        dots = ""
    if not dots or not least <= most:
        raise Problem(
            f"{name}={text}", "is no range", f"write {name}=-3..5, {name}=5.. or the like"
        )
    return max(least, -1e9), min(most, 1e9)


def period(text: str, name: str = "--period ") -> tuple[date | None, date | None]:
    """First and last day of a period: a day, month or year, or two of them.

    Raises `Problem`, which names what was given as `name`.
    """
    low, dots, high = text.partition("..")
    try:
        first = _days(low)[0] if low.strip() else None
        last = _days(high if dots else low)[1] if (high if dots else low).strip() else None
    except ValueError as error:
        raise Problem(
            f"{name}{text}",
            "is no period",
            "write 2026, 2026-03, 2026-03-01 or two with .. between",
        ) from error
    if first is not None and last is not None and first > last:
        raise Problem(f"{name}{text}", "ends before it begins", "exchange the two")
    return first, last


def _days(text: str) -> tuple[date, date]:
    """First and last day of a day, month or year as written; raises ValueError."""
    match = re.fullmatch(r"(\d{4})(?:-(\d\d)(?:-(\d\d))?)?", text.strip())
    if match is None:
        raise ValueError(text)
    year, month, day = (None if part is None else int(part) for part in match.groups())
    assert year is not None
    if month is None:
        return date(year, 1, 1), date(year, 12, 31)
    if day is None:
        first = date(year, month, 1)
        after = date(year + month // 12, month % 12 + 1, 1)
        return first, date.fromordinal(after.toordinal() - 1)
    return date(year, month, day), date(year, month, day)
