"""A reading: everything the pipeline says about one knee on one film.

The field names are those of `readings.jsonl` (docs/reference/readings.md). Lengths on the film
are pixels unless the name says otherwise; numbers may be None, never NaN.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Verdict = Literal["pass", "fail", "cannot tell"]
Square = Literal["yes", "no", "cannot tell"]
Interval = tuple[float, float]


@dataclass(frozen=True)
class FilmRef:
    """Which film: as of `Film`; `source` is its path or address, `frame` counts from 1."""

    source: str
    sha256: str
    frame: int | None
    rows: int
    columns: int
    sop_instance: str | None
    series_digest: str | None
    study_digest: str | None


@dataclass(frozen=True)
class KneeRef:
    """Which knee of the film: from 0 on; `box`: (x0, y0, x1, y1) pixels, None where none is."""

    index: int
    box: tuple[float, float, float, float] | None


@dataclass(frozen=True)
class ScaleRead:
    """Millimetres per pixel, and the rule that gave them: as of `Scale`."""

    mm_per_px_detector: float | None
    mm_per_px_knee: float | None
    rule: str


@dataclass(frozen=True)
class ViewRead:
    """What kind of film the detector takes it for."""

    name: Literal["AP", "lateral", "other", "none"]
    probability: float


@dataclass(frozen=True)
class SideRead:
    """`from_` is written as `from`."""

    name: Literal["right", "left"] | None
    probability: float
    from_: Literal["header", "marker", "image", "person"]


@dataclass(frozen=True)
class LandmarkRead:
    """Coordinates are None where not seen. `sd_angle_deg` runs from +x toward +y."""

    name: str
    x: float | None
    y: float | None
    sd_major: float | None
    sd_minor: float | None
    sd_angle_deg: float | None
    seen: bool


@dataclass(frozen=True)
class HypothesisRead:
    """One explanation of the film: angles with 90 % intervals, degrees; with its probability."""

    rotation_deg: float
    rotation_90: Interval
    tilt_deg: float
    tilt_90: Interval
    probability: float


@dataclass(frozen=True)
class CriterionRead:
    """One row of the criteria table; `source` names a publication or `common practice`."""

    name: str
    value: float | None
    unit: str
    tolerance: float | None
    verdict: Verdict
    source: str


@dataclass(frozen=True)
class Alignment:
    """All angles in degrees; `score` 0 to 100; top-level angles are the likelier hypothesis's."""

    rotation_deg: float | None
    rotation_90: Interval | None
    tilt_deg: float | None
    tilt_90: Interval | None
    roll_deg: float | None
    flexion_deg: float | None
    off_centre_deg: float | None
    square: Square
    square_probability: float | None
    score: float | None
    hypotheses: tuple[HypothesisRead, ...]
    criteria: tuple[CriterionRead, ...]


@dataclass(frozen=True)
class Move:
    """One correction. `degrees` None where only the direction is known."""

    angle: Literal["rotation", "tilt"]
    hypothesis: int
    move: str
    toward: str
    degrees: float | None
    limb: str
    text: str


@dataclass(frozen=True)
class Proposal:
    """A target for a person to review, never for guidance."""

    target: str
    shape: Literal["point", "band"]
    points: tuple[tuple[float, float], ...]
    radius_90_px: float | None
    heights_from: str
    basis: str
    status: Literal["proposal", "withheld"]
    why: str | None


@dataclass(frozen=True)
class Warning_:
    """A zone to keep away from: `polygon`, pixels, closed by its first point."""

    name: str
    polygon: tuple[tuple[float, float], ...]


@dataclass(frozen=True)
class Instrument:
    """An instrument's `tip`, pixels, and its depth in % of the shaft, None where it has none."""

    tip: tuple[float, float]
    depth_percent: float | None
    depth_90: Interval | None


@dataclass(frozen=True)
class Found:
    """Probabilities of an implant and of hardware, None where not looked for; instruments."""

    implant: float | None
    hardware: float | None
    instruments: tuple[Instrument, ...]


@dataclass(frozen=True)
class MadeBy:
    """What made the reading: version, digests of weights and settings, seed."""

    version: str
    weights: str
    config_sha256: str
    seed: int


@dataclass(frozen=True)
class Grounds:
    """What a reading rests on, for pictures that explain it.

    Attributes:
        tolerance_deg: of the verdict, for both angles; rotation_zero_deg: the rotation that counts
            as square.
        estimates: (rotation, tilt) in degrees by each estimator alone, where several were combined.
        quality: as in `Pose`, and `plausibility`, the probability that this is a knee.
    """

    tolerance_deg: float
    rotation_zero_deg: float
    estimates: Mapping[str, tuple[float, float]]
    quality: Mapping[str, float]


PICTURES_ONLY = ("outline", "grounds")
"""Fields of a reading that are not written to `readings.jsonl`."""


@dataclass(frozen=True)
class Reading:
    """One knee on one film. `knee.index` counts from 0 on that film.

    `outline` (bone name to the (N, 2) pixels of the fitted knee's outline) and `grounds` are for
    pictures only and are not written to `readings.jsonl`.
    """

    film: FilmRef
    knee: KneeRef
    scale: ScaleRead
    view: ViewRead
    side: SideRead
    landmarks: tuple[LandmarkRead, ...]
    alignment: Alignment | None
    moves: tuple[Move, ...]
    proposals: tuple[Proposal, ...]
    warnings: tuple[Warning_, ...]
    found: Found
    refused: str | None
    cautions: tuple[str, ...]
    made_by: MadeBy
    outline: Mapping[str, NDArray[np.float64]] = field(default_factory=dict, compare=False)
    grounds: Grounds | None = field(default=None, compare=False)
