"""What a detector finds on a film, and what a pose estimator makes of it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

FilmView = Literal["AP", "lateral", "other", "none"]
SEEN_FROM = 0.5
"""From this probability on a landmark counts as on the film and not hidden."""


@dataclass(frozen=True)
class DirectPose:
    """Angles a network reads straight off the crop, degrees; `sd` one standard deviation.

    Signs are those of the film's own view for the knee as a right knee. `flip_probability` is
    the chance that, on a lateral film, the medial and the lateral condyle were taken for each
    other: then the signs of rotation and tilt are the opposite ones.
    """

    rotation_deg: float
    rotation_sd: float
    tilt_deg: float
    tilt_sd: float
    flexion_deg: float
    flexion_sd: float
    flip_probability: float = 0.0


@dataclass(frozen=True)
class Detection:
    """One knee on one film, in pixels of the stored matrix.

    Attributes:
        box: (x0, y0, x1, y1) around the knee.
        view, view_probability: AP, lateral, other (a knee, another projection), none.
        lateral_to_right: on an AP film, True where the knee's lateral side is toward larger x.
            On a lateral film, True where the patella faces larger x.
        lateral_to_right_probability: of that value.
        side, side_probability: from the image alone, assuming an undeclared flip is absent.
        names: (K,) landmark names of the view, in the order of `names_of`.
        xy: (K, 2) pixels; every landmark has an estimate, seen or not.
        covariance: (K, 2, 2) square pixels.
        seen: (K,) probability that the landmark is on the film and not hidden.
        direct: the network's own reading of the angles, where it has one.
        found: probabilities of `implant`, `hardware`; absent keys mean not looked for.
        tips: (T, 2) pixels, tips of instruments.
    """

    box: tuple[float, float, float, float]
    view: FilmView
    view_probability: float
    lateral_to_right: bool
    lateral_to_right_probability: float
    side: Literal["right", "left"]
    side_probability: float
    names: tuple[str, ...]
    xy: NDArray[np.float64]
    covariance: NDArray[np.float64]
    seen: NDArray[np.float64]
    direct: DirectPose | None = None
    found: Mapping[str, float] = field(default_factory=dict)
    tips: NDArray[np.float64] = field(default_factory=lambda: np.zeros((0, 2)))


@dataclass(frozen=True)
class Hypothesis:
    """One explanation of the film: angles in degrees, `sd` one standard deviation."""

    rotation_deg: float
    rotation_sd: float
    tilt_deg: float
    tilt_sd: float
    probability: float


@dataclass(frozen=True)
class Pose:
    """How the knee stood in the beam.

    Attributes:
        hypotheses: likeliest first, probabilities sum to 1.
        roll_deg: in-plane angle of the femoral shaft, + = proximal end clockwise on the film.
        femur_up: (2,) unit vector of the projected Y_f on the film; None: along the shaft.
        flexion_deg: of the knee, or None where it cannot be told.
        off_centre_deg: share of the angles due to the ray's obliquity, None where the central
            ray is unknown; (rotation share, tilt share) in degrees.
        width_px: W (AP, epicondylar width) or C (lateral, condylar depth) on the film, pixels.
        fitted: landmark name to (x, y) pixels of the fitted 3-D knee, hidden ones too.
        fitted_covariance: same keys, (2, 2) square pixels.
        outline: bone name to (N, 2) pixels, the fitted 3-D knee's points for drawing.
        heights: named heights on the fitted knee, projected: `medial_femoral_flare`,
            `lateral_femoral_flare`, `medial_tibial_flare` to (x, y) pixels on the shaft axis.
        heights_covariance: same keys, (2, 2) square pixels.
        cautions: sentences to print.
        estimates: what each estimator said by itself, by name, where several were combined.
        quality: how well a knee explains what was found: `misfit` of the landmarks and `strain`
            of the knee's shape and joints (1 is usual), `contradiction` between estimators in
            standard deviations; absent keys mean not known.
    """

    hypotheses: tuple[Hypothesis, ...]
    roll_deg: float
    flexion_deg: float | None
    off_centre_deg: tuple[float, float] | None
    width_px: float
    fitted: Mapping[str, NDArray[np.float64]] = field(default_factory=dict)
    fitted_covariance: Mapping[str, NDArray[np.float64]] = field(default_factory=dict)
    outline: Mapping[str, NDArray[np.float64]] = field(default_factory=dict)
    heights: Mapping[str, NDArray[np.float64]] = field(default_factory=dict)
    heights_covariance: Mapping[str, NDArray[np.float64]] = field(default_factory=dict)
    cautions: tuple[str, ...] = ()
    femur_up: NDArray[np.float64] | None = None
    estimates: Mapping[str, Hypothesis] = field(default_factory=dict)
    quality: Mapping[str, float] = field(default_factory=dict)
