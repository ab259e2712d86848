"""What is exactly true of a synthetic film: used to train, to score and to audit."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from pipeline.knee.film import Film
from pipeline.knee.tips import TipsTruth


@dataclass(frozen=True)
class KneeTruth:
    """One knee on one synthetic film, in pixels of that film.

    Attributes:
        view, side: as shown; `other` is a knee in another projection (skyline, oblique beyond
            25 degrees), whose landmark arrays are empty.
        lateral_to_right: as in `Detection`.
        names: (K,) landmark names in the order of `names_of(view)`.
        xy: (K, 2) pixels, also where not seen.
        normal: (K, 2) unit normal of the outline at contour landmarks; zeros for fixed ones.
        seen: (K,) bool, on the film.
        rotation_deg, tilt_deg, roll_deg, flexion_deg: by docs/explanation/conventions.md.
        off_centre_deg: (rotation, tilt) shares of the ray's obliquity.
        width_px: W on AP, C on lateral, pixels of the film.
        width_mm: epicondylar width in 3-D, mm.
        centre: (2,) pixels, projection of the femur's origin.
        up: (2,) unit vector on the film along the projected Y_f, proximal.
        mm_per_px_knee: at the femur's origin.
        tips: (T, 2) pixels, the tips of instruments, on the film or not.
        tips_truth: the same tips in the knee, and how deep each lies in its bone.
        tips_open: (T,) bool, whether the film shows anything there: False beyond its edge, behind
            a shutter or under a border or box; empty where that is not known.
        found: `implant` and `hardware`, 1.0 where there is one, else 0.0.
        facts: anatomy, camera and film settings that were drawn, plain values.
    """

    view: Literal["AP", "lateral", "other"]
    side: str
    lateral_to_right: bool
    names: tuple[str, ...]
    xy: NDArray[np.float64]
    normal: NDArray[np.float64]
    seen: NDArray[np.bool_]
    rotation_deg: float
    tilt_deg: float
    roll_deg: float
    flexion_deg: float
    off_centre_deg: tuple[float, float]
    width_px: float
    width_mm: float
    centre: NDArray[np.float64]
    up: NDArray[np.float64]
    mm_per_px_knee: float
    facts: Mapping[str, float | str] = field(default_factory=dict)
    tips: NDArray[np.float64] = field(default_factory=lambda: np.zeros((0, 2)))
    tips_truth: TipsTruth = field(default_factory=TipsTruth)
    tips_open: NDArray[np.bool_] = field(default_factory=lambda: np.zeros(0, dtype=bool))
    found: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class LabelledFilm:
    """A synthetic film and the truth about every knee on it (none: another body part).

    `film.scale` and `film.header` say only what a file would say; the truth is in `knees`.
    """

    film: Film
    knees: tuple[KneeTruth, ...]
