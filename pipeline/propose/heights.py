"""Heights of the targets on a lateral film: from the partner film, else from the fitted knee."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.align.points import Array, Spot, femur_up, spot, tibia_up
from pipeline.contracts import Sight

PARTNER = "partner AP film"
FITTED = "fitted knee"


@dataclass(frozen=True)
class Height:
    """A point on the shaft's axis at the wanted height, with its (2, 2) covariance, pixels."""

    xy: Array
    covariance: Array
    source: str


def joint_point(sight: Sight, bone: str) -> Spot | None:
    """Middle of the distal condyles, or of the four rim points."""
    if bone == "femur":
        names = [f"{side}_condyle_distal" for side in ("medial", "lateral")]
    else:
        names = [
            f"{s}_plateau_{e}" for s in ("medial", "lateral") for e in ("anterior", "posterior")
        ]
    found = [s for s in (spot(sight, n) for n in names) if s is not None]
    if len(found) < len(names):
        return None
    covariance = np.sum([s.covariance for s in found], axis=0) / len(found) ** 2
    return Spot(np.mean([s.xy for s in found], axis=0), covariance)


def film_ratio(ap: Sight, lateral: Sight) -> tuple[float, float] | None:
    """Lateral pixels per AP pixel at the knee, and its relative standard deviation.

    From both films' scale; else from the height of the adductor tubercle above the condyles,
    a length along the shaft that both films show of one knee.
    """
    a, b = ap.film.scale.mm_per_px_knee, lateral.film.scale.mm_per_px_knee
    if a is not None and b is not None:
        return a / b, 0.02
    heights = []
    for sight in (ap, lateral):
        tip, joint, up = (
            spot(sight, "adductor_tubercle"),
            joint_point(sight, "femur"),
            femur_up(sight),
        )
        if tip is None or joint is None:
            return None
        length = float((tip.xy - joint.xy) @ up)
        if length <= 0:
            return None
        variance = float(up @ (tip.covariance + joint.covariance) @ up)
        heights.append((length, variance / length**2))
    return heights[1][0] / heights[0][0], float(np.sqrt(heights[0][1] + heights[1][1]))


def from_partner(lateral: Sight, ap_point: Spot, bone: str) -> Height | None:
    """The height of a point of the partner AP film, carried over to the lateral film."""
    ap = lateral.partner
    if ap is None:
        return None
    ratio = film_ratio(ap, lateral)
    here, there = joint_point(lateral, bone), joint_point(ap, bone)
    if ratio is None or here is None or there is None:
        return None
    ap_up = femur_up(ap) if bone == "femur" else tibia_up(ap)
    up = femur_up(lateral) if bone == "femur" else tibia_up(lateral)
    length = float((ap_point.xy - there.xy) @ ap_up)
    variance = float(ap_up @ (ap_point.covariance + there.covariance) @ ap_up) * ratio[0] ** 2
    variance += (length * ratio[0] * ratio[1]) ** 2 + float(up @ here.covariance @ up)
    xy = here.xy + length * ratio[0] * up
    return Height(xy, variance * np.outer(up, up), PARTNER)


def from_fit(lateral: Sight, name: str, bone: str) -> Height | None:
    """The height of a named point of the fitted knee."""
    if name not in lateral.pose.heights:
        return None
    up = femur_up(lateral) if bone == "femur" else tibia_up(lateral)
    covariance = lateral.pose.heights_covariance.get(name)
    if covariance is None:
        # Spread of flare heights between knees that look alike, 0.03 W; a fit states its own.
        covariance = (0.03 * lateral.pose.width_px) ** 2 * np.outer(up, up)
    return Height(np.asarray(lateral.pose.heights[name]), np.asarray(covariance), FITTED)
