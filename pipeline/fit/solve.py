"""Robust, damped Gauss-Newton on the beam model: the likeliest knee for the landmarks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.fit.beam_model import (
    FLEXION,
    LOG_D,
    LOG_G,
    PATELLA,
    ROTATION,
    SHAPE,
    TIBIA,
    TIP,
    BeamModel,
)
from pipeline.fit.knee_shape import RIM_POINTS
from pipeline.fit.placing import Placed

Array = NDArray[np.float64]
FREEDOM = 5.0
"""Degrees of freedom of the Student law of landmark errors: heavier tails than the normal."""
SETTLED = 0.05
"""A step that gains or promises less than this on the cost (a chi-square) ends the search."""
HOPELESS = 30.0
"""A cost this much above a rival's means a probability below a millionth."""
PATIENCE = 3
"""Steps refused in a row before the search ends."""
_DEGREES = np.array([180 / np.pi] * 3 + [1.0] * 3)


@dataclass(frozen=True)
class Seen:
    """Landmarks to be explained: `xy` (K, 2) pixels, `covariance` (K, 2, 2) square pixels."""

    names: tuple[str, ...]
    xy: Array
    covariance: Array


@dataclass(frozen=True)
class Priors:
    """What is known before the film: means and standard deviations.

    Attributes:
        log_g, log_g_sd: log of pixels per mm at the femur's origin.
        log_d, log_d_sd: log of the source's distance in mm.
        rotation_sd, tip_sd: rad, of the femur's turn and tip in the beam.
        flexion, flexion_sd: rad.
        joint_slack: (deg, mm) added to what the joints' law leaves out.
    """

    log_g: float
    log_g_sd: float
    log_d: float
    log_d_sd: float
    rotation_sd: float
    tip_sd: float
    flexion: float
    flexion_sd: float
    joint_slack: tuple[float, float]


@dataclass(frozen=True)
class Solution:
    """Parameters, their covariance, the cost (twice the negative log posterior) and the places.

    `outliers` names landmarks more than 4 standard deviations off; `misfit` is the landmarks' part
    of the cost for each of them, `strain` the priors' part for each parameter.
    """

    model: BeamModel
    theta: Array
    covariance: Array
    cost: float
    placed: Placed
    outliers: tuple[str, ...]
    misfit: float = 0.0
    strain: float = 0.0


class Problem3D:
    """Residuals of one film: the landmarks' and the priors'."""

    def __init__(self, model: BeamModel, seen: Seen, priors: Priors) -> None:
        self.model, self.seen, self.priors = model, seen, priors
        self.size = model.size
        self._order: NDArray[np.int64] | None = None
        # One over the standard deviations of coefficients (1) and of the rim points' offsets.
        self._own = np.ones(self.size - SHAPE)
        if model.view == "AP":
            left = [model.shape.left["tibia"][int(model.shape.index[n])] for n in RIM_POINTS]
            self._own[model.shape.count :] = 1.0 / np.repeat(np.maximum(left, 0.1), 3)
        slack = np.array([priors.joint_slack[0]] * 3 + [priors.joint_slack[1]] * 3)
        self._joint: list[tuple[slice, str, Array]] = []
        for part, bone in ((TIBIA, "tibia"), (PATELLA, "patella")):
            covariance = model.shape.joint_covariance[bone] + np.diag(slack**2)
            whiten = np.linalg.inv(np.linalg.cholesky(covariance))
            if bone == "tibia":
                whiten = whiten[1:]  # flexion is free
            self._joint.append((part, bone, whiten))

    def whitened(self, theta: Array) -> tuple[Placed, Array, Array, Array]:
        """Places, (K, 2) pixel differences, (K, 2, 2) whitening matrices, (K,) distances^2."""
        placed = self.model.place(theta)
        if self._order is None:
            at = {name: i for i, name in enumerate(self.seen.names)}
            self._order = np.array([at[name] for name in placed.names])
        g = np.exp(theta[LOG_G])
        n = placed.normal
        fixed = (n**2).sum(axis=1) < 0.5
        n = np.where(fixed[:, None], np.array([1.0, 0.0]), n)
        t = np.stack([-n[:, 1], n[:, 0]], axis=1)
        own = (g * placed.sd_normal) ** 2, (g * placed.sd_along) ** 2
        covariance = (
            self.seen.covariance[self._order]
            + own[0][:, None, None] * n[:, :, None] * n[:, None, :]
            + own[1][:, None, None] * t[:, :, None] * t[:, None, :]
        )
        whiten = np.linalg.inv(np.linalg.cholesky(covariance))
        off = placed.xy - self.seen.xy[self._order]
        r = np.einsum("kij,kj->ki", whiten, off)
        return placed, r, whiten, (r**2).sum(axis=1)

    def prior(self, theta: Array) -> tuple[Array, Array]:
        """(Q,) residuals of the priors, in standard deviations, and their (Q, P) Jacobian."""
        p, m = self.priors, self.model.shape.count
        singles = (
            (ROTATION, 0.0, p.rotation_sd),
            (TIP, 0.0, p.tip_sd),
            (LOG_G, p.log_g, p.log_g_sd),
            (LOG_D, p.log_d, p.log_d_sd),
            (FLEXION, p.flexion, p.flexion_sd),
        )
        n = len(singles)
        r = [np.array([(theta[i] - mean) / sd for i, mean, sd in singles])]
        r += [theta[SHAPE:] * self._own]
        j = np.zeros((n + self.size - SHAPE, self.size))
        for row, (i, _, sd) in enumerate(singles):
            j[row, i] = 1.0 / sd
        j[n:, SHAPE:] = np.diag(self._own)
        jacobians = [j]
        f = theta[FLEXION] / (np.pi / 2)
        for part, bone, whiten in self._joint:
            fit = self.model.shape.joint[bone]
            bend = np.array([1.0, f, f**2, f**3])
            slope = np.array([0.0, 1.0, 2 * f, 3 * f**2]) / (np.pi / 2)
            expected = fit[:, :4] @ bend + fit[:, 4:] @ theta[SHAPE : SHAPE + m]
            r.append(whiten @ (theta[part] * _DEGREES - expected))
            j = np.zeros((len(whiten), self.size))
            j[:, part] = whiten * _DEGREES
            j[:, FLEXION] -= whiten @ (fit[:, :4] @ slope)
            j[:, SHAPE : SHAPE + m] = -whiten @ fit[:, 4:]
            jacobians.append(j)
        return np.concatenate(r), np.concatenate(jacobians)

    def cost(self, distances: Array, prior: Array) -> float:
        """Twice the negative log posterior, up to a constant.

        `distances`: (K,) squared, whitened; `prior`: (Q,) residuals of the priors.
        """
        robust = (FREEDOM + 2) * np.log1p(distances / FREEDOM)
        return float(robust.sum() + prior @ prior)

    def _hessian(
        self, theta: Array, placed: Placed, whiten: Array, distances: Array, prior_j: Array
    ) -> tuple[Array, Array, Array]:
        """(P, P) Gauss-Newton Hessian, (2 K, P) weighted Jacobian, (K,) roots of the weights."""
        root = np.sqrt((FREEDOM + 2) / (FREEDOM + distances))
        scaled = whiten * root[:, None, None]
        flat = (scaled @ self.model.jacobian(theta, placed)).reshape(-1, self.size)
        return flat.T @ flat + prior_j.T @ prior_j, flat, root

    def solve(self, start: Array, rounds: int, rival: float = np.inf) -> Solution:
        """Levenberg-Marquardt from `start`, (P,), at most `rounds` accepted or refused steps.

        It ends early where another explanation's cost, `rival`, is clearly out of reach.
        """
        theta = start.copy()
        placed, r, whiten, distances = self.whitened(theta)
        prior, prior_j = self.prior(theta)
        cost = self.cost(distances, prior)
        damping, hessian = 1e-3, np.eye(self.size)
        fresh, current, refused = True, False, 0
        for done in range(rounds):
            if fresh:
                hessian, flat, root = self._hessian(theta, placed, whiten, distances, prior_j)
                gradient = flat.T @ (r * root[:, None]).ravel() + prior_j.T @ prior
                current = True
            damped = hessian + damping * np.diag(np.diag(hessian))
            step = np.linalg.solve(damped, -gradient)
            # What the linear model promises; at the minimum, or where a landmark's point is
            # about to change, no step keeps its promise and damping would only creep.
            promised = float(-step @ (2.0 * gradient + hessian @ step))
            hopeless = done >= 3 and cost - promised > rival + HOPELESS
            if promised < SETTLED or hopeless:
                break
            turn = max(abs(step[ROTATION]), abs(step[TIP]), abs(step[FLEXION]))
            if turn > 0.5:
                step *= 0.5 / turn
            trial = theta + step
            t_placed, t_r, t_whiten, t_distances = self.whitened(trial)
            t_prior, t_prior_j = self.prior(trial)
            t_cost = self.cost(t_distances, t_prior)
            fresh = t_cost < cost
            if not fresh:
                damping *= 8.0
                refused += 1
                if refused > PATIENCE:
                    break
                continue
            refused = 0
            current = False
            gained = cost - t_cost
            theta, placed, r, whiten, distances = trial, t_placed, t_r, t_whiten, t_distances
            prior, prior_j, cost = t_prior, t_prior_j, t_cost
            damping = max(damping / 8.0, 1e-7)
            if gained < SETTLED:
                break
        # The whole information, not the weighted one, would trust outliers; keep the weights.
        if not current:
            hessian, _, _ = self._hessian(theta, placed, whiten, distances, prior_j)
        covariance: Array = np.linalg.inv(hessian).astype(np.float64)
        outliers = tuple(n for n, d in zip(placed.names, distances, strict=True) if d > 16.0)
        strain = float(prior @ prior)
        return Solution(
            self.model,
            theta,
            covariance,
            cost,
            placed,
            outliers,
            misfit=(cost - strain) / max(len(distances), 1),
            strain=strain / self.size,
        )


def swapped(seen: Seen, pairs: Sequence[tuple[str, str]]) -> Seen:
    """The same places with the names of each pair exchanged."""
    order = {name: i for i, name in enumerate(seen.names)}
    index = np.arange(len(seen.names))
    for a, b in pairs:
        if a in order and b in order:
            index[order[a]], index[order[b]] = order[b], order[a]
    return Seen(seen.names, seen.xy[index], seen.covariance[index])
