"""Pose from both: the knee fitted to the landmarks, and the network's own angles."""

from __future__ import annotations

from dataclasses import dataclass, replace

from pipeline.fit.direct_regression import belief_in
from pipeline.fit.fusion import contradiction, fused, hypotheses_of
from pipeline.fit.landmark_fit import LandmarkFit
from pipeline.knee.detection import Detection, Pose
from pipeline.knee.film import Film


@dataclass(frozen=True)
class FusedPose(LandmarkFit):
    """The landmark fit combined with the network's own reading of the angles.

    Per naming of the condyles and per angle, the best linear unbiased combination of the two; with
    the condyles exchanged the network's angles count with the opposite signs. The result lies
    between the two, and where they differ by more than two deviations its interval grows with the
    difference. Without angles from the network this is the landmark fit.

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
        others = [belief_in(direct, named=i == 0) for i in range(len(found.beliefs))]
        both = tuple(
            fused(belief, other, self.direct_correlation)
            for belief, other in zip(found.beliefs, others, strict=True)
        )
        pose = self.pose(film, detection, replace(found, beliefs=both))
        i = max(range(len(both)), key=lambda i: found.weights[i])
        alone = {
            "landmark_fit": hypotheses_of([found.beliefs[i]], [1.0])[0],
            "direct_regression": hypotheses_of([others[i]], [1.0])[0],
        }
        torn = contradiction(found.beliefs[i], others[i])
        return replace(pose, estimates=alone, quality={**pose.quality, "contradiction": torn})
