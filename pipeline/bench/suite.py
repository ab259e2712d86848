"""Named conditions: what each changes, and the figures that are compared between them."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.bench.accuracy import (
    OFF_SQUARE_DEG,
    FilmResult,
    KneeResult,
    square_summary,
)
from pipeline.bench.conformal import coverage
from pipeline.bench.depths import TIP_MM, depth_summary
from pipeline.bench.intervals import interval, share
from pipeline.knee.angles import ANGLES
from pipeline.knee.errors import Problem
from pipeline.knee.landmarks import BY_NAME, names_of
from pipeline.registry import nearest

Array = NDArray[np.float64]
VIEWS = ("AP", "lateral")


@dataclass(frozen=True)
class Condition:
    """Under what films are made and read.

    Attributes:
        scenario, detector, pose: one plugin each, `{name: ..., option: value}`.
        beside: the condition it is compared with; empty: none.
        about: one clause: what its films are.
        version: raised whenever its films change.
    """

    scenario: Mapping[str, Any] = field(default_factory=dict)
    detector: Mapping[str, Any] = field(default_factory=dict)
    pose: Mapping[str, Any] = field(default_factory=dict)
    beside: str = ""
    about: str = ""
    version: int = 1


SECTIONS = ("scenario", "detector", "pose")


def conditions_of(base: Condition, suite: Mapping[str, Any]) -> dict[str, Condition]:
    """The conditions of a suite: `base` with what each one changes.

    Raises:
        Problem: a condition changes something that is no section, or stands beside none.
    """
    found = {}
    for name, changes in suite.items():
        changes = dict(changes or {})
        beside = str(changes.pop("beside", ""))
        about, number = str(changes.pop("about", "")), int(changes.pop("version", 1))
        for key, value in changes.items():
            if key not in SECTIONS or not isinstance(value, Mapping):
                raise Problem(
                    f"suite.{name}.{key}",
                    "a condition changes sections only",
                    nearest(key, [*SECTIONS, "beside", "about", "version"]),
                )
        if beside and beside not in suite:
            raise Problem(f"suite.{name}.beside", f"{beside} is none", nearest(beside, suite))
        merged = {key: _changed(getattr(base, key), changes.get(key, {})) for key in SECTIONS}
        found[name] = Condition(**merged, beside=beside, about=about, version=number)
    return found


def _changed(section: Mapping[str, Any], changes: Mapping[str, Any]) -> dict[str, Any]:
    """A section with its changes; another plugin takes nothing over from the one before."""
    if changes.get("name", section.get("name")) != section.get("name"):
        return dict(changes)
    return {**section, **changes}


def summarise_suite(
    conditions: Mapping[str, Condition], results: Mapping[str, Sequence[FilmResult]]
) -> dict[str, Any]:
    """Figures of every condition as plain values, ready for JSON."""
    out: dict[str, Any] = {}
    for name, films in results.items():
        out[name] = summarise_condition(films)
        beside = conditions[name].beside
        if beside:
            out[name]["beside"] = {"name": beside, **compared(films, results[beside])}
    return {"conditions": out}


def summarise_condition(films: Sequence[FilmResult]) -> dict[str, Any]:
    """What the goals speak of, over both views together and view by view."""
    knees = [k for r in films for k in r.knees if k.view in VIEWS]
    return {
        "films": len(films),
        "knees": len(knees),
        "failures": sum(len(r.failures) for r in films),
        "view_right": share([float(k.found_view == k.view) for k in knees]),
        "way_round_right": share(
            [k.right_way_round for k in knees if not np.isnan(k.right_way_round)]
        ),
        "both": _goals(knees),
        **{view: _view([k for k in knees if k.view == view]) for view in VIEWS},
        "square": square_summary(knees),
        "tips": {
            "within_1.5": share([float(mm <= TIP_MM) for k in knees for mm in k.tips_mm]),
            "found_nowhere": sum(k.false_tips for k in knees),
            "depth": depth_summary([t for k in knees if k.view == "lateral" for t in k.tips]),
        },
    }


def chief_errors(knee: KneeResult) -> Array:
    """(K,) mm at the knee: radial at fixed landmarks, normal to the outline at contour ones (radial
    there too where nobody says which way the outline runs)."""
    names = names_of("lateral" if knee.view == "lateral" else "AP")
    fixed = np.array([BY_NAME[name].kind == "fixed" for name in names])
    return np.where(fixed | np.isnan(knee.normal_mm), knee.radial_mm, knee.normal_mm)


def angle_errors(knee: KneeResult) -> Array:
    """(2,) degrees, found minus true rotation and tilt; NaN where there was no pose."""
    return np.array([getattr(knee, angle)[1] - getattr(knee, angle)[0] for angle in ANGLES])


def _mean(values: Array) -> float:
    return float(values.mean())


def _goals(knees: Sequence[KneeResult]) -> dict[str, Any]:
    """Landmarks and angles pooled."""
    errors = [chief_errors(k) for k in knees]
    angles = [np.abs(angle_errors(k)) for k in knees]
    right = [
        float(np.sign(getattr(k, a)[1]) == np.sign(getattr(k, a)[0]))
        for k in knees
        for a in ANGLES
        if abs(getattr(k, a)[0]) > OFF_SQUARE_DEG and not np.isnan(getattr(k, a)[1])
    ]
    flat = np.concatenate([*angles, np.zeros(0)])
    flat = flat[~np.isnan(flat)]
    return {
        "landmarks": _three(errors, _mean),
        "sdr_2": _three([np.where(np.isnan(e), np.nan, e <= 2.0) for e in errors], _mean),
        "mae": _three(angles, _mean),
        "p95": float(np.percentile(flat, 95)) if len(flat) else None,
        "direction": share(right),
    }


def _three(values: Sequence[Array], statistic: Callable[[Array], float]) -> dict[str, float | int]:
    count = int(sum((~np.isnan(v)).sum() for v in values))
    if not count:
        return {"n": 0}
    value, low, high = interval(values, statistic, rounds=500)
    return {"n": count, "value": value, "low": low, "high": high}


def _view(knees: Sequence[KneeResult]) -> dict[str, Any]:
    """What the goals speak of in one view, and each angle of its own."""
    posed = [k for k in knees if k.hypotheses]
    out: dict[str, Any] = {"knees": len(knees), "posed": len(posed), **_goals(knees)}
    for i, angle in enumerate(ANGLES):
        error = np.array([angle_errors(k)[i] for k in posed])
        direct = np.array([k.direct[i] - getattr(k, angle)[0] for k in posed])
        scores = np.array([k.scores()[i] for k in posed])
        widths = np.array([k.half_widths()[i] for k in posed])
        kept = ~np.isnan(direct)
        out[angle] = {
            "mae": _three([np.abs(error)[j : j + 1] for j in range(len(error))], _mean),
            "bias": float(error.mean()) if len(error) else None,
            "p95": float(np.percentile(np.abs(error), 95)) if len(error) else None,
            "direct_mae": float(np.abs(direct[kept]).mean()) if kept.any() else None,
            "coverage": asdict(coverage(scores, widths)),
        }
    return out


def compared(films: Sequence[FilmResult], others: Sequence[FilmResult]) -> dict[str, Any]:
    """Errors as a multiple of those under another condition, film by film of the same seeds.

    Bootstrap over the films that both conditions have, 95 % intervals.
    """
    mine, theirs = _by_knee(films), _by_knee(others)
    both = [key for key in mine if key in theirs]
    kinds: dict[str, Callable[[KneeResult], Array]] = {
        "landmarks": chief_errors,
        "mae": lambda knee: np.abs(angle_errors(knee)),
    }
    out: dict[str, Any] = {}
    for what, errors in kinds.items():
        # Means per knee: a knee that one of the two did not find counts for neither.
        pairs = [[_known(errors(side[key])) for side in (mine, theirs)] for key in both]
        means = np.array([(a.mean(), b.mean()) for a, b in pairs if len(a) and len(b)])
        if len(means) < 2:
            out[what] = {"n": len(means)}
            continue
        rng = np.random.default_rng(0)
        draws = rng.integers(0, len(means), (1000, len(means)))
        sums = means[draws].sum(axis=1)
        low, high = np.percentile(sums[:, 0] / sums[:, 1], [2.5, 97.5])
        total = means.sum(axis=0)
        out[what] = {
            "n": len(means),
            "value": float(total[0] / total[1]),
            "low": float(low),
            "high": float(high),
        }
    return out


def _known(values: Array) -> Array:
    return values[~np.isnan(values)]


def _by_knee(films: Sequence[FilmResult]) -> dict[tuple[int, int], KneeResult]:
    return {(k.seed, k.knee): k for r in films for k in r.knees if k.view in VIEWS}
