"""Angles from landmarks by the parallel-beam formula: sin(angle) = offset / lever.

What a person with a ruler would do: on a lateral film the distance between the two condyles'
posterior edges tells the rotation and that between their distal edges the tilt; on an AP film the
patella's distance from the middle of the condyles and the gap between the plateau's rims. The cone
of the beam and the knee's own shape are left out, so off-centring looks like rotation.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.baselines.averages import averages
from models.onnx_detector import fit_similarity
from pipeline.knee.angles import roll_of
from pipeline.knee.detection import Detection, Hypothesis, Pose
from pipeline.knee.errors import Problem
from pipeline.knee.film import Film
from pipeline.knee.landmarks import View

Array = NDArray[np.float64]


def offsets(view: View, points: Mapping[str, Array]) -> tuple[float, float]:
    """(for rotation, for tilt) in W, from landmarks in the oriented crop, W from its middle.

    There x runs away from the lateral side (on laterals away from the patella), y distally.
    """
    if view == "lateral":
        post = points["lateral_condyle_posterior"] - points["medial_condyle_posterior"]
        distal = points["lateral_condyle_distal"] - points["medial_condyle_distal"]
        return float(post[0]), float(distal[1])
    middle = (points["medial_condyle_distal"] + points["lateral_condyle_distal"]) / 2
    patella = (points["patella_medial"] + points["patella_lateral"]) / 2
    gaps = [
        points[f"{side}_plateau_anterior"][1] - points[f"{side}_plateau_posterior"][1]
        for side in ("medial", "lateral")
    ]
    return float(patella[0] - middle[0]), float(np.mean(gaps))


@dataclass(frozen=True)
class ParallelBeam:
    """Reads the angles off the landmarks; its deviations are those left on training films."""

    def estimate(self, film: Film, detection: Detection) -> Pose:
        """The pose. Raises `Problem` for another view or landmarks that are not numbers."""
        view = detection.view
        if view not in ("AP", "lateral"):
            raise Problem(film.source, "the view is neither AP nor lateral", "read another film")
        if not np.isfinite(detection.xy).all():
            raise Problem(film.source, "landmarks are missing", "give all of the view")
        mean = averages(view)
        # in the mean shape's own frame: mirrored as the film is, turned and scaled to fit
        flip = np.array([_handed(detection, mean.places), 1.0])
        linear, shift = fit_similarity(mean.places * flip, detection.xy, np.ones(len(mean.places)))
        width = float(np.hypot(linear[0, 0], linear[1, 0]))
        inside = (detection.xy - shift) @ np.linalg.inv(linear).T * flip
        points = dict(zip(detection.names, inside, strict=True))
        sines = np.array(offsets(view, points)) / mean.levers[:, 0] + mean.levers[:, 1]
        rotation, tilt = np.degrees(np.arcsin(np.clip(sines, -0.7, 0.7)))
        up = linear @ np.array([0.0, -1.0]) / width
        return Pose(
            hypotheses=(
                Hypothesis(
                    float(rotation),
                    float(mean.residual[0]),
                    float(tilt),
                    float(mean.residual[1]),
                    1.0,
                ),
            ),
            roll_deg=float(roll_of(up)),
            flexion_deg=None,
            off_centre_deg=None,
            width_px=width,
            femur_up=up,
        )


def _handed(detection: Detection, mean: Array) -> float:
    """-1 where the film shows the crop's mirror image, by which fits the landmarks better."""

    def misfit(sign: float) -> float:
        source = mean * np.array([sign, 1.0])
        linear, shift = fit_similarity(source, detection.xy, np.ones(len(mean)))
        return float(((source @ linear.T + shift - detection.xy) ** 2).sum())

    return -1.0 if misfit(-1.0) < misfit(1.0) else 1.0
