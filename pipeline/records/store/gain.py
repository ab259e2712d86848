"""The worklist's columns of one reading, and how much a person is expected to add to it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

WEIGHTS = {
    "verdict": 0.30,
    "interval": 0.20,
    "tolerance": 0.15,
    "view": 0.10,
    "side": 0.10,
    "disagreement": 0.15,
}
"""Shares of the six doubts in `gain`; a design choice, no source."""

WIDE_DEG = 10.0
"""Width of a 90 % interval that counts half."""
TOLERANCE_DEG = 5.0
NEAR_DEG = 2.0


def doubts(reading: Mapping[str, Any]) -> dict[str, float]:
    """The doubts about one object of `readings.jsonl`, each 0 (none) to 1; keys of `WEIGHTS`.

    verdict: 1 where square and not square are equally likely. interval: the wider 90 % interval.
    tolerance: how near the larger angle is to the tolerance. view, side: how little is sure.
    disagreement: criteria against the verdict, or two explanations with different verdicts.
    """
    found = dict.fromkeys(WEIGHTS, 0.0)
    found["view"] = _unsure(reading["view"]["probability"])
    if reading["view"]["name"] not in ("AP", "lateral"):
        return found
    side = reading["side"]
    found["side"] = _unsure(side["probability"] if side["name"] else None)
    alignment = reading["alignment"]
    if alignment is None:
        # A knee in a known view without angles: everything is left to a person.
        return found | {"verdict": 1.0, "interval": 1.0}
    share = alignment["square_probability"]
    found["verdict"] = 1.0 if share is None else 4.0 * share * (1.0 - share)
    width = uncertainty(reading)
    found["interval"] = 1.0 if width is None else width / (width + WIDE_DEG)
    angles = [abs(a) for a in (alignment["rotation_deg"], alignment["tilt_deg"]) if a is not None]
    if angles:
        found["tolerance"] = max(0.0, 1.0 - abs(max(angles) - TOLERANCE_DEG) / NEAR_DEG)
    found["disagreement"] = _disagreement(alignment)
    return found


def gain(reading: Mapping[str, Any]) -> float:
    """How much a person is expected to add, 0 to 1: the weighted doubts."""
    found = doubts(reading)
    return round(sum(WEIGHTS[name] * found[name] for name in WEIGHTS), 6)


def uncertainty(reading: Mapping[str, Any]) -> float | None:
    """Width in degrees of the wider 90 % interval; None without angles."""
    alignment = reading["alignment"] or {}
    spans = [alignment.get("rotation_90"), alignment.get("tilt_90")]
    widths = [span[1] - span[0] for span in spans if span is not None]
    return max(widths) if widths else None


def columns(reading: Mapping[str, Any]) -> dict[str, Any]:
    """The columns of `heads` that come from one object of `readings.jsonl`."""
    alignment = reading["alignment"] or {}
    return {
        "view": reading["view"]["name"],
        "side": reading["side"]["name"],
        "verdict": alignment.get("square"),
        "rotation_deg": alignment.get("rotation_deg"),
        "tilt_deg": alignment.get("tilt_deg"),
        "uncertainty": uncertainty(reading),
        "square_probability": alignment.get("square_probability"),
        "view_probability": reading["view"]["probability"],
        "side_probability": reading["side"]["probability"],
        "refused": reading["refused"],
        "gain": gain(reading),
    }


def _unsure(probability: float | None) -> float:
    """0 where sure, 1 where even."""
    return 1.0 if probability is None else min(1.0, max(0.0, 2.0 * (1.0 - probability)))


def _disagreement(alignment: Mapping[str, Any]) -> float:
    verdicts = [criterion["verdict"] for criterion in alignment["criteria"]]
    against = {"yes": "fail", "no": "pass"}.get(alignment["square"])
    judged = [verdict for verdict in verdicts if verdict != "cannot tell"]
    share = judged.count(against) / len(judged) if judged and against else 0.0
    hypotheses = alignment["hypotheses"]
    if len(hypotheses) > 1:
        second = sorted((h["probability"] for h in hypotheses), reverse=True)[1]
        share = max(share, min(1.0, 2.0 * second))
    return share
