"""Instruments on labelled films: tips found, and depths in the bone against the truth.

Two depths are compared with the true one: that of the tip which the detector found, and that of
the true tip, as a reviewer would mark it; the second leaves the detector's own error out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.bench.intervals import share
from pipeline.contracts import Sight
from pipeline.knee.detection import Detection, Pose
from pipeline.knee.film import Film
from pipeline.knee.reading import Instrument
from pipeline.knee.truth import KneeTruth
from pipeline.propose.instruments import PLACED_SD_MM, instrument, instruments

Array = NDArray[np.float64]
NAN = float("nan")
TIP_MM = 1.5
"""Within this of its true place, mm at the knee, the tip of an instrument counts as found."""
POINTS = 3.0
"""Within so many points of % a depth counts as right."""
BANDS = ((0.0, 2.0), (2.0, 5.0), (5.0, 10.0), (10.0, 90.0))
"""By the larger of the film's true |rotation| and |tilt|, degrees."""


@dataclass(frozen=True)
class TipResult:
    """One true tip on the film and what was made of it; depths in %, NaN where there is none.

    Attributes:
        apart_mm: to the tip found for it, mm at the knee; infinite where none was.
        aside_mm: from the femur's origin along Z_f, + lateral.
        true, shown: its depth in the knee, and between this film's own outlines.
        found, found_90: by the detector's tip; marked, marked_90: by the true place.
        off_deg: the larger of the film's true |rotation| and |tilt|.
        open: False where the film shows nothing at the tip, behind a shutter for instance: no
            reader can find it.
    """

    apart_mm: float
    aside_mm: float
    bone: str
    true: float
    shown: float
    found: float
    found_90: tuple[float, float]
    marked: float
    marked_90: tuple[float, float]
    off_deg: float
    open: bool = True


def paired(true: Array, found: Array) -> list[int | None]:
    """For each of (T, 2) true points the number of the (F, 2) found one that is its own.

    Nearest pairs first; a found point belongs to one true point at most.
    """
    own: list[int | None] = [None] * len(true)
    far = np.linalg.norm(true[:, None] - found[None], axis=2)
    for _ in range(min(far.shape)):
        i, j = np.unravel_index(int(np.argmin(far)), far.shape)
        own[int(i)] = int(j)
        far[i, :], far[:, j] = np.inf, np.inf
    return own


def tip_results(
    film: Film, truth: KneeTruth, detection: Detection | None, pose: Pose | None
) -> tuple[TipResult, ...]:
    """All true tips that are on the film."""
    size = np.array([film.columns, film.rows]) - 1
    on_film = ((truth.tips >= 0) & (truth.tips <= size)).all(axis=1)
    tips = truth.tips[on_film]
    seen = np.zeros((0, 2)) if detection is None else np.asarray(detection.tips)
    sight = None
    read: Sequence[Instrument] = ()
    if detection is not None and pose is not None and detection.view == truth.view:
        sight = Sight(film, detection, pose, detection.side, 5.0, 0.0)
        read = instruments(sight)
    off = max(abs(truth.rotation_deg), abs(truth.tilt_deg))
    placed = PLACED_SD_MM / truth.mm_per_px_knee
    known = truth.tips_truth
    number = np.flatnonzero(on_film)
    results = []
    for k, (tip, own) in enumerate(zip(tips, paired(tips, seen), strict=True)):
        i = int(number[k])
        given = i < len(known.depth)
        marked = None if sight is None else instrument(sight, tip, placed)[0]
        found = read[own] if own is not None and sight is not None else None
        apart = np.inf if own is None else float(np.linalg.norm(seen[own] - tip))
        results.append(
            TipResult(
                apart_mm=apart * truth.mm_per_px_knee,
                aside_mm=float(known.mm[i, 2]) if given else NAN,
                bone=known.bones[i] if given else "",
                true=float(known.depth[i]) if given else NAN,
                shown=float(known.depth_shown[i]) if given else NAN,
                found=_depth(found),
                found_90=_span(found),
                marked=_depth(marked),
                marked_90=_span(marked),
                off_deg=off,
                open=bool(truth.tips_open[i]) if i < len(truth.tips_open) else True,
            )
        )
    return tuple(results)


def _depth(one: Instrument | None) -> float:
    return NAN if one is None or one.depth_percent is None else one.depth_percent


def _span(one: Instrument | None) -> tuple[float, float]:
    return (NAN, NAN) if one is None or one.depth_90 is None else one.depth_90


def depth_summary(tips: Sequence[TipResult]) -> dict[str, Any]:
    """Depths by misalignment: `square` is up to 2 degrees in both angles, `all` every film."""
    out: dict[str, Any] = {"all": _depths(tips), "square": {"n": 0}}
    for low, high in BANDS:
        name = "square" if low == 0 else f"{low:g}_to_{high:g}_deg"
        out[name] = _depths([t for t in tips if low <= t.off_deg < high])
    return out


def _depths(tips: Sequence[TipResult]) -> dict[str, Any]:
    """Found tips count where they lie within 1.5 mm of the true one."""
    near = [t for t in tips if t.apart_mm <= TIP_MM]
    return {
        "found": _errors([(t.true, t.found, t.found_90) for t in near]),
        "marked": _errors([(t.true, t.marked, t.marked_90) for t in tips]),
        "shown": _errors([(t.true, t.shown, (NAN, NAN)) for t in tips]),
    }


def _errors(rows: Sequence[tuple[float, float, tuple[float, float]]]) -> dict[str, Any]:
    known = [(t, f, s) for t, f, s in rows if np.isfinite(t) and np.isfinite(f)]
    if not known:
        return {"n": 0}
    error = np.array([f - t for t, f, _ in known])
    spans = [(t, s) for t, _, s in known if np.isfinite(s[0])]
    return {
        "n": len(known),
        "within_3": share([float(abs(e) <= POINTS) for e in error]),
        "mae": float(np.abs(error).mean()),
        "bias": float(error.mean()),
        "p95": float(np.percentile(np.abs(error), 95)),
        "coverage_90": share([float(s[0] <= t <= s[1]) for t, s in spans]),
        "half_width": float(np.mean([(s[1] - s[0]) / 2 for _, s in spans])) if spans else None,
    }
