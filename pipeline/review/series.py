"""The shots of one study in time order: what changed between them, when it became square.

Looks back at what was done; it suggests nothing.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from pipeline.align.moves import turn_made
from pipeline.readers.dicom_shot import Shot

ANGLES = ("rotation", "tilt")
CIRCUMSTANCES = (
    "acquired",
    "number",
    "dose_area_gy_cm2",
    "entrance_dose_mgy",
    "kvp",
    "mas",
)
"""What the page is told of a shot's header; who took it is not for the page."""
Z90_SHARE = 0.5
"""Half of a 90 % interval's width."""


@dataclass(frozen=True)
class ShotRead:
    """One reading of a series: its number in the store, name, current row, state, header."""

    id: int
    name: str
    row: Mapping[str, Any]
    state: str
    shot: Shot


def in_order(shots: Sequence[ShotRead]) -> list[ShotRead]:
    """By time of acquisition, then Instance Number, frame and knee; without a time at the end."""

    def key(each: ShotRead) -> tuple[Any, ...]:
        film = each.row["film"]
        return (
            each.shot.acquired is None,
            each.shot.acquired or "",
            each.shot.number or 0,
            film["source"],
            film["frame"] or 0,
            each.row["knee"]["index"],
        )

    return sorted(shots, key=key)


def series_of(shots: Sequence[ShotRead]) -> dict[str, Any]:
    """What the page shows of a series: its shots in order, and each view's story."""
    ordered = in_order(shots)
    told: list[dict[str, Any]] = []
    last: dict[tuple[Any, ...], ShotRead] = {}
    for each in ordered:
        kind = _kind(each)
        before = last.get(kind) if kind is not None else None
        told.append(
            {**_plain(each), "moves": [] if before is None else moves_between(before, each)}
        )
        if kind is not None:
            last[kind] = each
    kinds = list(dict.fromkeys(k for each in ordered if (k := _kind(each)) is not None))
    stories = [story([each for each in ordered if _kind(each) == kind], kind) for kind in kinds]
    doses = [each.shot.dose_area_gy_cm2 for each in ordered]
    known = [dose for dose in doses if dose is not None]
    return {
        "shots": told,
        "stories": stories,
        "dose_area_gy_cm2": sum(known) if known else None,
        "dose_known": len(known),
    }


def _kind(each: ShotRead) -> tuple[str, str | None] | None:
    """View and side of a shot with angles: only such shots are compared with each other."""
    if each.row["alignment"] is None:
        return None
    return (each.row["view"]["name"], each.row["side"]["name"])


def _plain(each: ShotRead) -> dict[str, Any]:
    alignment = each.row["alignment"] or {}
    return {
        "id": each.id,
        "name": each.name,
        "state": each.state,
        "view": each.row["view"]["name"],
        "side": each.row["side"]["name"],
        "refused": each.row["refused"],
        "square": alignment.get("square"),
        **{f"{a}_{e}": alignment.get(f"{a}_{e}") for a in ANGLES for e in ("deg", "90")},
        **{name: getattr(each.shot, name) for name in CIRCUMSTANCES},
    }


def moves_between(before: ShotRead, after: ShotRead) -> list[dict[str, Any]]:
    """Per angle the change from one shot to the next of the same view, and the turn it tells.

    A change counts as clear where it is larger than the two 90 % half-widths taken together in
    quadrature; otherwise it may be no turn at all.
    """
    found = []
    for angle in ANGLES:
        values = [each.row["alignment"][f"{angle}_deg"] for each in (before, after)]
        spans = [each.row["alignment"][f"{angle}_90"] for each in (before, after)]
        if None in values or None in spans:
            continue
        change = values[1] - values[0]
        unsure = sum((Z90_SHARE * (high - low)) ** 2 for low, high in spans) ** 0.5
        clear = abs(change) > unsure
        view = str(after.row["view"]["name"])
        found.append(
            {
                "angle": angle,
                "change_deg": change,
                "half_width_deg": unsure,
                "clear": clear,
                "text": turn_made(view, angle, change) if clear else "no clear change",
            }
        )
    return found


def story(shots: Sequence[ShotRead], kind: tuple[str, str | None]) -> dict[str, Any]:
    """When one view became square, and what the first film's advice would have saved.

    The advice could at best have made the second shot of the view the square one: every further
    shot up to the first square one is counted. It is counted only where the first film was not
    square, its advice named a number of degrees for each turn it asked for, and the change that
    led to the square shot was the one advised, to within the intervals.
    """
    squares = [i for i, each in enumerate(shots) if _square(each) == "yes"]
    first = squares[0] if squares else None
    told: dict[str, Any] = {
        "view": kind[0],
        "side": kind[1],
        "shots": len(shots),
        "first_square": first,
        "first_square_id": None if first is None else shots[first].id,
        "advice": advice_of(shots[0]),
        "saved_shots": None,
        "saved_dose_area_gy_cm2": None,
        "why_not": None,
    }
    why = _why_not(shots, first)
    if why is not None:
        return {**told, "why_not": why}
    assert first is not None
    spared = shots[1:first]
    doses = [each.shot.dose_area_gy_cm2 for each in spared]
    complete = bool(doses) and None not in doses
    return {
        **told,
        "saved_shots": len(spared),
        "saved_dose_area_gy_cm2": sum(d for d in doses if d is not None) if complete else None,
    }


def advice_of(shot: ShotRead) -> list[dict[str, Any]]:
    """The moves of the likelier explanation that do something."""
    moves = shot.row["moves"]
    return [
        {"angle": m["angle"], "text": m["text"], "degrees": m["degrees"]}
        for m in moves
        if m["toward"] and m["hypothesis"] == 0
    ]


def _square(each: ShotRead) -> str:
    return str(each.row["alignment"]["square"])


def _why_not(shots: Sequence[ShotRead], first: int | None) -> str | None:
    """Why nothing can be said about what was saved, or None."""
    if first == 0:
        return "the first shot was square on already"
    if first is None:
        return "no shot of this view became square on"
    if _square(shots[0]) != "no":
        return "the first shot left open whether it was square on"
    advice = advice_of(shots[0])
    if not advice or any(each["degrees"] is None for each in advice):
        return "the first film's advice named no degrees"
    start, end = shots[0].row["alignment"], shots[first].row["alignment"]
    asked = {each["angle"] for each in advice}
    for angle in ANGLES:
        if angle not in asked:
            continue
        # Advice takes the angle away: square was reached along it only if the sign agrees.
        change = end[f"{angle}_deg"] - start[f"{angle}_deg"]
        low, high = start[f"{angle}_90"]
        if not (low <= -change <= high):
            return f"the {angle} was corrected by another amount than the first film's advice"
    return None
