"""Is what was read a knee on an AP or lateral film at all? A calibrated score, and its threshold.

A network draws landmarks on whatever it is shown. What gives it away on a chest, a photograph or a
skyline view is that it hardly knows where they are: their ellipses grow, the angles read directly
become uncertain, and the view is not quite sure. How well a knee's shape explains the landmarks
tells little: a network that guesses guesses something like the mean knee.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.knee.detection import Detection, Pose

USUAL_SPREAD = 0.02
"""Of the landmarks on a good film: the upper quartile of their deviations, in knee widths."""
USUAL_FLEXION_SD = 3.0
USUAL_ROTATION_SD = 1.5
USUAL_VIEW_DOUBT = 0.001
LEAST_VIEW_DOUBT = 1e-4
"""Below this a doubt of the view is as good as none: networks' probabilities end somewhere."""

REASONS = {
    "spread": "its landmarks can hardly be placed",
    "flexion": "how far it is bent can hardly be told",
    "rotation": "how it is turned can hardly be told",
    "view": "the view is in doubt",
}


@dataclass(frozen=True)
class Plausibility:
    """The probability that a reading is one of a knee on an AP or lateral film.

    Logistic in the logarithms of four doubts, each over its usual size on good films. Fitted by
    `tests/films/abstention.py` to synthetic knees against pictures of something else.

    Attributes:
        least: below this probability a knee is refused; 0 = never.
        intercept: log odds of doubt where every sign is as usual.
        spread: weight of the landmarks' deviations (upper quartile, in knee widths).
        flexion, rotation: weights of the deviations of the directly read angles.
        view: weight of the doubt about the view.
    """

    least: float = 0.9
    intercept: float = -5.25
    spread: float = 1.35
    flexion: float = 1.11
    rotation: float = 0.71
    view: float = 1.19

    def probability(self, detection: Detection, pose: Pose) -> float:
        """That this is a knee and the view is its own."""
        found = doubts(detection, pose)
        z = self.intercept + sum(getattr(self, name) * value for name, value in found.items())
        return float(1.0 / (1.0 + np.exp(np.clip(z, -50.0, 50.0))))

    def refusal(self, detection: Detection, pose: Pose) -> str | None:
        """The sentence with which the knee is refused, or None."""
        probability = self.probability(detection, pose)
        if probability >= self.least:
            return None
        found = doubts(detection, pose)
        chief = max(found, key=lambda name: getattr(self, name) * found[name])
        return (
            "what was found is hardly a knee as AP and lateral films show it "
            f"(plausibility {probability:.2f}, at least {self.least:g} is asked for): "
            f"{REASONS[chief]}"
        )


def doubts(detection: Detection, pose: Pose) -> dict[str, float]:
    """Logarithm of each sign of doubt over its usual size; 0 where nothing is known of it."""
    found = dict.fromkeys(REASONS, 0.0)
    if len(detection.covariance):
        sd = np.sqrt(np.sqrt(np.maximum(np.linalg.det(detection.covariance), 0.0)))
        spread = float(np.percentile(sd, 75)) / max(pose.width_px, 1e-9)
        found["spread"] = _log(spread / USUAL_SPREAD)
    direct = detection.direct
    if direct is not None:
        found["flexion"] = _log(direct.flexion_sd / USUAL_FLEXION_SD)
        found["rotation"] = _log(direct.rotation_sd / USUAL_ROTATION_SD)
    doubt = max(1.0 - detection.view_probability, LEAST_VIEW_DOUBT)
    found["view"] = _log(doubt / USUAL_VIEW_DOUBT)
    return found


def _log(ratio: float) -> float:
    return float(np.log(np.clip(ratio, 1e-3, 1e3)))
