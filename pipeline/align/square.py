"""The probability that a film is square on, the verdict, and the score."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from pipeline.align.options import AlignOptions
from pipeline.knee.detection import Hypothesis
from pipeline.knee.reading import Interval, Square

YES_FROM = 0.8
NO_UPTO = 0.2
AP_FLEXION_LIMIT_DEG = 45.0
Z90 = 1.6448536269514722
"""Two-sided 90 % quantile of the standard normal distribution."""
RADIUS_90 = 2.146
"""Radius of the 90 % ellipse of a 2-D normal error, in standard deviations: sqrt(2 ln 10)."""


def within(mean: float, sd: float, tolerance: float) -> float:
    """P(|x| <= tolerance) for x normal with `mean` and `sd`; sd 0 is a certain value."""
    if sd <= 0:
        return float(abs(mean) <= tolerance)
    root = sd * math.sqrt(2.0)
    upper = math.erf((tolerance - mean) / root)
    lower = math.erf((-tolerance - mean) / root)
    return min(1.0, max(0.0, 0.5 * (upper - lower)))


def zero_of(view: str, options: AlignOptions) -> float:
    """Degrees of rotation that count as square in this view."""
    return options.ap_rotation_zero if view == "AP" else 0.0


def square_probability(hypotheses: Sequence[Hypothesis], view: str, options: AlignOptions) -> float:
    """Calibrated probability that both angles lie within the tolerance, over all hypotheses."""
    zero, tolerance = zero_of(view, options), options.tolerance_deg
    raw = sum(
        h.probability
        * within(h.rotation_deg - zero, h.rotation_sd * options.widening, tolerance)
        * within(h.tilt_deg, h.tilt_sd * options.widening, tolerance)
        for h in hypotheses
    )
    return calibrated(min(1.0, max(0.0, raw)), options)


def calibrated(probability: float, options: AlignOptions) -> float:
    """`probability` through the temperature, then the table."""
    if options.temperature != 1.0 and 0.0 < probability < 1.0:
        logit = math.log(probability / (1.0 - probability)) / options.temperature
        probability = 1.0 / (1.0 + math.exp(-logit))
    if options.table_raw:
        probability = float(np.interp(probability, options.table_raw, options.table_calibrated))
    return probability


def verdict(probability: float, view: str, flexion_deg: float | None) -> Square:
    """yes from 0.8, no up to 0.2, else cannot tell; AP beyond 45 degrees of flexion cannot."""
    if view == "AP" and flexion_deg is not None and flexion_deg > AP_FLEXION_LIMIT_DEG:
        return "cannot tell"
    if probability >= YES_FROM:
        return "yes"
    return "no" if probability <= NO_UPTO else "cannot tell"


def score(rotation_deg: float, tilt_deg: float) -> float:
    """100 at square on, 0 from 10 degrees in either angle (the verdict's zero taken off)."""
    worst = max(abs(rotation_deg), abs(tilt_deg))
    return min(100.0, max(0.0, 100.0 * (1.0 - worst / 10.0)))


def interval_90(mean: float, sd: float, widening: float) -> Interval:
    """90 % interval of one angle under one hypothesis, degrees."""
    half = Z90 * sd * widening
    return (mean - half, mean + half)


def hull(intervals: Sequence[Interval]) -> Interval:
    """The smallest interval that covers all."""
    return (min(lo for lo, _ in intervals), max(hi for _, hi in intervals))
