"""Reads labelled synthetic films and compares what was found with what is true.

Fixed landmarks are scored by radial error, contour landmarks by the error normal to the outline
as well; both in mm at the knee. SDR counts errors of at most the threshold. 95 %
intervals of means are percentile bootstrap over films (each film is another subject), those of
shares Clopper and Pearson's.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.align.options import TOLERANCES, AlignOptions
from pipeline.align.square import NO_UPTO, YES_FROM, Z90, square_probability
from pipeline.bench.conformal import factor, score
from pipeline.bench.depths import TipResult, depth_summary, paired, tip_results
from pipeline.bench.intervals import interval, share
from pipeline.contracts import Detector, PoseEstimator
from pipeline.knee.detection import Detection, Hypothesis, Pose
from pipeline.knee.errors import Problem
from pipeline.knee.landmarks import BY_NAME, View, names_of
from pipeline.knee.truth import KneeTruth, LabelledFilm

Array = NDArray[np.float64]

SDR_MM = (2.0, 2.5, 3.0, 4.0)
UPRIGHT = 0.5
"""Least cosine of the roll with which left and right of a film still mean something."""
OFF_SQUARE_DEG = 2.0
"""The direction of an angle is scored only where the film is more than this off."""


@dataclass(frozen=True)
class KneeResult:
    """One true knee and what was made of it.

    Attributes:
        view: the true one; `found_view` None where no knee was found there.
        radial_mm, normal_mm: (K,) in the order of `names_of(view)`, NaN where the landmark is
            not on the film or the view was missed. `normal_mm` is NaN at fixed landmarks.
        right_way_round: 1.0 where `lateral_to_right` is right, else 0.0; NaN on a film that lies on
            its side, where it means nothing.
        rotation, tilt: (true, fitted, sd) degrees; `direct` the network's own (rotation, tilt).
        flexion: (true, fitted) degrees.
        tips_mm: (T,) from each instrument's tip that is on the film to the one found for it, mm
            at the knee; infinite where none was.
        false_tips: how many were found where there is none.
        tips: the same tips with their depths.
    """

    seed: int
    knee: int
    style: str
    view: str
    found_view: str | None
    view_probability: float
    right_way_round: float
    radial_mm: Array
    normal_mm: Array
    rotation: tuple[float, float, float]
    tilt: tuple[float, float, float]
    direct: tuple[float, float]
    flexion: tuple[float, float]
    hypotheses: tuple[tuple[float, float, float, float, float], ...] = ()
    mm_per_px: float = 1.0
    tips_mm: Array = field(default_factory=lambda: np.zeros(0))
    false_tips: int = 0
    tips: tuple[TipResult, ...] = ()

    def scores(self) -> tuple[float, float]:
        """Deviations that the printed intervals of (rotation, tilt) must reach to hold the truth;
        NaN where there was no pose."""
        if not self.hypotheses:
            return float("nan"), float("nan")
        r, r_sd, t, t_sd, _ = zip(*self.hypotheses, strict=True)
        return score(self.rotation[0], r, r_sd), score(self.tilt[0], t, t_sd)

    def half_widths(self) -> tuple[float, float]:
        """Degrees, of the printed 90 % intervals of (rotation, tilt); NaN without a pose."""
        if not self.hypotheses:
            return float("nan"), float("nan")
        r, r_sd, t, t_sd, _ = np.array(self.hypotheses).T
        widths = (np.ptp([m - Z90 * s, m + Z90 * s]) / 2 for m, s in ((r, r_sd), (t, t_sd)))
        return tuple(map(float, widths))  # type: ignore[return-value]


@dataclass(frozen=True)
class FilmResult:
    """One film: its knees, how many knees were found that are not there, what failed."""

    seed: int
    knees: tuple[KneeResult, ...]
    false_knees: int
    negative: bool
    failures: tuple[str, ...] = field(default_factory=tuple)


def compare(
    seed: int, labelled: LabelledFilm, detector: Detector, estimator: PoseEstimator
) -> FilmResult:
    """Reads one labelled film and scores every knee on it."""
    film = labelled.film
    found = [d for d in detector.detect(film) if d.view != "none"]
    free = list(range(len(found)))
    knees, failures = [], []
    for index, truth in enumerate(labelled.knees):
        width = truth.width_mm / truth.mm_per_px_knee
        if not width > 0:  # a film without a scale
            width = truth.width_px
        best = min(free, key=lambda i: _distance(found[i], truth), default=None)
        if best is not None and _distance(found[best], truth) < 0.6 * width:
            free.remove(best)
            detection: Detection | None = found[best]
        else:
            detection = None
        pose = None
        if detection is not None and detection.view == truth.view != "other":
            try:
                pose = estimator.estimate(film, detection)
            except Problem as problem:
                failures.append(str(problem))
        size = (film.columns, film.rows)
        tips = tip_results(film, truth, detection, pose)
        knees.append(replace(_score(seed, index, truth, detection, pose, size), tips=tips))
    return FilmResult(
        seed=seed,
        knees=tuple(knees),
        false_knees=len([i for i in free if found[i].view in ("AP", "lateral")]),
        negative=not labelled.knees,
        failures=tuple(failures),
    )


def _distance(detection: Detection, truth: KneeTruth) -> float:
    x0, y0, x1, y1 = detection.box
    middle = np.array([(x0 + x1) / 2, (y0 + y1) / 2])
    return float(np.linalg.norm(middle - truth.centre))


def _score(
    seed: int,
    index: int,
    truth: KneeTruth,
    detection: Detection | None,
    pose: Pose | None,
    size: tuple[int, int],
) -> KneeResult:
    count = len(truth.names)
    radial, normal = np.full(count, np.nan), np.full(count, np.nan)
    if detection is not None and detection.view == truth.view and count:
        at = {name: i for i, name in enumerate(detection.names)}
        order = [at[name] for name in truth.names]
        offset = (detection.xy[order] - truth.xy) * truth.mm_per_px_knee
        radial = np.where(truth.seen, np.linalg.norm(offset, axis=1), np.nan)
        contour = np.array([BY_NAME[name].kind == "contour" for name in truth.names])
        across = np.abs((offset * truth.normal).sum(axis=1))
        normal = np.where(truth.seen & contour, across, np.nan)
    nan = float("nan")
    rotation = tilt = (nan, nan, nan)
    flexion = (truth.flexion_deg, nan)
    hypotheses: tuple[tuple[float, float, float, float, float], ...] = ()
    if pose is not None:
        top = pose.hypotheses[0]
        rotation = (truth.rotation_deg, top.rotation_deg, top.rotation_sd)
        tilt = (truth.tilt_deg, top.tilt_deg, top.tilt_sd)
        flexion = (truth.flexion_deg, nan if pose.flexion_deg is None else pose.flexion_deg)
        hypotheses = tuple(
            (h.rotation_deg, h.rotation_sd, h.tilt_deg, h.tilt_sd, h.probability)
            for h in pose.hypotheses
        )
    on_film = ((truth.tips >= 0) & (truth.tips <= np.array(size) - 1)).all(axis=1)
    found_tips = np.zeros((0, 2)) if detection is None else np.asarray(detection.tips)
    apart = matched(truth.tips[on_film], found_tips)
    direct = (nan, nan)
    if detection is not None and detection.direct is not None and detection.view == truth.view:
        direct = (detection.direct.rotation_deg, detection.direct.tilt_deg)
    return KneeResult(
        seed=seed,
        knee=index,
        style=str(truth.facts.get("style", "")),
        view=truth.view,
        found_view=None if detection is None else detection.view,
        view_probability=0.0 if detection is None else detection.view_probability,
        right_way_round=nan
        if detection is None or abs(truth.up[1]) < UPRIGHT
        else float(detection.lateral_to_right == truth.lateral_to_right),
        radial_mm=radial,
        normal_mm=normal,
        rotation=rotation,
        tilt=tilt,
        direct=direct,
        flexion=flexion,
        hypotheses=hypotheses,
        mm_per_px=truth.mm_per_px_knee,
        tips_mm=apart * truth.mm_per_px_knee,
        false_tips=len(found_tips) - int(np.isfinite(apart).sum()),
    )


def matched(true: Array, found: Array) -> Array:
    """(T,) distance of each of T true points to the found one that is its own, inf without one.

    Nearest pairs first; a found point belongs to one true point at most.
    """
    own = paired(true, found)
    apart = [np.inf if j is None else np.linalg.norm(true[i] - found[j]) for i, j in enumerate(own)]
    return np.array(apart, dtype=np.float64)


def summarise(results: Sequence[FilmResult]) -> dict[str, Any]:
    """All figures of a run as plain values, ready for JSON."""
    knees = [k for r in results for k in r.knees]
    named = [k for k in knees if k.view != "other"]
    negatives = [r for r in results if r.negative]
    return {
        "films": len(results),
        "knees": len(knees),
        "failures": sorted({f for r in results for f in r.failures}),
        "view": {
            "right": share([float(k.found_view == k.view) for k in named]),
            "missed": int(sum(k.found_view is None for k in named)),
            "way_round_right": share(
                [
                    k.right_way_round
                    for k in named
                    if k.found_view == k.view and not np.isnan(k.right_way_round)
                ]
            ),
            "other_refused": share(
                [float(k.found_view in (None, "other")) for k in knees if k.view == "other"]
            ),
            "no_knee_refused": share([float(r.false_knees == 0) for r in negatives]),
        },
        "square": {
            "both": square_summary(named),
            **{v: square_summary([k for k in named if k.view == v]) for v in ("AP", "lateral")},
        },
        "depth": depth_summary([t for k in named if k.view == "lateral" for t in k.tips]),
        "views": {
            view: _view_summary(view, [k for k in named if k.view == view])
            for view in ("AP", "lateral")
        },
    }


def _view_summary(view: View, knees: Sequence[KneeResult]) -> dict[str, Any]:
    names = names_of(view)
    kinds = np.array([BY_NAME[name].kind for name in names])
    radial = np.stack([k.radial_mm for k in knees]) if knees else np.zeros((0, len(names)))
    normal = np.stack([k.normal_mm for k in knees]) if knees else np.zeros((0, len(names)))
    chief = np.where(kinds == "fixed", radial, normal)
    return {
        "knees": len(knees),
        "all": {
            "radial": _errors(list(radial)),
            "chief": _errors(list(chief)),
        },
        "landmarks": {
            name: {
                "kind": str(kinds[i]),
                "radial": _errors([row[i : i + 1] for row in radial]),
                **(
                    {"normal": _errors([row[i : i + 1] for row in normal])}
                    if kinds[i] == "contour"
                    else {}
                ),
            }
            for i, name in enumerate(names)
        },
        "angles": {
            name: _angle_summary(
                [getattr(k, name) for k in knees],
                [k.direct[i] for k in knees],
                np.array([k.scores()[i] for k in knees]),
            )
            for i, name in enumerate(("rotation", "tilt"))
        },
        "flexion_mae": _mean_abs([k.flexion[1] - k.flexion[0] for k in knees]),
    }


def _errors(values: list[Array]) -> dict[str, float | int | list[float]]:
    flat = np.concatenate(values) if values else np.zeros(0)
    flat = flat[~np.isnan(flat)]
    if not len(flat):
        return {"n": 0}
    mean, low, high = interval(values, lambda v: float(v.mean()), rounds=300)
    return {
        "n": len(flat),
        "mean_mm": mean,
        "mean_95": [low, high],
        "median_mm": float(np.median(flat)),
        "p95_mm": float(np.percentile(flat, 95)),
        **{f"sdr_{limit:g}": float((flat <= limit).mean()) for limit in SDR_MM},
    }


def _mean_abs(values: Sequence[float]) -> float | None:
    array = np.abs(np.array(values, dtype=np.float64))
    array = array[~np.isnan(array)]
    return float(array.mean()) if len(array) else None


def square_summary(knees: Sequence[KneeResult]) -> dict[str, Any]:
    """How well the probability of being square on holds, for both tolerances.

    Expected calibration error over ten equal bins, Brier score, and the share of films whose
    verdict (yes from 0.8, no up to 0.2) is right.
    """
    posed = [k for k in knees if k.hypotheses]
    out: dict[str, Any] = {}
    for name, limit in TOLERANCES.items():
        options = AlignOptions(tolerance=name)
        p = np.array(
            [
                square_probability([Hypothesis(*h) for h in k.hypotheses], k.view, options)
                for k in posed
            ]
        )
        true = np.array([float(max(abs(k.rotation[0]), abs(k.tilt[0])) <= limit) for k in posed])
        if not len(p):
            continue
        bins = np.minimum((p * 10).astype(int), 9)
        table = [
            {
                "n": int((bins == b).sum()),
                "said": float(p[bins == b].mean()),
                "true": float(true[bins == b].mean()),
            }
            for b in range(10)
            if (bins == b).any()
        ]
        told = (p >= YES_FROM) | (p <= NO_UPTO)
        out[name] = {
            "n": len(p),
            "square": int(true.sum()),
            "ece": float(sum(r["n"] * abs(r["said"] - r["true"]) for r in table) / len(p)),
            "brier": float(((p - true) ** 2).mean()),
            "told": float(told.mean()),
            "told_right": float(((p >= 0.5) == (true > 0.5))[told].mean()) if told.any() else None,
            "reliability": table,
        }
    return out


def _angle_summary(
    triples: Sequence[tuple[float, float, float]], direct: Sequence[float], scores: Array
) -> dict[str, Any]:
    data = np.array(triples, dtype=np.float64).reshape(-1, 3)
    network = np.array(direct, dtype=np.float64)
    good = ~np.isnan(data[:, 1])
    data, network, scores = data[good], network[good], scores[good]
    if not len(data):
        return {"n": 0}
    error = data[:, 1] - data[:, 0]
    mae, low, high = interval([np.array([abs(e)]) for e in error], lambda v: float(v.mean()))
    off = np.abs(data[:, 0]) > OFF_SQUARE_DEG
    return {
        "n": len(data),
        "mae": mae,
        "mae_95": [low, high],
        "bias": float(error.mean()),
        "median": float(np.median(np.abs(error))),
        "p95": float(np.percentile(np.abs(error), 95)),
        "direction": share([float(v) for v in np.sign(data[off, 1]) == np.sign(data[off, 0])]),
        "coverage_90": float((scores <= Z90).mean()),
        "sd_factor_90": factor(scores),
        "direct_mae": _mean_abs(list(network - data[:, 0])),
    }
