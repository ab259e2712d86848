"""Pose from landmarks: a three-dimensional knee fitted by the full projective model."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.fit.beam_model import (
    FLEXION,
    LOG_D,
    LOG_G,
    PATELLA,
    ROLL,
    ROTATION,
    TA,
    TB,
    TIBIA,
    TIP,
    BeamModel,
)
from pipeline.fit.fusion import Belief, fused, merged
from pipeline.fit.knee_shape import KneeShape, load_shape
from pipeline.fit.outlines import (
    angles,
    angles_jacobian,
    femur_axes,
    flexion_deg,
    heights,
    off_centre,
    outlines,
    shaft_ends,
    touching_points,
)
from pipeline.fit.solve import Priors, Problem3D, Seen, Solution, swapped
from pipeline.knee.angles import roll_of
from pipeline.knee.detection import Detection, Hypothesis, Pose
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
SEEN_FLOOR = 0.05
OUTLIERS_TO_MENTION = 4


@dataclass(frozen=True)
class LandmarkFit:
    """Fits the compact knee to the detected landmarks and their covariances.

    Attributes:
        use_direct: whether the network's own reading of the angles is fused in.
        direct_correlation: between the errors of the two readings, 0 to 1; both come from one
            crop, so they are not independent.
        sd_factor: factor on the landmarks' standard deviations (calibration).
        ap_sd_factor, lateral_sd_factor: (rotation, tilt) factors on the deviations of the angles
            of each view, so that 90 % intervals hold 90 % of held-out films (`sd_factor_90` of
            `squareon assess`).
        named_probability: on a lateral film, probability that the detector has the condyles'
            names right, where it does not say itself.
        evidence: weight of the fits' costs in the choice between hypotheses (calibration); below 1
            because shapes outside the model count as evidence too.
        rotation_prior_deg, tip_prior_deg: standard deviations before the film is seen.
        flexion_prior_deg: (mean, standard deviation) for AP; laterals show the flexion.
        source_distance_mm: assumed source-to-knee distance, and the relative deviation.
        joint_slack: (degrees, mm) by which real joints may leave the law of the shape file.
    """

    use_direct: bool = True
    direct_correlation: float = 0.5
    sd_factor: float = 1.0
    ap_sd_factor: tuple[float, float] = (1.0, 1.0)
    lateral_sd_factor: tuple[float, float] = (1.0, 1.0)
    named_probability: float = 0.8
    evidence: float = 0.5
    rotation_prior_deg: float = 15.0
    tip_prior_deg: float = 25.0
    flexion_prior_deg: tuple[float, float] = (12.0, 15.0)
    source_distance_mm: tuple[float, float] = (1000.0, 0.12)
    joint_slack: tuple[float, float] = (1.5, 1.0)

    def estimate(self, film: Film, detection: Detection) -> Pose:
        """The pose of an AP or lateral knee.

        Raises `Problem` for another view and where the landmarks do not allow a pose.
        """
        if detection.view not in ("AP", "lateral"):
            raise Problem(film.source, "the view is neither AP nor lateral", "read another film")
        view: View = "AP" if detection.view == "AP" else "lateral"
        shape = load_shape()
        mirrored = is_mirrored(detection)
        seen = _canonical(detection, film, mirrored, self.sd_factor)
        if not (np.isfinite(seen.xy).all() and np.isfinite(seen.covariance).all()):
            raise Problem(film.source, "the landmarks are not numbers", "report this film")
        principal = _principal(film, mirrored)
        priors = self._priors(film, view, shape)
        start = _start(shape, view, seen, principal, priors, detection)
        solutions = self._solve(shape, view, seen, principal, priors, start)
        return self._pose(film, detection, mirrored, view, solutions)

    def _priors(self, film: Film, view: View, shape: KneeShape) -> Priors:
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
    ) -> list[list[Solution]]:
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

    def _pose(
        self,
        film: Film,
        detection: Detection,
        mirrored: bool,
        view: View,
        solutions: Sequence[Sequence[Solution]],
    ) -> Pose:
        prior = [1.0]
        if view == "lateral":
            flip = getattr(detection.direct, "flip_probability", None)
            named = self.named_probability if flip is None else 1.0 - float(flip)
            prior = [named, 1.0 - named]
        lowest = min(s.cost for pair in solutions for s in pair)
        beliefs: list[Belief] = []
        weights: list[float] = []
        for share, pair in zip(prior, solutions, strict=True):
            evidence = [np.exp(-0.5 * self.evidence * (s.cost - lowest)) for s in pair]
            beliefs.append(merged([self._belief(s) for s in pair], evidence))
            weights.append(share * float(np.mean(evidence)))
        if self.use_direct and detection.direct is not None:
            for i, belief in enumerate(beliefs):
                beliefs[i], likelihood = fused(belief, detection.direct, self.direct_correlation)
                weights[i] *= likelihood
        total = sum(weights)
        shares = [w / total for w in weights] if total > 0 else [1.0 / len(weights)] * len(weights)
        order = sorted(range(len(shares)), key=lambda i: -shares[i])
        factor = self.ap_sd_factor if detection.view == "AP" else self.lateral_sd_factor
        hypotheses = tuple(
            replace(h, rotation_sd=h.rotation_sd * factor[0], tilt_sd=h.tilt_sd * factor[1])
            for h in _hypotheses([beliefs[i] for i in order], [shares[i] for i in order])
        )
        best = min(solutions[order[0]], key=lambda s: s.cost)
        return _described(film, mirrored, best, hypotheses)

    def _belief(self, solution: Solution) -> Belief:
        model, theta = solution.model, solution.theta
        held = touching_points(model, theta)
        mean = angles(model, theta[None], held)[0]
        jacobian = angles_jacobian(model, theta, held)
        covariance = jacobian @ solution.covariance @ jacobian.T
        return Belief(mean, covariance)


def is_mirrored(detection: Detection) -> bool:
    """Whether the knee shows as the mirror image of the canonical film, however it is turned.

    Canonical: lateral side (AP) or front (lateral film) to the left of the way up the femur. On
    a film that stands upright this is `lateral_to_right`; on one lying on its side or head that
    says nothing about mirroring, the landmarks do.
    """
    at = {name: i for i, name in enumerate(detection.names)}
    if detection.view == "AP":
        sides, start, end = ("medial", "lateral"), ["medial_epicondyle"], ["lateral_epicondyle"]
    else:
        sides = ("anterior", "posterior")
        start = ["medial_condyle_posterior", "lateral_condyle_posterior"]
        end = ["trochlea_anterior"]
    shaft = [f"femoral_shaft_{side}_{h}" for side in sides for h in ("low", "high")]
    joint = ["medial_condyle_distal", "lateral_condyle_distal"]
    if not all(name in at for name in (*shaft, *joint, *start, *end)):
        return detection.lateral_to_right

    def middle(names: Sequence[str]) -> Array:
        return np.asarray(detection.xy[[at[name] for name in names]].mean(axis=0))

    up, across = middle(shaft) - middle(joint), middle(end) - middle(start)
    sine = float(up[0] * across[1] - up[1] * across[0])
    clear = 0.3 * float(np.linalg.norm(up) * np.linalg.norm(across))
    return sine > 0 if abs(sine) > clear else detection.lateral_to_right


def _canonical(detection: Detection, film: Film, mirrored: bool, sd_factor: float) -> Seen:
    """Landmarks on the film, mirrored where need be so that a right knee fits."""
    xy = np.array(detection.xy, dtype=np.float64)
    covariance = np.array(detection.covariance, dtype=np.float64) * sd_factor**2
    # A hidden landmark's estimate is a guess from the others: it counts for less.
    trust = np.clip(detection.seen, SEEN_FLOOR, 1.0)
    covariance = covariance / trust[:, None, None] ** 2
    covariance = (covariance + np.swapaxes(covariance, 1, 2)) / 2 + 1e-6 * np.eye(2)
    if mirrored:
        xy[:, 0] = film.columns - 1 - xy[:, 0]
        covariance[:, 0, 1] *= -1
        covariance[:, 1, 0] *= -1
    return Seen(detection.names, xy, covariance)


def _principal(film: Film, mirrored: bool) -> Array:
    """Pixel of the central ray on the canonical film; the film's middle where unknown.

    The angles are those of the ray through the knee, so they hardly depend on it.
    """
    ray = film.header.central_ray
    x, y = ray if ray is not None else ((film.columns - 1) / 2, (film.rows - 1) / 2)
    return np.array([film.columns - 1 - x if mirrored else x, y], dtype=float)


def _start(
    shape: KneeShape,
    view: View,
    seen: Seen,
    principal: Array,
    priors: Priors,
    detection: Detection,
) -> Array:
    """Parameters of the mean knee laid over the landmarks by a similarity of the film."""
    model = BeamModel(shape, view, 1.0, np.zeros(2))
    theta = np.zeros(model.size)
    theta[LOG_D] = priors.log_d
    flexion = priors.flexion
    at = {name: i for i, name in enumerate(seen.names)}
    if view == "lateral":
        flexion = _bend(seen, at)
    if detection.direct is not None:
        theta[ROTATION] = np.radians(detection.direct.rotation_deg)
        if view == "lateral":
            theta[TIP] = np.radians(detection.direct.tilt_deg)
    f = float(np.clip(flexion, -0.2, 1.9))
    bend = np.array([1.0, *(f / (np.pi / 2)) ** np.arange(1, 4)])
    for part, bone in ((TIBIA, "tibia"), (PATELLA, "patella")):
        pose = shape.joint[bone][:, :4] @ bend
        theta[part] = np.concatenate([np.radians(pose[:3]), pose[3:]])
    theta[FLEXION] = f
    placed = model.place(theta)
    use = [i for i, name in enumerate(placed.names) if not name.startswith("tibial_shaft")]
    target = seen.xy[[at[placed.names[i]] for i in use]]
    own = placed.xy[use]
    weight = 1.0 / np.trace(seen.covariance[[at[placed.names[i]] for i in use]], axis1=1, axis2=2)
    weight = np.minimum(weight, 4 * np.median(weight))
    weight /= weight.sum()
    a = own - weight @ own
    b = target - weight @ target
    # Similarity without reflection, as complex numbers: b = c a.
    ca, cb = a[:, 0] + 1j * a[:, 1], b[:, 0] + 1j * b[:, 1]
    c = (weight * np.conj(ca) * cb).sum() / (weight * np.abs(ca) ** 2).sum()
    g = float(np.abs(c))
    theta[LOG_G] = np.log(max(g, 1e-6))
    theta[ROLL] = float(np.angle(c))
    middle = weight @ target - principal
    moved = c * complex(*(weight @ own))
    theta[TA], theta[TB] = (middle - np.array([moved.real, moved.imag])) / g
    return theta


def _bend(seen: Seen, at: dict[str, int]) -> float:
    """Flexion in rad from the shafts' directions on a canonical lateral film."""
    axes = []
    for bone, ends in (("femoral", ("high", "low")), ("tibial", ("high", "low"))):
        top, bottom = (
            np.mean(
                [seen.xy[at[f"{bone}_shaft_{s}_{e}"]] for s in ("anterior", "posterior")], axis=0
            )
            for e in ends
        )
        axes.append(complex(*(top - bottom)))
    # The patella faces -x: flexion turns the tibia's upper end toward the front.
    return float(-np.angle(axes[1] / axes[0])) if abs(axes[0]) > 0 else 0.5


def _hypotheses(beliefs: Sequence[Belief], shares: Sequence[float]) -> tuple[Hypothesis, ...]:
    """Hypotheses, likeliest first; two that say the same become one, a hopeless one is left out."""
    if len(beliefs) == 2 and (
        shares[1] < 0.01 or np.abs(beliefs[0].mean - beliefs[1].mean).max() < 1.0
    ):
        kept = shares if shares[1] >= 0.01 else (1.0, 0.0)
        beliefs, shares = [merged(beliefs, kept)], [1.0]
    found = []
    for belief, share in zip(beliefs, shares, strict=True):
        sd = np.sqrt(np.diag(belief.covariance))
        found.append(
            Hypothesis(
                rotation_deg=float(belief.mean[0]),
                rotation_sd=float(sd[0]),
                tilt_deg=float(belief.mean[1]),
                tilt_sd=float(sd[1]),
                probability=float(share),
            )
        )
    return tuple(found)


def _described(
    film: Film, mirrored: bool, solution: Solution, hypotheses: tuple[Hypothesis, ...]
) -> Pose:
    """The pose in the stored film's pixels."""
    model, theta, placed = solution.model, solution.theta, solution.placed
    flip = np.diag([-1.0, 1.0]) if mirrored else np.eye(2)
    shift = np.array([film.columns - 1.0, 0.0]) if mirrored else np.zeros(2)

    def back(xy: Array) -> Array:
        return xy @ flip + shift

    jacobian = model.jacobian(theta, placed)
    spread = np.einsum("kip,pq,kjq->kij", jacobian, solution.covariance, jacobian)
    g = float(np.exp(theta[LOG_G]))
    fitted, fitted_covariance = {}, {}
    for i, name in enumerate(placed.names):
        own = (g * placed.sd_normal[i]) ** 2 * np.eye(2)
        fitted[name] = back(placed.xy[i])
        fitted_covariance[name] = flip @ (spread[i] + own) @ flip
    held = touching_points(model, theta)
    (axes,), (origin,) = femur_axes(model, theta[None], held)
    ends = back(model.pixels(np.stack([origin, origin + 20.0 * axes[1]]), theta))
    up = ends[1] - ends[0]
    shaft = back(model.pixels(shaft_ends(model, theta, held), theta))
    known = film.header.central_ray is not None and film.header.sid_mm is not None
    share = off_centre(model, theta, held) if known else None
    found, found_covariance = {}, {}
    for name, (xy, own_spread) in heights(model, theta, solution.covariance).items():
        found[name] = back(xy)
        found_covariance[name] = flip @ own_spread @ flip
    cautions: tuple[str, ...] = ()
    if len(solution.outliers) >= OUTLIERS_TO_MENTION:
        cautions = (
            f"{len(solution.outliers)} landmarks do not fit a knee's shape: "
            "read the angles with care.",
        )
    return Pose(
        hypotheses=hypotheses,
        roll_deg=roll_of(shaft[1] - shaft[0]),
        femur_up=up / np.linalg.norm(up),
        flexion_deg=flexion_deg(model, theta),
        off_centre_deg=None if share is None else (float(share[0]), float(share[1])),
        width_px=_width(
            placed.names, placed.xy, _width_axis(model, axes, origin, theta), model.view
        ),
        fitted=fitted,
        fitted_covariance=fitted_covariance,
        outline={bone: back(polygon) for bone, polygon in outlines(model, theta).items()},
        heights=found,
        heights_covariance=found_covariance,
        cautions=cautions,
    )


def _width_axis(model: BeamModel, axes: Array, origin: Array, theta: Array) -> Array:
    """(2,) unit film direction along which the width counts: Z_f on AP, X_f on a lateral."""
    axis = axes[2] if model.view == "AP" else axes[0]
    ends = model.pixels(np.stack([origin, origin + 20.0 * axis]), theta)
    step = ends[1] - ends[0]
    return step / np.linalg.norm(step)


def _width(names: Sequence[str], xy: Array, along: Array, view: View) -> float:
    """W or C in pixels."""
    at = {name: xy[i] @ along for i, name in enumerate(names)}
    if view == "AP":
        return float(at["lateral_epicondyle"] - at["medial_epicondyle"])
    behind = min(at["medial_condyle_posterior"], at["lateral_condyle_posterior"])
    return float(at["trochlea_anterior"] - behind)
