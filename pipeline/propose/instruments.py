"""Instruments on the film: tips, and how deep they lie in the bone on a lateral film.

A tip beside the bone's middle is shown too far forward or back by its distance from the middle
times the tangent of the beam's angle at the tip. Which side of the middle it lies on, and how far,
one film does not tell: the interval holds both sides, unless the partner AP film shows the tip;
then the shift is taken off. Checked on rendered films by tests/films/procedure_films.py.
"""

from __future__ import annotations

import numpy as np

from pipeline.align.points import Array, across, epicondylar_px, femur_up, px_of, spot
from pipeline.contracts import Sight
from pipeline.knee.detection import Detection
from pipeline.knee.reading import Instrument
from pipeline.propose.beside import beside
from pipeline.propose.depth import Depth, depth_of

TIP_SD_W = 0.006
"""Standard deviation of a tip's place along each axis, in widths of the knee: half a millimetre,
what the network is off by on synthetic films."""

PLACED_SD_MM = 0.5
"""The same of a tip that a person marked, mm at the knee: a design value."""

LEVER_MM, LEVER_SD_MM = 29.0, 14.0
"""Distance of tips from their bone's axis, to either side: mean and standard deviation of 296 tips
of the generator's procedures, which stand at or short of the bone's surface."""

BESIDE_SD_MM = 4.0
"""The same, of one tip, where the partner AP film shows it: a design value."""

SAME_TIP = 0.85
"""Chance that the tip found on the partner is the same one: a design value, near what is found on
rendered pairs."""

FIT_SD = 2.5
SILHOUETTE_SD = 28.0
"""Points of % that the lever leaves open, standard deviations measured on rendered films of
procedures: what the fitted outline is off by, and by how much the silhouettes' own edges move per
unit of the beam's tangent (1 point at 2 degrees off, 5 beyond 10)."""

W_MM = 82.0
"""Epicondylar width where no scale is known (docs/reference/sources.md, both sexes)."""
SOD_MM = 800.0
"""Source to knee where no header says it: practice spans 600 to 1100 (common practice)."""

_STEPS = np.array([-1.4635, -0.5988, 0.0, 0.5988, 1.4635])
"""Five equally likely places of a standard normal error (its 10, 30, 50, 70 and 90 % quantiles,
spread until their variance is 1)."""


def tips_alone(detection: Detection) -> tuple[Instrument, ...]:
    """The tips that the detector found, without depths."""
    return tuple(Instrument((float(x), float(y)), None, None) for x, y in detection.tips)


def instruments(sight: Sight) -> tuple[Instrument, ...]:
    """The tips that the detector found, with their depths where the film allows one."""
    sd = TIP_SD_W * sight.pose.width_px
    return tuple(instrument(sight, np.asarray(tip), sd)[0] for tip in sight.detection.tips)


def instrument(sight: Sight, tip: Array, sd_px: float) -> tuple[Instrument, float | None]:
    """An instrument's tip with its depth in % of the shaft, and the misalignment's share of it.

    Args:
        tip: (2,) pixels; `sd_px` its standard deviation in every direction.

    Returns:
        the instrument, its 90 % interval over everything that is uncertain, and the half-width
        that the film's misalignment alone brings, points of %.
    """
    at = (float(tip[0]), float(tip[1]))
    depth = depth_of(sight, tip)
    if depth is None:
        return Instrument(at, None, None), None
    shifts, weights, slant = misplaced(sight, np.asarray(tip, dtype=np.float64), depth)
    parts = (depth.sd, 100.0 * sd_px / depth.length, FIT_SD, SILHOUETTE_SD * slant)
    sd = float(np.linalg.norm(parts))
    blurred = (shifts[:, None] + sd * _STEPS).ravel()
    low, high = _quantiles(blurred, np.repeat(weights, len(_STEPS)))
    least, most = _quantiles(shifts, weights)
    middle = float(shifts @ weights / weights.sum())
    percent = depth.percent + middle
    found = Instrument(at, percent, (depth.percent + low, depth.percent + high))
    return found, (most - least) / 2


def misplaced(sight: Sight, tip: Array, depth: Depth) -> tuple[Array, Array, float]:
    """What must be added to a depth for what misalignment may have done to it, points of %.

    `tip`: (2,) pixels. Returns what to add, (n,), the weights of each, (n,), and the beam's
    tangent at the tip (root mean square).
    Taken over the pose's hypotheses with their standard deviations, over both sides of the bone
    and both ends at which the source may stand: off the knee's middle the rays are oblique.
    """
    up = femur_up(sight)
    front = across(sight, up)
    mm_per_px = sight.film.scale.mm_per_px_knee or W_MM / epicondylar_px(sight)
    away = (tip - _middle(sight)) * mm_per_px / (sight.film.header.sod_mm or SOD_MM)
    oblique = np.degrees(np.arctan([away @ front, away @ up]))
    lever = px_of(sight, 1.0, 1.0 / W_MM)
    sides = [side * (LEVER_MM + LEVER_SD_MM * _STEPS) for side in (-1.0, 1.0)]
    aside = np.concatenate(sides) * lever
    likely = np.full(len(aside), 1.0 / len(aside))
    known = beside(sight, tip, depth.bone)
    if known is not None:
        aside = np.concatenate([aside, known + BESIDE_SD_MM * lever * _STEPS])
        sure = np.full(len(_STEPS), SAME_TIP / len(_STEPS))
        likely = np.concatenate([(1.0 - SAME_TIP) * likely, sure])
    ahead, upward = float(front @ depth.forward), float(up @ depth.forward)
    shifts, weights, slants = [], [], []
    for h in sight.pose.hypotheses:
        for end in (-1.0, 1.0):
            turn = h.rotation_deg + end * oblique[0] + h.rotation_sd * _STEPS
            tip_over = h.tilt_deg + end * oblique[1] + h.tilt_sd * _STEPS
            across_, along = (np.tan(np.radians(np.clip(a, -60, 60))) for a in (turn, tip_over))
            slope = (across_[:, None] * ahead + along[None, :] * upward).ravel()
            slants.append(h.probability * float(np.mean(across_**2) + np.mean(along**2)) / 2)
            # A tip on the lateral side is shown too far back where the lateral end is anterior.
            shifts.append(-np.outer(slope, aside).ravel())
            weights.append(np.outer(np.full(len(slope), h.probability), likely).ravel())
    share = 100.0 * np.concatenate(shifts) / depth.length
    return share, np.concatenate(weights), float(np.sqrt(np.sum(slants)))


def _middle(sight: Sight) -> Array:
    """(2,) pixels, about where the femur's origin falls: the middle of the touching points."""
    names = [f"{s}_condyle_{e}" for s in ("medial", "lateral") for e in ("distal", "posterior")]
    known = [s.xy for s in (spot(sight, name) for name in names) if s is not None]
    return np.asarray(np.mean(known, axis=0))


def _quantiles(values: Array, weights: Array) -> tuple[float, float]:
    """The 5 % and the 95 % quantile of weighted values."""
    order = np.argsort(values)
    total = np.cumsum(weights[order])
    low, high = np.interp([0.05 * total[-1], 0.95 * total[-1]], total, values[order])
    return float(low), float(high)
