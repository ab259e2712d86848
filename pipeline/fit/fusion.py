"""Beliefs about (rotation, tilt): mixed over alternatives, two fused, told as hypotheses."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.knee.detection import Hypothesis

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


def fused(belief: Belief, other: Belief, correlation: float) -> Belief:
    """The best combination of two beliefs.

    Each angle by the best linear unbiased weights for two readings whose errors are correlated;
    weights stay within 0 and 1, so the result lies between the two. Where they differ by more
    than 2 deviations, the result's deviation grows with the difference (Birge 1932, Phys Rev
    40:207). The two angles stay tied as they are in `belief`.
    """
    a, b = np.diag(belief.covariance), np.diag(other.covariance)
    c = correlation * np.sqrt(a * b)
    gap = a + b - 2 * c
    share = np.where(gap > 1e-12, (b - c) / np.maximum(gap, 1e-12), 0.5).clip(0.0, 1.0)
    mean = share * belief.mean + (1 - share) * other.mean
    variance = share**2 * a + (1 - share) ** 2 * b + 2 * share * (1 - share) * c
    spread = a + b
    off = (other.mean - belief.mean) ** 2
    variance = variance * np.maximum(off / (4 * spread), 1.0)
    tie = belief.covariance[0, 1] / np.sqrt(a[0] * a[1])
    off_diagonal = tie * np.sqrt(variance[0] * variance[1])
    covariance = np.array([[variance[0], off_diagonal], [off_diagonal, variance[1]]])
    return Belief(mean, covariance)


def contradiction(one: Belief, other: Belief) -> float:
    """The larger of the two angles' differences, in standard deviations of a difference."""
    spread = np.sqrt(np.diag(one.covariance) + np.diag(other.covariance))
    return float((np.abs(one.mean - other.mean) / spread).max())


def shares_of(weights: Sequence[float]) -> list[float]:
    """Weights as probabilities; equal ones where nothing is supported."""
    total = sum(weights)
    return [w / total for w in weights] if total > 0 else [1.0 / len(weights)] * len(weights)


def hypotheses_of(beliefs: Sequence[Belief], shares: Sequence[float]) -> tuple[Hypothesis, ...]:
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
