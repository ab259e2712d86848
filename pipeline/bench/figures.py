"""Scored films to figures: plain values, ready for JSON.

Errors of landmarks: radial at all, normal to the outline at contour landmarks; `chief` is radial at
fixed landmarks and normal at contour ones. Means, medians and percentiles are of landmarks that
were given; the share within a distance (SDR) counts a landmark that could have been found and was
not given, or whose knee was missed, as not found. 95 % intervals resample persons, not films.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from pipeline.bench.accuracy import OFF_SQUARE_DEG, SDR_MM, KneeResult, square_summary
from pipeline.bench.conformal import coverage, factor
from pipeline.bench.exam import Exam, Scored
from pipeline.bench.intervals import share
from pipeline.bench.suite import VIEWS, angle_errors, chief_errors
from pipeline.knee.angles import ANGLES
from pipeline.knee.landmarks import BY_NAME, names_of

Array = NDArray[np.float64]
CURVE_MM = (0.25, 0.5, 0.75, 1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0)
KEPT = (1.0, 0.9, 0.8, 0.7, 0.6, 0.5, 0.4, 0.3)
"""Shares of knees kept in the curve of abstention."""
LEVELS = (0.5, 0.8, 0.9, 0.95)
ROUNDS = 2000


def figures_of(exam: Exam) -> dict[str, Any]:
    """All figures by entry and suite."""
    return {
        name: {suite: summary(films) for suite, films in by_suite.items()}
        for name, by_suite in exam.scores.items()
    }


def summary(films: Sequence[Scored]) -> dict[str, Any]:
    """Figures of one entry on one suite."""
    pairs = knees_of(films)
    knees = [knee for knee, _, _ in pairs]
    seconds = np.array([film.seconds for film in films])
    known = seconds[np.isfinite(seconds)]
    return {
        "films": len(films),
        "persons": len({film.subject for film in films}),
        "knees": len(knees),
        "view_right": share([float(k.found_view == k.view) for k in knees]),
        "missed": sum(k.found_view in (None, "none") for k in knees),
        "without_angles": sum(k.found_view == k.view and not k.hypotheses for k in knees),
        "false_knees": sum(film.result.false_knees for film in films),
        "failures": sorted({f for film in films for f in film.result.failures})[:20],
        "way_round_right": share(
            [k.right_way_round for k in knees if not math.isnan(k.right_way_round)]
        ),
        "both": {
            "landmarks": landmark_summary(pairs, chief_errors),
            "angles": angle_summary(pairs, None),
        },
        "views": {
            view: _view(view, [pair for pair in pairs if pair[0].view == view]) for view in VIEWS
        },
        "abstention": abstention(pairs),
        "square": square_summary([k for k in knees if _sure(k)]),
        "seconds": {"median": float(np.median(known)), "n": len(known)} if len(known) else None,
    }


Pair = tuple[KneeResult, Any, str]
"""A knee, which of its landmarks could have been found, and whose it is."""


def knees_of(films: Sequence[Scored]) -> list[Pair]:
    """AP and lateral knees."""
    return [
        (knee, visible, film.subject)
        for film in films
        for knee, visible in zip(film.result.knees, film.visible, strict=True)
        if knee.view in VIEWS
    ]


def _sure(knee: KneeResult) -> bool:
    """Whether it has angles with deviations."""
    return bool(knee.hypotheses) and bool(np.isfinite(np.array(knee.hypotheses)[:, :4]).all())


def _spread(values: Sequence[tuple[str, Array]]) -> dict[str, Any]:
    """The mean of all values (person, values) and its 95 % bootstrap interval over persons.

    As `intervals.interval` gives it, from one sum and one count a person.
    """
    sums: dict[str, list[float]] = {}
    for person, value in values:
        known = value[~np.isnan(value)]
        if len(known):
            held = sums.setdefault(person, [0.0, 0.0])
            held[0] += float(known.sum())
            held[1] += len(known)
    if not sums:
        return {"n": 0}
    both = np.array(list(sums.values()))
    total, count = both.sum(axis=0)
    out: dict[str, Any] = {"n": int(count), "value": float(total / count)}
    out |= {"low": None, "high": None}
    if len(both) > 1:
        drawn = _draws(len(both)) @ both
        low, high = np.percentile(drawn[:, 0] / drawn[:, 1], [2.5, 97.5])
        out |= {"low": float(low), "high": float(high)}
    return out


@cache
def _draws(persons: int) -> Array:
    """(ROUNDS, persons) how often each person is drawn."""
    rng = np.random.default_rng(0)
    return rng.multinomial(persons, np.full(persons, 1 / persons), ROUNDS).astype(np.float64)


def _mean_known(values: Array) -> float:
    known = values[~np.isnan(values)]
    return float(known.mean()) if len(known) else float("nan")


def _number(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None


# ---- landmarks ----------------------------------------------------------------------------------


def landmark_summary(
    pairs: Sequence[Pair], errors: Callable[[KneeResult], Array], which: slice | int = slice(None)
) -> dict[str, Any]:
    """Errors pooled over landmarks (or of one), with the SDR curve.

    `errors`: of a knee, (K,) mm, NaN where not given; `which` of them count.
    """
    rows: list[tuple[str, Array]] = []
    hits: list[tuple[str, Array]] = []
    for knee, visible, person in pairs:
        error = np.atleast_1d(errors(knee)[which])
        could = np.atleast_1d(visible[which])
        rows.append((person, error))
        hits.append((person, np.where(could, np.where(np.isnan(error), np.inf, error), np.nan)))
    flat = np.concatenate([e for _, e in rows]) if rows else np.zeros(0)
    flat = flat[~np.isnan(flat)]
    reach = np.concatenate([e for _, e in hits]) if hits else np.zeros(0)
    reach = reach[~np.isnan(reach)]
    if not len(reach):
        return {"n": 0}
    return {
        "n": len(flat),
        "could": len(reach),
        "given": len(flat) / len(reach),
        "mean": _spread(rows),
        "median": float(np.median(flat)) if len(flat) else None,
        "p95": float(np.percentile(flat, 95)) if len(flat) else None,
        "sdr": {
            f"{mm:g}": _spread([(p, np.where(np.isnan(e), np.nan, e <= mm)) for p, e in hits])
            for mm in SDR_MM
        },
        "sdr_curve": [[mm, float((reach <= mm).mean())] for mm in CURVE_MM],
    }


def _view(view: str, pairs: Sequence[Pair]) -> dict[str, Any]:
    names = names_of("lateral" if view == "lateral" else "AP")
    if not pairs:
        return {"knees": 0}
    landmarks = {}
    for k, name in enumerate(names):
        kind = BY_NAME[name].kind
        landmarks[name] = {
            "kind": kind,
            "radial": landmark_summary(pairs, lambda knee: knee.radial_mm, k),
        }
        if kind == "contour":
            landmarks[name]["normal"] = landmark_summary(pairs, lambda knee: knee.normal_mm, k)
    return {
        "knees": len(pairs),
        "radial": landmark_summary(pairs, lambda knee: knee.radial_mm),
        "chief": landmark_summary(pairs, chief_errors),
        "landmarks": landmarks,
        "angles": {angle: angle_summary(pairs, i) for i, angle in enumerate(ANGLES)},
        "flexion_mae": _spread(
            [(p, np.array([abs(k.flexion[1] - k.flexion[0])])) for k, _, p in pairs]
        ),
    }


# ---- angles -------------------------------------------------------------------------------------


def angle_summary(pairs: Sequence[Pair], which: int | None) -> dict[str, Any]:
    """Errors of one angle, or of both together."""
    picked = [which] if which is not None else [0, 1]
    rows = [(person, angle_errors(knee)[picked]) for knee, _, person in pairs]
    flat = np.concatenate([e for _, e in rows]) if rows else np.zeros(0)
    flat = flat[~np.isnan(flat)]
    if not len(flat):
        return {"n": 0}
    sd = float(flat.std(ddof=1)) if len(flat) > 1 else float("nan")
    bias = float(flat.mean())
    direction = [
        float(np.sign(found) == np.sign(true))
        for knee, _, _ in pairs
        for true, found, _ in [(knee.rotation, knee.tilt)[i] for i in picked]
        if abs(true) > OFF_SQUARE_DEG and not math.isnan(found)
    ]
    out = {
        "n": len(flat),
        "mae": _spread([(p, np.abs(e)) for p, e in rows]),
        "median": float(np.median(np.abs(flat))),
        "p95": float(np.percentile(np.abs(flat), 95)),
        "bias": _spread(rows),
        "sd": _number(sd),
        "limits_of_agreement": [_number(bias - 1.96 * sd), _number(bias + 1.96 * sd)],
        "direction": share(direction),
    }
    sure = [knee for knee, _, _ in pairs if _sure(knee)]
    if sure:
        scores = np.array([[k.scores()[i] for i in picked] for k in sure]).ravel()
        widths = np.array([[k.half_widths()[i] for i in picked] for k in sure]).ravel()
        held = coverage(scores, widths)
        out["interval_90"] = {
            "n": held.n,
            "held": held.held,
            "low": held.low,
            "high": held.high,
            "half_width": held.half_width,
            "factor_needed": factor(scores) if which is not None else None,
        }
        out["held_at"] = {
            f"{level:g}": float((scores <= ndtri((1 + level) / 2)).mean()) for level in LEVELS
        }
    return out


def abstention(pairs: Sequence[Pair]) -> list[dict[str, Any]]:
    """Errors of the knees kept where the least sure (widest intervals) are left out first."""
    sure = [k for k, _, _ in pairs if _sure(k) and np.isfinite(angle_errors(k)).all()]
    if len(sure) < 5:
        return []
    width = np.array([max(k.half_widths()) for k in sure])
    angles = np.array([_mean_known(np.abs(angle_errors(k))) for k in sure])
    marks = np.array(
        [np.nanmean(e) if (~np.isnan(e := chief_errors(k))).any() else np.nan for k in sure]
    )
    order = np.argsort(width, kind="stable")
    rows = []
    for kept in KEPT:
        chosen = order[: max(1, round(kept * len(order)))]
        known = marks[chosen][~np.isnan(marks[chosen])]
        rows.append(
            {
                "kept": kept,
                "knees": len(chosen),
                "angles_mae": float(angles[chosen].mean()),
                "landmarks": float(known.mean()) if len(known) else None,
            }
        )
    return rows


def strict(value: Any) -> Any:
    """Without numbers that JSON does not know."""
    if isinstance(value, Mapping):
        return {str(key): strict(each) for key, each in value.items()}
    if isinstance(value, list | tuple):
        return [strict(each) for each in value]
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value
