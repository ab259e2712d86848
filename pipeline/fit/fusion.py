"""Beliefs about (rotation, tilt): mixed over alternatives, fused with a direct reading."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.knee.detection import DirectPose

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Belief:
    """Normal law of (rotation, tilt): `mean` (2,) degrees, `covariance` (2, 2)."""

    mean: Array
    covariance: Array


def merged(beliefs: Sequence[Belief], weights: Sequence[float]) -> Belief:
    """The normal law with the mean and covariance of the mixture."""
    w = np.asarray(weights, dtype=np.float64)
    w = w / w.sum() if w.sum() > 0 else np.full(len(w), 1.0 / len(w))
    mean = sum(wi * b.mean for wi, b in zip(w, beliefs, strict=True))
    covariance = sum(
        wi * (b.covariance + np.outer(b.mean - mean, b.mean - mean))
        for wi, b in zip(w, beliefs, strict=True)
    )
    return Belief(np.asarray(mean), np.asarray(covariance))


def fused(belief: Belief, direct: DirectPose, correlation: float) -> tuple[Belief, float]:
    """The best combination of a belief and a direct reading, and how likely the two agree.

    Each angle by the best linear unbiased weights for two readings whose errors are correlated;
    weights stay within 0 and 1. Where they differ by more than 2 deviations, the result's
    deviation grows with the difference (Birge 1932, Phys Rev 40:207).

    Returns:
        the belief, and the normal density of the difference (degrees^-2), for weighing
        hypotheses against each other.
    """
    mean, variance = np.zeros(2), np.zeros(2)
    likelihood = 1.0
    readings = (
        (direct.rotation_deg, direct.rotation_sd),
        (direct.tilt_deg, direct.tilt_sd),
    )
    for i, (value, sd) in enumerate(readings):
        a, b = float(belief.covariance[i, i]), max(sd, 1e-3) ** 2
        c = correlation * np.sqrt(a * b)
        gap = a + b - 2 * c
        share = float(np.clip((b - c) / gap, 0.0, 1.0)) if gap > 1e-12 else 0.5
        mean[i] = share * belief.mean[i] + (1 - share) * value
        variance[i] = share**2 * a + (1 - share) ** 2 * b + 2 * share * (1 - share) * c
        off = (value - belief.mean[i]) ** 2
        spread = a + b
        likelihood *= float(np.exp(-0.5 * off / spread) / np.sqrt(2 * np.pi * spread))
        if off > 4 * spread:
            variance[i] *= off / (4 * spread)
    old = np.sqrt(np.diag(belief.covariance))
    tie = belief.covariance[0, 1] / (old[0] * old[1])
    new = np.sqrt(variance)
    off_diagonal = tie * new[0] * new[1]
    covariance = np.array([[variance[0], off_diagonal], [off_diagonal, variance[1]]])
    return Belief(mean, covariance), likelihood
