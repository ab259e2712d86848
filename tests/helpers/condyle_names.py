"""Which condyle is which on lateral films: how often right, and as often as was said?

The two condyles of a lateral are nearly alike, so their names may be exchanged; rotation and tilt
then have the wrong signs. An explanation is right where its angles lie nearer to the true ones
than to their opposites. That is asked as a function of how far the condyles stand apart on the
film: where they eclipse each other the two explanations say nearly the same.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from scipy.optimize import minimize

from pipeline.bench.intervals import binomial
from pipeline.knee.detection import Pose
from pipeline.knee.truth import KneeTruth

EDGES_MM = (0.0, 1.0, 2.0, 3.0, 4.0, 6.0, 8.0, 12.0, 40.0)
BOTH_BELOW = 0.9
"""Below this probability of the likelier explanation the moves are given for both
(`AlignOptions.both_below`)."""


@dataclass(frozen=True)
class Naming:
    """One lateral film: the true separation in mm at the knee, the likelier explanation's
    probability, whether it names the condyles rightly, and whether any of those given does."""

    separation_mm: float
    probability: float
    right: bool
    covered: bool


def separation_mm(truth: KneeTruth) -> float:
    """How far apart the condyles' outlines reach on the film, mm at the knee.

    Front to back between the posterior extremes and along the shaft between the distal ones.
    """
    at = dict(zip(truth.names, truth.xy, strict=True))
    forward = np.array([-truth.up[1], truth.up[0]])
    back, down = (
        at[f"lateral_condyle_{end}"] - at[f"medial_condyle_{end}"]
        for end in ("posterior", "distal")
    )
    return float(np.hypot(back @ forward, down @ truth.up) * truth.mm_per_px_knee)


def naming_of(truth: KneeTruth, pose: Pose, both_below: float = BOTH_BELOW) -> Naming:
    """How one lateral film was named. Moves carry both explanations below `both_below`."""
    true = np.array([truth.rotation_deg, truth.tilt_deg])
    right = [bool(np.array([h.rotation_deg, h.tilt_deg]) @ true > 0) for h in pose.hypotheses]
    top = pose.hypotheses[0].probability
    return Naming(
        separation_mm(truth), top, right[0], right[0] or (top < both_below and any(right))
    )


def condyle_summary(namings: Sequence[Naming]) -> dict[str, Any]:
    """Plain values, ready for JSON: what was right and was said, per separation and for all."""
    apart = np.array([n.separation_mm for n in namings])
    rows = []
    for low, high in [*pairwise(EDGES_MM), (0.0, float("inf"))]:
        own = [n for n, a in zip(namings, apart, strict=True) if low <= a < high]
        if not own:
            continue
        right = sum(n.right for n in own)
        rows.append(
            {
                "from_mm": low,
                "to_mm": None if high == float("inf") else high,
                "n": len(own),
                "right": right / len(own),
                "right_95": list(binomial(right, len(own))),
                "said": float(np.mean([n.probability for n in own])),
                "both_given": float(np.mean([n.probability < BOTH_BELOW for n in own])),
                "right_among_given": float(np.mean([n.covered for n in own])),
            }
        )
    return {"rows": rows}


def condyle_markdown(summary: dict[str, Any]) -> str:
    """The table as text."""
    lines = [
        "| condyles apart (mm) | laterals | likelier naming right | said | both given | right "
        "among those given |",
        "| --- | --- | --- | --- | --- | --- |",
    ]
    for row in summary["rows"]:
        where = "all" if row["to_mm"] is None else f"{row['from_mm']:g} to {row['to_mm']:g}"
        low, high = row["right_95"]
        lines.append(
            f"| {where} | {row['n']} | {row['right']:.1%} ({low:.1%} to {high:.1%}) | "
            f"{row['said']:.1%} | {row['both_given']:.1%} | {row['right_among_given']:.1%} |"
        )
    return "\n".join(lines)


def calibrate(
    log_odds: Sequence[float], costs: Sequence[float], right: Sequence[bool]
) -> tuple[float, float]:
    """(`naming_trust`, `naming_evidence`) of `LandmarkFit` by maximum likelihood.

    Args:
        log_odds: of the detector's naming, by the detector.
        costs: of the exchanged naming's fit less the other's.
        right: whether the detector's naming was right.
    """
    x = np.stack([np.asarray(log_odds), 0.5 * np.asarray(costs)])
    sign = np.where(right, 1.0, -1.0)

    def loss(w: np.ndarray) -> float:
        return float(np.logaddexp(0.0, -sign * (np.abs(w) @ x)).mean())

    trust, evidence = np.abs(minimize(loss, [0.5, 0.3], method="Nelder-Mead").x)
    return float(trust), float(evidence)
