"""From the readings of one study to its audit."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace

from pipeline.align.options import AlignOptions
from pipeline.audit.doses import dose_of
from pipeline.audit.hunts import hunt_of
from pipeline.audit.model import FilmRead, Study
from pipeline.audit.order import day_of, in_order

SEVERAL = "several"


def audit_of(key: str, films: Sequence[FilmRead], options: AlignOptions) -> Study:
    """The audit of one study; `films` in any order, at least one."""
    ordered, rule = in_order(films)
    places: dict[tuple[str, int], int] = {}
    for film in ordered:
        places.setdefault(film.picture, len(places) + 1)
    numbers = tuple(places[film.picture] for film in ordered)
    sides = _sides(ordered)
    groups: dict[tuple[str, str | None], list[int]] = {}
    for i, (film, side) in enumerate(zip(ordered, sides, strict=True)):
        if film.alignment is not None:
            groups.setdefault((film.view, side), []).append(i)
    read = {ordered[i].picture for group in groups.values() for i in group}
    lost = [i for i, film in enumerate(ordered) if film.picture not in read]
    hunts = []
    for (_, side), group in groups.items():
        own = [ordered[i] for i in group]
        hunt = hunt_of(own, [numbers[i] for i in group], side, options)
        end = group[-1 if hunt.first_square is None else hunt.first_square]
        between = {ordered[i].picture for i in lost if group[0] < i < end}
        hunts.append(replace(hunt, lost=len(between)))
    frames = Counter(source for source, _ in places)
    operators = {film.operator for film in ordered if film.operator is not None}
    days = [day for film in ordered if (day := day_of(film.shot.acquired)) is not None]
    return Study(
        key=key,
        films=tuple(ordered),
        numbers=numbers,
        order=rule,
        pictures=len(places),
        runs=sum(count > 1 for count in frames.values()),
        dose=dose_of(ordered),
        hunts=tuple(hunts),
        operator=operators.pop() if len(operators) == 1 else SEVERAL if operators else None,
        day=min(days, default=None),
        invented=any(film.shot.invented for film in ordered),
    )


def _sides(films: Sequence[FilmRead]) -> list[str | None]:
    """The side of each film's knee.

    A lateral picture says next to nothing about its side, so one that rests on the picture alone
    counts as the study's one sure side, or as unknown where there is none or both.
    """
    sure = {film.side for film in films if film.sure_side}
    settled = sure.pop() if len(sure) == 1 else None
    return [film.side if film.sure_side else settled for film in films]
