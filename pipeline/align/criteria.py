"""What an expert would look at, one criterion each, judged with its uncertainty.

Values are millimetres at the knee where the scale is known, else % of W (AP) or of C (lateral).
A verdict is pass where the value lies within the tolerance with a probability of at least 0.8,
fail at 0.2 or less, else cannot tell.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.align.points import Array, Spot, across, femur_up, spot, tibia_up, units
from pipeline.align.square import NO_UPTO, YES_FROM, within
from pipeline.contracts import Sight
from pipeline.knee.reading import CriterionRead, Verdict


def judged(
    sight: Sight,
    name: str,
    terms: Sequence[tuple[Spot | None, Array]],
    *,
    tolerance_mm: float,
    tolerance_percent: float,
    source: str,
    expected_percent: float = 0.0,
    natural_percent: float = 0.0,
) -> CriterionRead:
    """A row for the value sum of `weight . xy`, a length on the film.

    Args:
        terms: landmarks and their (2,) weights; a missing landmark makes it `cannot tell`.
        tolerance_mm, tolerance_percent: how far the value may lie from the expected one.
        expected_percent: the value of a square film, % of the width; 0 for offsets.
        natural_percent: standard deviation between square-on knees, % of the width.
    """
    factor, unit = units(sight)
    in_mm = unit.startswith("mm")
    tolerance = tolerance_mm if in_mm else tolerance_percent
    found = [(s, w) for s, w in terms if s is not None]
    if len(found) < len(terms):
        return CriterionRead(name, None, unit, tolerance, "cannot tell", source)
    value = factor * float(sum(w @ s.xy for s, w in found))
    variance = factor**2 * float(sum(w @ s.covariance @ w for s, w in found))
    per_percent = factor * sight.pose.width_px / 100.0
    sd = float(np.hypot(np.sqrt(max(variance, 0.0)), natural_percent * per_percent))
    off = value - expected_percent * per_percent
    return CriterionRead(
        name, value, unit, tolerance, verdict_of(within(off, sd, tolerance)), source
    )


def verdict_of(probability: float) -> Verdict:
    """pass, fail or cannot tell for the probability of lying within the tolerance."""
    if probability >= YES_FROM:
        return "pass"
    return "fail" if probability <= NO_UPTO else "cannot tell"


@dataclass(frozen=True)
class PatellaCentring:
    """AP: middle of the patella against the middle of the epicondyles, + toward lateral.

    A patella that tracks badly is not malrotation, so this is a row of its own. 0.7 to 0.87 mm
    a degree of rotation for a lever of 40 to 50 mm.

    Attributes:
        tolerance_mm, tolerance_percent: how far the value may lie from a square film's, with a
            scale and without (% of W).
        source: where the tolerance comes from.
    """

    tolerance_mm: float = 6.5
    tolerance_percent: float = 8.0
    source: str = "common practice (positioning textbooks: patella centred)"

    def judge(self, sight: Sight) -> Sequence[CriterionRead]:
        if sight.detection.view != "AP":
            return ()
        w = across(sight, femur_up(sight)) / 2
        names = ("patella_medial", "patella_lateral", "medial_epicondyle", "lateral_epicondyle")
        signs = (1, 1, -1, -1)
        terms = [(spot(sight, n), s * w) for n, s in zip(names, signs, strict=True)]
        return (
            judged(
                sight,
                "patella centring",
                terms,
                tolerance_mm=self.tolerance_mm,
                tolerance_percent=self.tolerance_percent,
                source=self.source,
            ),
        )


@dataclass(frozen=True)
class PlateauGap:
    """AP: how far each plateau's anterior rim lies distal to its posterior rim.

    Medial and lateral apart: both can rarely be edge-on at once (8 cadaver knees, Streubel,
    J Orthop Trauma, about 2009, author and year from memory).

    Attributes:
        tolerance_mm, tolerance_percent: how far the value may lie from a square film's, with a
            scale and without (% of W).
        source: where the tolerance comes from.
    """

    tolerance_mm: float = 1.5
    tolerance_percent: float = 1.9
    source: str = "joint-space imaging literature (Buckland-Wright; OARSI), from memory"

    def judge(self, sight: Sight) -> Sequence[CriterionRead]:
        if sight.detection.view != "AP":
            return ()
        up = tibia_up(sight)
        return tuple(
            judged(
                sight,
                f"{side} plateau gap",
                [
                    (spot(sight, f"{side}_plateau_posterior"), up),
                    (spot(sight, f"{side}_plateau_anterior"), -up),
                ],
                tolerance_mm=self.tolerance_mm,
                tolerance_percent=self.tolerance_percent,
                source=self.source,
            )
            for side in ("medial", "lateral")
        )


@dataclass(frozen=True)
class CondyleOffset:
    """Lateral: how far the lateral condyle lies behind (+) and below (+) the medial one.

    The tolerance is `mm_per_degree` for each degree of the verdict's tolerance: 5 mm usable,
    2 mm strict, working bands without a published threshold.

    Attributes:
        mm_per_degree, percent_per_degree: tolerance for each degree of the verdict's, with a
            scale and without (% of C).
        source: where the tolerance comes from.
    """

    mm_per_degree: float = 1.0
    percent_per_degree: float = 1.6
    source: str = "common practice (2 mm ideal, 5 mm usable); no published threshold found"

    def judge(self, sight: Sight) -> Sequence[CriterionRead]:
        if sight.detection.view != "lateral":
            return ()
        up = femur_up(sight)
        anterior = across(sight, up)
        rows = (
            ("condyle offset front to back", "posterior", -anterior),
            ("condyle offset up and down", "distal", -up),
        )
        return tuple(
            judged(
                sight,
                name,
                [
                    (spot(sight, f"lateral_condyle_{end}"), weight),
                    (spot(sight, f"medial_condyle_{end}"), -weight),
                ],
                tolerance_mm=self.mm_per_degree * sight.tolerance_deg,
                tolerance_percent=self.percent_per_degree * sight.tolerance_deg,
                source=self.source,
            )
            for name, end, weight in rows
        )


@dataclass(frozen=True)
class FibularOverlap:
    """How far the tip of the fibula lies inside the tibia's outline, + covered.

    AP: medial to the edge of the lateral plateau; lateral: in front of the posterior rim of
    the lateral plateau. `expected` and `natural` are mean and standard deviation on square
    films of 60 knees of the synthetic population, % of W or C: the tip differs so much between
    people that this row seldom decides anything.

    Attributes:
        tolerance_mm, tolerance_percent: on AP films, with a scale and without (% of W).
        tolerance_lateral_mm, tolerance_lateral_percent: on laterals (% of C).
        expected_ap, expected_lateral: mean on square films, % of W and of C.
        natural_ap, natural_lateral: standard deviation between people, % of W and of C.
        source: where the rule comes from.
    """

    tolerance_mm: float = 10.0
    tolerance_percent: float = 12.0
    expected_ap: float = -5.5
    natural_ap: float = 7.1
    tolerance_lateral_mm: float = 13.0
    tolerance_lateral_percent: float = 20.0
    expected_lateral: float = -15.5
    natural_lateral: float = 12.2
    source: str = "common practice (positioning textbooks: head slightly overlapped)"

    def judge(self, sight: Sight) -> Sequence[CriterionRead]:
        weight = across(sight, tibia_up(sight))
        tip = spot(sight, "fibular_head")
        if sight.detection.view == "AP":
            terms = [(spot(sight, "lateral_plateau_edge"), weight), (tip, -weight)]
            expected, natural = self.expected_ap, self.natural_ap
            mm, percent = self.tolerance_mm, self.tolerance_percent
        else:
            terms = [(tip, weight), (spot(sight, "lateral_plateau_posterior"), -weight)]
            expected, natural = self.expected_lateral, self.natural_lateral
            mm, percent = self.tolerance_lateral_mm, self.tolerance_lateral_percent
        return (
            judged(
                sight,
                "fibular overlap",
                terms,
                tolerance_mm=mm,
                tolerance_percent=percent,
                source=self.source,
                expected_percent=expected,
                natural_percent=natural,
            ),
        )


@dataclass(frozen=True)
class EpicondyleSymmetry:
    """AP: middle of the epicondyles against the apex of the notch, + toward lateral.

    `expected` and `natural` are mean and standard deviation on square films of 60 knees of the
    synthetic population, % of W.

    Attributes:
        tolerance_mm, tolerance_percent: how far the value may lie from a square film's, with a
            scale and without (% of W).
        source: where the tolerance comes from.
        expected_percent, natural_percent: mean and standard deviation on square films, % of W.
    """

    tolerance_mm: float = 5.0
    tolerance_percent: float = 6.0
    expected_percent: float = -1.7
    natural_percent: float = 1.9
    source: str = "common practice (positioning textbooks: condyles symmetric)"

    def judge(self, sight: Sight) -> Sequence[CriterionRead]:
        if sight.detection.view != "AP":
            return ()
        w = across(sight, femur_up(sight))
        return (
            judged(
                sight,
                "epicondyle symmetry",
                [
                    (spot(sight, "medial_epicondyle"), w / 2),
                    (spot(sight, "lateral_epicondyle"), w / 2),
                    (spot(sight, "notch_apex"), -w),
                ],
                tolerance_mm=self.tolerance_mm,
                tolerance_percent=self.tolerance_percent,
                source=self.source,
                expected_percent=self.expected_percent,
                natural_percent=self.natural_percent,
            ),
        )
