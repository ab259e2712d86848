"""A film: the pixels as stored, and what its file says about them."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class Scale:
    """Millimetres per pixel, and the rule that gave them.

    Attributes:
        mm_per_px_detector: at the receptor, or None where unknown.
        mm_per_px_knee: divided by the magnification SID/SOD, or None where unknown.
        rule: name of the rule used, e.g. `imager spacing and magnification`, `calibrated`,
            `none`.
    """

    mm_per_px_detector: float | None = None
    mm_per_px_knee: float | None = None
    rule: str = "none"


ADULT_YEARS = 18
"""The growth plates about the knee close at about 14 to 16 years in girls and 16 to 18 in boys,
from memory."""


@dataclass(frozen=True)
class HeaderHints:
    """What a film's header claims; every field None where it is silent.

    Attributes:
        view: "AP", "lateral", "other" (another projection or body part), None.
        side: "right", "left", None (also None where the header says both or unpaired).
        body_part: Body Part Examined as written, upper case.
        sid_mm, sod_mm: source to detector, source to patient.
        central_ray: (x, y) pixel of the central ray, where the film is known to be uncropped.
        lying_on_side: the patient lies on the side (Patient Position decubitus).
        c_arm: the equipment is a C-arm (Positioner Type).
        flipped: the stored picture is the mirror image of how the view is conventionally
            read, according to Patient Orientation; None where unknown.
        acquired: date and time as written, for the order of a series only.
        child: the patient was younger than `ADULT_YEARS` when the film was taken.
    """

    view: str | None = None
    side: str | None = None
    body_part: str | None = None
    sid_mm: float | None = None
    sod_mm: float | None = None
    central_ray: tuple[float, float] | None = None
    lying_on_side: bool | None = None
    c_arm: bool | None = None
    flipped: bool | None = None
    acquired: str | None = None
    child: bool | None = None


@dataclass(frozen=True)
class Film:
    """One picture, dense tissue bright, in the stored pixel matrix.

    Attributes:
        pixels: (rows, columns) float32, 0 (darkest stored value in use) to 1 (brightest);
            MONOCHROME1 already inverted, so that bone is bright. Never flipped or rotated.
        source: the path or address it came from.
        sha256: hex digest of the source file's bytes.
        frame: from 1 in a multi-frame file, None in a single one.
        sop_instance: SOP Instance UID, or None.
        series_digest, study_digest: sha256 (first 16 hex) of the UIDs, or None: enough to
            group films, not to look a patient up.
        scale: millimetres, where the file allows them.
        header: what the file claims.
        cautions: sentences the reader wants printed with the reading.
    """

    pixels: NDArray[np.float32]
    source: str
    sha256: str
    frame: int | None = None
    sop_instance: str | None = None
    series_digest: str | None = None
    study_digest: str | None = None
    scale: Scale = field(default_factory=Scale)
    header: HeaderHints = field(default_factory=HeaderHints)
    cautions: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if self.pixels.ndim != 2 or self.pixels.dtype != np.float32:
            raise ValueError(
                f"expected a 2-D float32 array, got {self.pixels.dtype} {self.pixels.shape}"
            )

    @property
    def rows(self) -> int:
        return int(self.pixels.shape[0])

    @property
    def columns(self) -> int:
        return int(self.pixels.shape[1])
