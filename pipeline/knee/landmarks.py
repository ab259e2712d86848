"""Names of the landmarks, per view (docs/explanation/conventions.md says what each one is).

Names are anatomical, never left and right. `fixed` landmarks are one point of the bone,
projected; `contour` landmarks are extremes of the projected outline, so they move over the
bone as the beam moves.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

View = Literal["AP", "lateral"]
Kind = Literal["fixed", "contour"]
Bone = Literal["femur", "tibia", "patella", "fibula"]


@dataclass(frozen=True)
class Landmark:
    """One landmark: its name, the bone it lies on, how it is defined, the views that show it."""

    name: str
    bone: Bone
    kind: Kind
    views: tuple[View, ...]


_AP: tuple[View, ...] = ("AP",)
_LATERAL: tuple[View, ...] = ("lateral",)
_BOTH: tuple[View, ...] = ("AP", "lateral")

LANDMARKS: tuple[Landmark, ...] = (
    Landmark("medial_epicondyle", "femur", "contour", _AP),
    Landmark("lateral_epicondyle", "femur", "contour", _AP),
    Landmark("adductor_tubercle", "femur", "fixed", _BOTH),
    Landmark("medial_condyle_distal", "femur", "contour", _BOTH),
    Landmark("lateral_condyle_distal", "femur", "contour", _BOTH),
    Landmark("medial_condyle_posterior", "femur", "contour", _LATERAL),
    Landmark("lateral_condyle_posterior", "femur", "contour", _LATERAL),
    Landmark("trochlea_anterior", "femur", "contour", _LATERAL),
    Landmark("notch_apex", "femur", "contour", _AP),
    Landmark("medial_femoral_flare", "femur", "contour", _AP),
    Landmark("lateral_femoral_flare", "femur", "contour", _AP),
    Landmark("femoral_shaft_medial_low", "femur", "contour", _AP),
    Landmark("femoral_shaft_medial_high", "femur", "contour", _AP),
    Landmark("femoral_shaft_lateral_low", "femur", "contour", _AP),
    Landmark("femoral_shaft_lateral_high", "femur", "contour", _AP),
    Landmark("femoral_shaft_anterior_low", "femur", "contour", _LATERAL),
    Landmark("femoral_shaft_anterior_high", "femur", "contour", _LATERAL),
    Landmark("femoral_shaft_posterior_low", "femur", "contour", _LATERAL),
    Landmark("femoral_shaft_posterior_high", "femur", "contour", _LATERAL),
    Landmark("medial_plateau_edge", "tibia", "contour", _AP),
    Landmark("lateral_plateau_edge", "tibia", "contour", _AP),
    Landmark("medial_plateau_anterior", "tibia", "fixed", _BOTH),
    Landmark("medial_plateau_posterior", "tibia", "fixed", _BOTH),
    Landmark("lateral_plateau_anterior", "tibia", "fixed", _BOTH),
    Landmark("lateral_plateau_posterior", "tibia", "fixed", _BOTH),
    Landmark("medial_spine", "tibia", "fixed", _AP),
    Landmark("lateral_spine", "tibia", "fixed", _AP),
    Landmark("medial_tibial_flare", "tibia", "contour", _AP),
    Landmark("tibial_shaft_medial_high", "tibia", "contour", _AP),
    Landmark("tibial_shaft_medial_low", "tibia", "contour", _AP),
    Landmark("tibial_shaft_lateral_high", "tibia", "contour", _AP),
    Landmark("tibial_shaft_lateral_low", "tibia", "contour", _AP),
    Landmark("tibial_shaft_anterior_high", "tibia", "contour", _LATERAL),
    Landmark("tibial_shaft_anterior_low", "tibia", "contour", _LATERAL),
    Landmark("tibial_shaft_posterior_high", "tibia", "contour", _LATERAL),
    Landmark("tibial_shaft_posterior_low", "tibia", "contour", _LATERAL),
    Landmark("patella_superior", "patella", "contour", _BOTH),
    Landmark("patella_inferior", "patella", "contour", _BOTH),
    Landmark("patella_medial", "patella", "contour", _AP),
    Landmark("patella_lateral", "patella", "contour", _AP),
    Landmark("fibular_head", "fibula", "fixed", _BOTH),
    Landmark("tibial_tuberosity", "tibia", "contour", _LATERAL),
)

BY_NAME: dict[str, Landmark] = {landmark.name: landmark for landmark in LANDMARKS}


def names_of(view: View) -> tuple[str, ...]:
    """Names of the landmarks of one view, in the order every array of them uses."""
    return tuple(landmark.name for landmark in LANDMARKS if view in landmark.views)
