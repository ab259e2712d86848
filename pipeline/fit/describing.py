"""The finished pose, in the stored film's pixels."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from pipeline.fit.beam_model import LOG_G, BeamModel
from pipeline.fit.outlines import (
    femur_axes,
    flexion_deg,
    heights,
    off_centre,
    outlines,
    shaft_ends,
    touching_points,
)
from pipeline.fit.solve import Solution
from pipeline.knee.angles import roll_of
from pipeline.knee.detection import Hypothesis, Pose
from pipeline.knee.film import Film
from pipeline.knee.landmarks import View

Array = NDArray[np.float64]

OUTLIERS_TO_MENTION = 4


def described(
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
        quality={"misfit": solution.misfit, "strain": solution.strain},
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
