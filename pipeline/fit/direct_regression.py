"""Pose straight from the network's own angles, without a three-dimensional knee."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.fit.fusion import Belief, hypotheses_of, shares_of
from pipeline.knee.angles import roll_of
from pipeline.knee.detection import Detection, DirectPose, Pose
from pipeline.knee.errors import Problem
from pipeline.knee.film import Film

Array = NDArray[np.float64]

TURNED = np.array([-1.0, -1.0])
"""Signs of (rotation, tilt) when the condyles of a lateral film were taken for each other."""


def belief_in(direct: DirectPose, named: bool = True) -> Belief:
    """The network's angles with independent errors; with the condyles exchanged, if not `named`."""
    mean = np.array([direct.rotation_deg, direct.tilt_deg])
    sd = np.maximum([direct.rotation_sd, direct.tilt_sd], 1e-3)
    return Belief(mean if named else TURNED * mean, np.diag(sd**2))


@dataclass(frozen=True)
class DirectRegression:
    """The angles as the network reads them off the crop.

    Roll and width come from the landmarks themselves. There is no fitted knee: pictures show no
    outline, and lateral proposals need the AP partner.

    Attributes:
        ap_sd_factor, lateral_sd_factor: (rotation, tilt) factors on the network's deviations in
            each view, so that 90 % intervals hold 90 % of held-out films (`sd_factor_90` of
            `squareon assess`).
    """

    ap_sd_factor: tuple[float, float] = (1.0, 1.0)
    lateral_sd_factor: tuple[float, float] = (1.0, 1.0)

    def estimate(self, film: Film, detection: Detection) -> Pose:
        """The pose of an AP or lateral knee.

        Raises `Problem` for another view and for a detector that reads no angles.
        """
        direct = detection.direct
        if detection.view not in ("AP", "lateral"):
            raise Problem(film.source, "the view is neither AP nor lateral", "read another film")
        if direct is None:
            raise Problem(
                film.source, "the detector reads no angles itself", "use pose=landmark_fit"
            )
        if not np.isfinite(detection.xy).all():
            raise Problem(film.source, "the landmarks are not numbers", "report this film")
        lateral = detection.view == "lateral"
        beliefs, weights = [belief_in(direct)], [1.0 - direct.flip_probability * lateral]
        if lateral:
            beliefs.append(belief_in(direct, named=False))
            weights.append(direct.flip_probability)
        factor = np.array(self.lateral_sd_factor if lateral else self.ap_sd_factor)
        scaled = [Belief(b.mean, b.covariance * np.outer(factor, factor)) for b in beliefs]
        order = sorted(range(len(weights)), key=lambda i: -weights[i])
        shares = shares_of([weights[i] for i in order])
        return Pose(
            hypotheses=hypotheses_of([scaled[i] for i in order], shares),
            roll_deg=roll_of(_shaft(detection)),
            flexion_deg=direct.flexion_deg,
            off_centre_deg=None,
            width_px=_width(detection),
        )


def _at(detection: Detection, *names: str) -> Array:
    """(2,) mean of landmarks, pixels."""
    return np.asarray(np.mean([detection.xy[detection.names.index(n)] for n in names], axis=0))


def _shaft(detection: Detection) -> Array:
    """(2,) way up the femoral shaft on the film."""
    sides = ("medial", "lateral") if detection.view == "AP" else ("anterior", "posterior")
    high, low = (
        _at(detection, *(f"femoral_shaft_{side}_{end}" for side in sides))
        for end in ("high", "low")
    )
    return high - low


def _width(detection: Detection) -> float:
    """W between the epicondyles; C from the trochlea to the more posterior condyle; pixels.

    Both at right angles to the femoral shaft.
    """
    up = _shaft(detection)
    out = np.array([-up[1], up[0]]) / max(float(np.hypot(*up)), 1e-9)
    if detection.view == "AP":
        step = _at(detection, "lateral_epicondyle") - _at(detection, "medial_epicondyle")
        return abs(float(step @ out))
    front = _at(detection, "trochlea_anterior")
    ends = [_at(detection, f"{side}_condyle_posterior") for side in ("medial", "lateral")]
    return max(abs(float((front - end) @ out)) for end in ends)
