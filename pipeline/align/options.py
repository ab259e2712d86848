"""Options of the verdict; the values a user may set live in the configuration."""

from __future__ import annotations

import math
from dataclasses import dataclass

from pipeline.knee.errors import Problem

TOLERANCES: dict[str, float] = {"usable": 5.0, "strict": 2.0}
"""Degrees by name. Design choices: no published threshold was found (facts: 2 mm ideal and 5 mm
usable overlap are working bands of common practice)."""


@dataclass(frozen=True)
class AlignOptions:
    """What the verdict and the moves need to know.

    Attributes:
        tolerance: `usable` (5 degrees) or `strict` (2 degrees), for both angles.
        ap_rotation_zero: degrees of AP rotation that count as square; about +3 where the
            local habit is epicondyles parallel to the receptor.
        widening: factor on every standard deviation, from calibration on held-out films.
        temperature: the logit of the square probability is divided by this (calibration).
        table_raw, table_calibrated: optional calibration table, both rising from 0 to 1; the
            tempered probability is interpolated in it. Empty: no table.
        femur_lie_deg: angle of the femur above the table, hip lower than knee; None = unknown,
            then assumed from flexion up to 30 degrees (hip and heel on the table).
        tube_in_front: on an AP view, whether the X-ray tube stands in front of the knee; None
            where unknown.
        both_below: below this probability of the likelier hypothesis moves are given for both.
        off_centre_from: degrees of obliquity from which centring the knee is the first move.
    """

    tolerance: str = "usable"
    ap_rotation_zero: float = 0.0
    widening: float = 1.0
    temperature: float = 1.0
    table_raw: tuple[float, ...] = ()
    table_calibrated: tuple[float, ...] = ()
    femur_lie_deg: float | None = None
    tube_in_front: bool | None = None
    both_below: float = 0.9
    off_centre_from: float = 1.0

    def __post_init__(self) -> None:
        if self.tolerance not in TOLERANCES:
            raise Problem(
                "align.tolerance",
                f"there is no tolerance named {self.tolerance!r}",
                f"use one of {', '.join(TOLERANCES)}",
            )
        if not (0 < self.widening < math.inf and 0 < self.temperature < math.inf):
            raise Problem(
                "align", "widening and temperature must be above 0", "use 1.0 for no change"
            )
        if not 0 <= self.both_below <= 1:
            what = f"{self.both_below:g} is no probability"
            raise Problem("align.both_below", what, "give a number from 0 to 1")
        pairs = (self.table_raw, self.table_calibrated)
        if len(pairs[0]) != len(pairs[1]) or any(list(p) != sorted(p) for p in pairs):
            raise Problem(
                "align.table_raw",
                "the calibration table needs two rising lists of one length",
                "correct it or leave both empty",
            )

    @property
    def tolerance_deg(self) -> float:
        """The tolerance in degrees."""
        return TOLERANCES[self.tolerance]
