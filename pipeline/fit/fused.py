"""Pose from both: the knee fitted to the landmarks, and the network's own angles."""

from __future__ import annotations

from dataclasses import dataclass, replace

from pipeline.fit.direct_regression import belief_in
from pipeline.fit.fusion import fused
from pipeline.fit.landmark_fit import LandmarkFit
from pipeline.knee.detection import Detection, Pose
from pipeline.knee.film import Film


@dataclass(frozen=True)
class FusedPose(LandmarkFit):
    """The landmark fit combined with the network's own reading of the angles.

    Per naming of the condyles and per angle, the best linear unbiased combination of the two. The
    result lies between them, and where they differ by more than two deviations its interval grows
    with the difference. A naming that the two agree on gains weight against one on which they
    do not. Without angles from the network this is the landmark fit.

    Attributes:
        direct_correlation: between the errors of the two readings, 0 to 1; both come from one
            crop, so they are not independent.
    """

    direct_correlation: float = 0.5

    def estimate(self, film: Film, detection: Detection) -> Pose:
        """As `LandmarkFit.estimate`."""
        direct = detection.direct
        if direct is None:
            return super().estimate(film, detection)
        found = self.explain(film, detection, (direct.rotation_deg, direct.tilt_deg))
        both = [
            fused(belief, belief_in(direct), self.direct_correlation) for belief in found.beliefs
        ]
        weights = [w * likelihood for w, (_, likelihood) in zip(found.weights, both, strict=True)]
        return self.pose(
            film,
            detection,
            replace(found, beliefs=tuple(b for b, _ in both), weights=tuple(weights)),
        )
