"""The knee of one film, fitted, and how it would look turned otherwise in the same beam."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.fit.beam_model import ROTATION, TIP
from pipeline.fit.describing import described
from pipeline.fit.landmark_fit import LandmarkFit
from pipeline.fit.outlines import angles, angles_jacobian, condyles, touching_points
from pipeline.fit.solve import Solution
from pipeline.knee.detection import Detection, Hypothesis, Pose
from pipeline.knee.errors import Problem
from pipeline.knee.film import Film

Array = NDArray[np.float64]

CLOSE_DEG = 0.01
ROUNDS = 12


@dataclass(frozen=True)
class FittedKnee:
    """A knee fitted to one film.

    Attributes:
        film: gives the size of the picture, scale and central ray; its pixels are not asked.
        mirrored: whether the film was mirrored to fit a right knee.
        solution: the fit.
    """

    film: Film
    mirrored: bool
    solution: Solution

    @staticmethod
    def of(
        film: Film, detection: Detection, estimator: LandmarkFit, pose: tuple[float, float]
    ) -> FittedKnee:
        """The fit whose (rotation, tilt) in degrees lie nearest to `pose`.

        On a lateral film the condyles may be named either way: `pose` says which was meant. Raises
        `Problem` where the landmarks allow no fit.
        """
        found = estimator.explain(film, detection, pose)
        off = [float(np.linalg.norm(belief.mean - np.array(pose))) for belief in found.beliefs]
        return FittedKnee(film, found.mirrored, found.best(int(np.argmin(off))))

    @property
    def angles(self) -> tuple[float, float]:
        """(rotation, tilt) of the fitted knee, degrees."""
        model, theta = self.solution.model, self.solution.theta
        found = angles(model, theta[None], touching_points(model, theta))[0]
        return float(found[0]), float(found[1])

    def turned(self, rotation_deg: float, tilt_deg: float) -> FittedKnee:
        """The same knee in the same place, seen by a beam that shows these angles.

        Shape, joints, distances and the place of the femur's origin on the film are kept. Raises
        `Problem` where no turn of the femur gives these angles.
        """
        model, theta = self.solution.model, self.solution.theta.copy()
        held = touching_points(model, theta)
        goal, place = np.array([rotation_deg, tilt_deg]), [ROTATION, TIP]
        for _ in range(ROUNDS):
            off = goal - angles(model, theta[None], held)[0]
            if np.abs(off).max() < CLOSE_DEG:
                placed = model.place(theta)
                return replace(self, solution=replace(self.solution, theta=theta, placed=placed))
            slope = angles_jacobian(model, theta, held)[:, place]
            step = np.linalg.lstsq(slope, off, rcond=None)[0]
            theta[place] += np.clip(step, -0.3, 0.3)
        raise Problem(
            self.film.source,
            f"no turn of the fitted knee gives {rotation_deg:.0f} and {tilt_deg:.0f} degrees",
            "look at the film itself",
        )

    def pose(self) -> Pose:
        """The knee as a pose: outline, landmarks, directions on the film."""
        rotation, tilt = self.angles
        certain = (Hypothesis(rotation, 0.0, tilt, 0.0, 1.0),)
        return described(self.film, self.mirrored, self.solution, certain)

    def condyles(self) -> dict[str, Array]:
        """`medial` and `lateral` to (N, 2) pixels: the edge of each condyle by itself."""
        found = condyles(self.solution.model, self.solution.theta)
        if not self.mirrored:
            return found
        shift = np.array([self.film.columns - 1.0, 0.0])
        return {side: xy * (-1.0, 1.0) + shift for side, xy in found.items()}
