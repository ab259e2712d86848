"""One view of one knee, film after film: when it became square, and what advice would have done."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np

from pipeline.align.moves import CENTRE, lie_of, turns_of
from pipeline.align.options import AlignOptions
from pipeline.align.square import YES_FROM, interval_90, square_probability
from pipeline.audit.doses import dose_of
from pipeline.audit.first import first_square_of
from pipeline.audit.model import Advice, FilmRead, Hunt
from pipeline.audit.steps import half_widths, pose_after, poses, sd_of, step_between
from pipeline.knee.angles import ANGLES
from pipeline.knee.detection import Hypothesis
from pipeline.knee.reading import Move
from pipeline.language import mark

HAND_SD_DEG = 1.0
"""Standard deviation by which a turn of the hand misses what was advised (design value, as for
the simulated operator)."""


def hunt_of(
    films: Sequence[FilmRead], numbers: Sequence[int], side: str | None, options: AlignOptions
) -> Hunt:
    """The story of one view of one knee; pictures lost in between are the study's to count.

    Args:
        films: in time order, all with angles, of one view and side.
        numbers: their pictures' places in the study.
        side: of the knee; None: unknown.
    """
    chances = first_square_of(films, options)
    first = chances.likeliest
    end = len(films) - 1 if first is None else first
    after = films[end + 1 :]
    plain = [film for film in after if not film.instruments]
    steps = tuple(step_between(a, b, side, options) for a, b in pairwise(films))
    return Hunt(
        view=films[0].view,
        side=side,
        films=tuple(films),
        numbers=tuple(numbers),
        steps=steps,
        first_square=first,
        first_chance=0.0 if first is None else float(chances.chances[first]),
        earliest=chances.earliest,
        latest=chances.latest,
        lost=0,
        after=len(plain),
        after_instruments=len(after) - len(plain),
        before_dose=dose_of(films if first is None else films[:first]),
        after_dose=dose_of(plain),
        advice=advice_of(films, first, options),
    )


# ---- what the first film's advice would have done ----------------------------------------------


def advice_of(films: Sequence[FilmRead], first: int | None, options: AlignOptions) -> Advice:
    """What the first film's moves would have needed instead of what was done."""
    start = films[0]
    row = start.row
    moves = [Move(**move) for move in row["moves"] if move["toward"] and move["hypothesis"] == 0]
    texts = tuple(move.text for move in moves)
    if first == 0:
        return Advice(texts, why_not=mark("the first film was square already"))
    if start.square == "yes":
        return Advice(texts, why_not=mark("the first film was read as square"))
    if not moves:
        return Advice(texts, why_not=mark("the first film's reading suggests no move"))
    if any(move.degrees is None for move in moves):
        return Advice(texts, why_not=mark("the first film's advice names no degrees"))
    alignment = start.angles
    asked = turns_of(start.view, moves)
    turn = (asked.get("rotation", 0.0), asked.get("tilt", 0.0))
    flexion, lie, _ = lie_of(alignment.get("flexion_deg"), start.shot.lying_on_side, options)
    share = _centring(moves, asked, poses(alignment))
    after: list[Hypothesis] = []
    for one in alignment.get("hypotheses") or ({**alignment, "probability": 1.0},):
        centred = tuple(float(v) for v in np.subtract(poses(one), share))
        pose = pose_after(start.view, (centred[0], centred[1]), turn, flexion, lie)
        sds = [
            float(np.hypot(sd_of(half), HAND_SD_DEG if angle in asked else 0.0))
            for angle, half in zip(ANGLES, half_widths(one), strict=True)
        ]
        after.append(Hypothesis(pose[0], sds[0], pose[1], sds[1], float(one["probability"])))
    # The intervals of a reading are widened already.
    square = square_probability(after, start.view, replace(options, widening=1.0))
    best = after[0]
    enough = square >= YES_FROM
    told = Advice(
        texts=texts,
        turns=asked,
        pose=(best.rotation_deg, best.tilt_deg),
        pose_90=(
            interval_90(best.rotation_deg, best.rotation_sd, 1.0),
            interval_90(best.tilt_deg, best.tilt_sd, 1.0),
        ),
        square_probability=square,
        films=2 if enough else None,
    )
    if not enough:
        return replace(told, why_not=mark("it would not clearly have led to a square film"))
    if first is None:
        return replace(told, why_not=mark("no film of this view became square"))
    spared = films[1:first]
    return replace(
        told,
        saved=len(spared),
        saved_dose=dose_of(spared),
        borne_out=_borne_out(start, films[first], asked),
    )


def _centring(
    moves: Sequence[Move], asked: Mapping[str, float], read: tuple[float, float]
) -> tuple[float, float]:
    """(rotation, tilt) that centring the knee takes away.

    The reading names its size and the angle; what the turn of that angle leaves gives the sign.
    """
    share = [0.0, 0.0]
    for move in moves:
        if move.move != CENTRE or move.degrees is None:
            continue
        i = ANGLES.index(move.angle)
        both = (read[i] - move.degrees, read[i] + move.degrees)
        left = min(both, key=lambda rest: abs(rest - asked.get(move.angle, 0.0)))
        share[i] = read[i] - left
    return share[0], share[1]


def _borne_out(start: FilmRead, end: FilmRead, asked: Mapping[str, float]) -> bool:
    """Whether the change that led to the square film took away what the advice would have."""
    for angle in asked:
        change = end.angles[f"{angle}_deg"] - start.angles[f"{angle}_deg"]
        low, high = start.angles[f"{angle}_90"]
        if not low <= -change <= high:
            return False
    return True
