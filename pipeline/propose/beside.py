"""On which side of its bone a tip stands, and how far: told by the partner AP film, if by any."""

from __future__ import annotations

import numpy as np

from pipeline.align.points import Array, across, femur_up, px_of, tibia_up
from pipeline.contracts import Sight
from pipeline.knee.tips import bone_of
from pipeline.propose.depth import outline_extent
from pipeline.propose.heights import film_ratio, joint_point

SAME_HEIGHT_MM, SAME_HEIGHT_W = 8.0, 0.1
"""Tips of both films within this of one another, along the shaft, may be one tip."""


def beside(sight: Sight, tip: Array, bone: str) -> float | None:
    """Pixels of the lateral film from the bone's axis to its tip, + lateral.

    None without a partner, where no tip of the partner stands at the same height, or where several
    do that stand on different sides: then nothing is known.

    Args:
        tip: (2,) pixels of the lateral film; bone: the one that it belongs to there.
    """
    ap = sight.partner
    if ap is None or ap.detection.view != "AP" or not len(ap.detection.tips):
        return None
    ratio = film_ratio(ap, sight)
    here, there = joint_point(sight, bone), joint_point(ap, bone)
    outline = ap.pose.outline.get(bone)
    if ratio is None or here is None or there is None or outline is None:
        return None
    up, ap_up = _up(sight, bone), _up(ap, bone)
    lateral = across(ap, ap_up)
    height = float((tip - here.xy) @ up)
    limit = px_of(sight, SAME_HEIGHT_MM, SAME_HEIGHT_W)
    found: list[tuple[float, float]] = []
    for other in np.asarray(ap.detection.tips, dtype=np.float64):
        if _bone(ap, other) != bone:
            continue
        apart = abs(float((other - there.xy) @ ap_up) * ratio[0] - height)
        extent = outline_extent(np.asarray(outline), other, ap_up, lateral)
        if apart <= limit and extent is not None:
            found.append((apart, -(extent[0] + extent[1]) / 2 * ratio[0]))
    if not found or len({place > 0 for _, place in found}) > 1:
        return None
    return min(found)[1]


def _up(sight: Sight, bone: str) -> Array:
    return femur_up(sight) if bone == "femur" else tibia_up(sight)


def _bone(sight: Sight, tip: Array) -> str | None:
    """The bone of a tip on an AP film."""
    femur, tibia = joint_point(sight, "femur"), joint_point(sight, "tibia")
    if femur is None or tibia is None:
        return None
    return bone_of(
        float((tip - femur.xy) @ femur_up(sight)), float((tibia.xy - tip) @ tibia_up(sight))
    )
