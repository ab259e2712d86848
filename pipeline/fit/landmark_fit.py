"""Pose from landmarks alone: a three-dimensional knee fitted by the full projective model."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.fit.beam_model import ROTATION, TIP, BeamModel
from pipeline.fit.describing import described
from pipeline.fit.fusion import Belief, hypotheses_of, merged, shares_of
from pipeline.fit.knee_shape import KneeShape, load_shape
from pipeline.fit.outlines import angles, angles_jacobian, touching_points
from pipeline.fit.preparing import canonical, is_mirrored, principal_of, start_of
from pipeline.fit.solve import Priors, Problem3D, Seen, Solution, swapped
from pipeline.knee.detection import Detection, Pose
from pipeline.knee.errors import Problem
from pipeline.knee.film import Film
from pipeline.knee.landmarks import View

Array = NDArray[np.float64]

CONDYLE_PAIRS = tuple(
    (f"medial_{rest}", f"lateral_{rest}")
    for rest in (
        "condyle_distal",
        "condyle_posterior",
        "plateau_anterior",
        "plateau_posterior",
    )
)


NEGLIGIBLE = 1e-4
"""Support of a tube side, against the other, below which it is not asked."""


@dataclass(frozen=True)
class Explanations:
    """What the landmarks allow: on a lateral film one entry per naming of the condyles.

    Attributes:
        mirrored: whether the film was mirrored to fit a right knee.
        beliefs, weights: of (rotation, tilt), and how far each is supported (not normalised).
        solutions: per naming, one for each tube side.
    """

    mirrored: bool
    beliefs: tuple[Belief, ...]
    weights: tuple[float, ...]
    solutions: tuple[tuple[Solution, ...], ...]

    def best(self, naming: int) -> Solution:
        """The likeliest solution of a naming."""
        return min(self.solutions[naming], key=lambda s: s.cost)


@dataclass(frozen=True)
class LandmarkFit:
    """Fits the compact knee to the detected landmarks and their covariances.

    The network's own reading of the angles is not used.

    Attributes:
        sd_factor: factor on the landmarks' standard deviations (calibration).
        ap_sd_factor, lateral_sd_factor: (rotation, tilt) factors on the deviations of the angles
            of each view, so that 90 % intervals hold 90 % of held-out films (`sd_factor_90` of
            `squareon assess`).
        named_probability: on a lateral film, probability that the detector has the condyles'
            names right, where it does not say itself.
        evidence: weight of the fits' costs in the choice between tube sides (calibration); below 1
            because shapes outside the model count as evidence too.
        naming_evidence: the same in the choice between the two namings of the condyles.
        naming_trust: weight of the detector's own log odds of its naming (calibration).
        rotation_prior_deg, tip_prior_deg: standard deviations before the film is seen.
        flexion_prior_deg: (mean, standard deviation) for AP; laterals show the flexion.
        source_distance_mm: assumed source-to-knee distance, and the relative deviation.
        joint_slack: (degrees, mm) by which real joints may leave the law of the shape file.
    """

    sd_factor: float = 1.0
    ap_sd_factor: tuple[float, float] = (1.0, 1.0)
    lateral_sd_factor: tuple[float, float] = (1.0, 1.0)
    named_probability: float = 0.8
    evidence: float = 0.5
    naming_evidence: float = 0.25
    naming_trust: float = 0.3
    rotation_prior_deg: float = 15.0
    tip_prior_deg: float = 25.0
    flexion_prior_deg: tuple[float, float] = (12.0, 15.0)
    source_distance_mm: tuple[float, float] = (1000.0, 0.12)
    joint_slack: tuple[float, float] = (1.5, 1.0)

    def estimate(self, film: Film, detection: Detection) -> Pose:
        """The pose of an AP or lateral knee.

        Raises `Problem` for another view and where the landmarks do not allow a pose.
        """
        return self.pose(film, detection, self.explain(film, detection))

    def explain(
        self, film: Film, detection: Detection, start_deg: tuple[float, float] = (0.0, 0.0)
    ) -> Explanations:
        """The fits, started from (rotation, tilt). Raises as `estimate` does."""
        if detection.view not in ("AP", "lateral"):
            raise Problem(film.source, "the view is neither AP nor lateral", "read another film")
        view: View = "AP" if detection.view == "AP" else "lateral"
        shape = load_shape()
        mirrored = is_mirrored(detection)
        seen = canonical(detection, film, mirrored, self.sd_factor)
        if not (np.isfinite(seen.xy).all() and np.isfinite(seen.covariance).all()):
            raise Problem(film.source, "the landmarks are not numbers", "report this film")
        principal = principal_of(film, mirrored)
        priors = self._priors(film, view)
        start = start_of(shape, view, seen, principal, priors, start_deg)
        solutions = self._solve(shape, view, seen, principal, priors, start)

        support = [0.0]
        if view == "lateral":
            flip = getattr(detection.direct, "flip_probability", None)
            named = self.named_probability if flip is None else 1.0 - float(flip)
            named = float(np.clip(named, 1e-4, 1.0 - 1e-4))
            support = [self.naming_trust * float(np.log(named / (1.0 - named))), 0.0]
        lowest = min(s.cost for pair in solutions for s in pair)
        beliefs: list[Belief] = []
        weights: list[float] = []
        for word, pair in zip(support, solutions, strict=True):
            costs = np.array([s.cost for s in pair])
            sides = np.exp(-0.5 * self.evidence * (costs - costs.min()))
            counts = [i for i, share in enumerate(sides) if share > NEGLIGIBLE]
            beliefs.append(merged([belief_of(pair[i]) for i in counts], sides[counts].tolist()))
            cost = self.naming_evidence * (costs.min() - lowest)
            weights.append(float(np.exp(word - max(support) - 0.5 * cost)))
        return Explanations(mirrored, tuple(beliefs), tuple(weights), tuple(map(tuple, solutions)))

    def pose(self, film: Film, detection: Detection, found: Explanations) -> Pose:
        """The pose by what was found."""
        shares = shares_of(found.weights)
        order = sorted(range(len(shares)), key=lambda i: -shares[i])
        factor = self.ap_sd_factor if detection.view == "AP" else self.lateral_sd_factor
        hypotheses = tuple(
            replace(h, rotation_sd=h.rotation_sd * factor[0], tilt_sd=h.tilt_sd * factor[1])
            for h in hypotheses_of([found.beliefs[i] for i in order], [shares[i] for i in order])
        )
        return described(film, found.mirrored, found.best(order[0]), hypotheses)

    def _priors(self, film: Film, view: View) -> Priors:
        sod, relative = self.source_distance_mm
        if film.header.sod_mm:
            sod, relative = film.header.sod_mm, 0.03
        scale = film.scale.mm_per_px_knee
        flexion = self.flexion_prior_deg if view == "AP" else (30.0, 40.0)
        return Priors(
            log_g=0.0 if scale is None else -float(np.log(scale)),
            log_g_sd=3.0 if scale is None else 0.05,
            log_d=float(np.log(sod)),
            log_d_sd=relative,
            rotation_sd=float(np.radians(self.rotation_prior_deg)),
            tip_sd=float(
                np.radians(self.tip_prior_deg if view == "AP" else self.rotation_prior_deg)
            ),
            flexion=float(np.radians(flexion[0])),
            flexion_sd=float(np.radians(flexion[1])),
            joint_slack=self.joint_slack,
        )

    def _solve(
        self,
        shape: KneeShape,
        view: View,
        seen: Seen,
        principal: Array,
        priors: Priors,
        start: Array,
    ) -> Sequence[Sequence[Solution]]:
        """Per naming (as named; on a lateral also exchanged), a solution per tube side."""
        near, far = (BeamModel(shape, view, side, principal) for side in (1.0, -1.0))
        first = Problem3D(near, seen, priors).solve(start, 25)
        second = Problem3D(far, seen, priors).solve(first.theta, 12, first.cost)
        if view == "AP":
            return [[first, second]]
        other = swapped(seen, CONDYLE_PAIRS)
        best = min((first, second), key=lambda s: s.cost)
        turned = best.theta.copy()
        turned[[ROTATION, TIP]] *= -1.0
        crossed = [
            Problem3D(model, other, priors).solve(turned, 20, best.cost) for model in (near, far)
        ]
        return [[first, second], crossed]


def belief_of(solution: Solution) -> Belief:
    """(rotation, tilt) by one solution."""
    model, theta = solution.model, solution.theta
    held = touching_points(model, theta)
    mean = angles(model, theta[None], held)[0]
    jacobian = angles_jacobian(model, theta, held)
    return Belief(mean, jacobian @ solution.covariance @ jacobian.T)
