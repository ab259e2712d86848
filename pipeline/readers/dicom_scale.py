"""Millimetres from a DICOM header.

DICOM's words (PS3.3 C.7.6.1, C.8.7.1, C.8.11.4, 10.7): Imager Pixel Spacing is measured at the
detector and never corrected; Pixel Spacing is in the patient where it was calibrated, and then
differs from it; a value is row spacing, then column spacing.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from pipeline.knee.film import Scale

BY_FIDUCIAL = "calibrated by fiducial"
BY_GEOMETRY = "calibrated by geometry"
BY_DIFFERENCE = "calibrated, method not stated"
BY_MAGNIFICATION = "imager spacing and magnification"
BY_DISTANCES = "imager spacing and distances"
IMAGER_ONLY = "imager spacing"
SCANNED = "nominal scanned spacing"
NONE = "none"

RULES = (
    BY_FIDUCIAL,
    BY_GEOMETRY,
    BY_DIFFERENCE,
    BY_MAGNIFICATION,
    BY_DISTANCES,
    IMAGER_ONLY,
    SCANNED,
    NONE,
)

SAME = 0.005
"""Spacings closer than this part are the same value written twice."""

SQUARE = 0.01
"""Row and column spacing may differ by this part; landmarks need one mm for both."""

SPACINGS_MM = (0.01, 5.0)
MAGNIFICATIONS = (1.0, 3.0)
"""What is believed; a knee stands at 1.0 to 1.5 (common practice, no source)."""

AGREE = 0.05


@dataclass(frozen=True)
class SpacingTags:
    """What a header holds; a spacing is (row, column) mm, raw and unchecked.

    Attributes:
        pixel, imager, scanned: Pixel Spacing, Imager Pixel Spacing, Nominal Scanned Pixel
            Spacing; None where the tag is missing or empty.
        calibration: Pixel Spacing Calibration Type, upper case.
        factor: Estimated Radiographic Magnification Factor.
        sid_mm, sod_mm: Distance Source to Detector, to Patient.
        aspect: Pixel Aspect Ratio (row, column).
    """

    pixel: Sequence[float] | None = None
    imager: Sequence[float] | None = None
    scanned: Sequence[float] | None = None
    calibration: str | None = None
    factor: float | None = None
    sid_mm: float | None = None
    sod_mm: float | None = None
    aspect: Sequence[float] | None = None


def scale_of(tags: SpacingTags) -> tuple[Scale, tuple[str, ...]]:
    """The scale, the rule that gave it, and cautions; never raises.

    1. Pixel Spacing of calibration type FIDUCIAL or GEOMETRY: at the knee. Imager Pixel Spacing,
       where given, is the detector's.
    2. Pixel Spacing that differs from Imager Pixel Spacing: calibrated, at the knee.
    3. Imager Pixel Spacing with the Estimated Radiographic Magnification Factor, or else with
       the two distances (SID / SOD): detector and knee.
    4. Imager Pixel Spacing alone: detector only.
    5. Nominal Scanned Pixel Spacing of a digitised film: the film, that is the detector, only.
    6. Pixel Spacing alone without a calibration type, or nothing: no mm.

    A calibrated spacing equal to the imager's is uncorrected whatever the type says; a zero,
    negative, absurd or missing number counts as not given; different row and column spacing
    (`SQUARE`) gives no mm. Each of these adds a caution.
    """
    cautions: list[str] = []
    if tags.aspect is not None and not _same(tags.aspect[0], tags.aspect[-1], SQUARE):
        cautions.append("the pixels are not square, so no mm are given and angles are distorted")
        return Scale(), tuple(cautions)
    pixel, imager, scanned = (
        _spacing(name, value, cautions)
        for name, value in (
            ("Pixel Spacing", tags.pixel),
            ("Imager Pixel Spacing", tags.imager),
            ("Nominal Scanned Pixel Spacing", tags.scanned),
        )
    )
    if any("not square" in caution for caution in cautions):
        return Scale(), tuple(cautions)
    stated = {"FIDUCIAL": BY_FIDUCIAL, "GEOMETRY": BY_GEOMETRY}.get(tags.calibration or "")
    calibrated = stated or (BY_DIFFERENCE if imager is not None else None)
    if pixel is not None and calibrated and not (imager and _same(pixel, imager, SAME)):
        if imager is None or _believed(imager / pixel):
            return Scale(imager, pixel, calibrated), tuple(cautions)
        cautions.append(
            f"Pixel Spacing ({pixel:g} mm) does not fit Imager Pixel Spacing ({imager:g} mm) "
            "and was not used"
        )
    elif stated and pixel is not None:
        cautions.append(
            "Pixel Spacing is called calibrated but equals Imager Pixel Spacing; "
            "it was taken as uncorrected"
        )
    if imager is not None:
        magnification, rule = _magnification(tags, cautions)
        if magnification is None:
            return Scale(imager, None, IMAGER_ONLY), tuple(cautions)
        return Scale(imager, imager / magnification, rule), tuple(cautions)
    if scanned is not None:
        return Scale(scanned, None, SCANNED), tuple(cautions)
    if pixel is not None:
        cautions.append(
            "Pixel Spacing is given without saying where it was measured, so no mm are given"
        )
    return Scale(), tuple(cautions)


def _spacing(name: str, value: Sequence[float] | None, cautions: list[str]) -> float | None:
    """One mm for both directions, or None with a caution where the value is no use."""
    if value is None:
        return None
    row, column = float(value[0]), float(value[-1])
    low, high = SPACINGS_MM
    if not (low <= row <= high and low <= column <= high):  # also false for NaN
        cautions.append(f"{name} is {row:g} by {column:g} mm, which cannot be, and was not used")
        return None
    if not _same(row, column, SQUARE):
        cautions.append(
            f"{name} is {row:g} by {column:g} mm: the pixels are not square, so no mm are given "
            "and angles are distorted"
        )
        return None
    return math.sqrt(row * column)


def _magnification(tags: SpacingTags, cautions: list[str]) -> tuple[float | None, str]:
    factor = _number("Estimated Radiographic Magnification Factor", tags.factor, cautions)
    quotient = None
    if tags.sid_mm and tags.sod_mm:
        ratio = tags.sid_mm / tags.sod_mm
        quotient = _number("Distance Source to Detector over to Patient", ratio, cautions)
    if factor is not None:
        if quotient is not None and not _same(factor, quotient, AGREE):
            cautions.append(
                f"the header's magnification factor ({factor:.3g}) and distances "
                f"({quotient:.3g}) disagree; the factor was used"
            )
        return factor, BY_MAGNIFICATION
    return quotient, BY_DISTANCES


def _number(name: str, value: float | None, cautions: list[str]) -> float | None:
    if value is None or _believed(value):
        return value
    cautions.append(f"{name} is {value:g}, which cannot be, and was not used")
    return None


def _believed(magnification: float) -> bool:
    return MAGNIFICATIONS[0] <= magnification <= MAGNIFICATIONS[1]


def _same(a: float, b: float, part: float) -> bool:
    return abs(a - b) <= part * max(abs(a), abs(b))
