"""Instruments on the film: tips, and how deep they lie in the bone on a lateral film."""

from __future__ import annotations

import numpy as np

from pipeline.align.points import Array, px_of
from pipeline.contracts import Sight
from pipeline.knee.detection import Detection
from pipeline.knee.reading import Instrument
from pipeline.propose.depth import depth_percent

TIP_SD_W = 0.006
"""Standard deviation of a tip's place along each axis, in widths of the knee: half a millimetre,
what the network is off by on synthetic films."""

LEVER_MM, LEVER_W = 25.0, 0.3
"""How far from the middle of the bone an instrument may lie along the beam (design value, as for
targets): times the sine of the misalignment it is the shift that a depth is wrong by."""


def tips_alone(detection: Detection) -> tuple[Instrument, ...]:
    """The tips that the detector found, without depths."""
    return tuple(Instrument((float(x), float(y)), None, None) for x, y in detection.tips)


def instruments(sight: Sight) -> tuple[Instrument, ...]:
    """The tips that the detector found, with their depths where the film allows one."""
    sd = TIP_SD_W * sight.pose.width_px
    return tuple(instrument(sight, np.asarray(tip), sd)[0] for tip in sight.detection.tips)


def instrument(sight: Sight, tip: Array, sd_px: float) -> tuple[Instrument, float | None]:
    """An instrument's tip with its depth in % of the shaft, and the misalignment's share of it.

    The 90 % interval is that of the cortices and the tip, widened on both sides by the shift
    that the film's rotation and tilt may bring for a tip that lies off the bone's middle.
    """
    at = (float(tip[0]), float(tip[1]))
    depth = depth_percent(sight, tip, sd_px)
    if depth is None:
        return Instrument(at, None, None), None
    percent, (low, high) = depth
    step = _percent_per_px(sight, tip)
    angle = max(
        float(np.hypot(h.rotation_deg, h.tilt_deg))
        for h in sight.pose.hypotheses
        if h.probability >= 0.1
    )
    shift = np.sin(np.radians(min(angle, 90.0))) * px_of(sight, LEVER_MM, LEVER_W) * step
    return Instrument(at, percent, (low - float(shift), high + float(shift))), float(shift)


def _percent_per_px(sight: Sight, tip: Array) -> float:
    """Change of the depth for a step of one pixel in its steepest direction."""
    slopes = []
    for axis in np.eye(2):
        ahead, back = depth_percent(sight, tip + axis), depth_percent(sight, tip - axis)
        if ahead is not None and back is not None:
            slopes.append((ahead[0] - back[0]) / 2)
    return float(np.linalg.norm(slopes)) if len(slopes) == 2 else 0.0
