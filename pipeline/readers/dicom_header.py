"""What a DICOM header claims about view, side, patient and equipment: hints, never facts."""

from __future__ import annotations

import re

import numpy as np

from pipeline.knee.film import ADULT_YEARS, HeaderHints
from pipeline.readers.dicom_scale import SpacingTags
from pipeline.readers.dicom_tags import Tags

VIEW_POSITIONS = {
    "AP": "AP",
    "PA": "AP",
    "LL": "lateral",
    "RL": "lateral",
    "LAT": "lateral",
    "LATERAL": "lateral",
    "ML": "lateral",
    "LM": "lateral",
    "RLO": "other",
    "LLO": "other",
    "OBLIQUE": "other",
    "OBL": "other",
    "LAO": "other",
    "RAO": "other",
    "LPO": "other",
    "RPO": "other",
    "AXIAL": "other",
    "TANGENTIAL": "other",
    "SKYLINE": "other",
    "SUNRISE": "other",
    "TUNNEL": "other",
}
"""View Position (0018,5101): the standard's terms (AP PA LL RL RLD LLD RLO LLO, PS3.3 C.8.1.2)
and words met in its place (from memory). LLD and RLD name how the patient lies, not the view."""

VIEW_CODES = {
    "399348003": "AP",
    "272479007": "AP",
    "399033003": "AP",  # frontal
    "399173006": "lateral",
    "399198007": "lateral",
    "399352003": "lateral",  # latero-medial
    "399260004": "lateral",  # medio-lateral
    "261129000": "lateral",  # mediolateral, as some write it
    "399067008": "lateral",
    "R-10206": "AP",
    "R-10214": "AP",
    "R-10236": "lateral",
    "R-10232": "lateral",
    "R-10228": "lateral",
    "R-10224": "lateral",
}
"""View Code Sequence (0054,0220): SNOMED CT codes of CID 4010 as in pydicom's tables, and their
older SNOMED-RT forms (from memory)."""

_OTHER_VIEWS = (
    "399038007 399225005 399059000 399061009 399110001 399162004 399099002 399288005 399135007 "
    "260427002 399236003 399368009 399196006 399356000 399312000 399184004 399182000 260426006 "
    "399132005 399325008 399160007 399004004 399006002"
)
OTHER_VIEW_CODES = frozenset(_OTHER_VIEWS.split())
"""Codes of CID 4010 for oblique, axial and tangential projections (pydicom's tables)."""

BODY_PARTS = {
    "72696002": "KNEE",
    "49076000": "KNEE",
    "64234005": "PATELLA",
    "71341001": "FEMUR",
    "12611008": "TIBIA",
    "87342007": "FIBULA",
}
"""Anatomic Region Sequence codes (SNOMED CT, pydicom's tables); others are left unsaid."""

SIDE_CODES = {"7771000": "left", "24028007": "right"}

DECUBITUS = frozenset({"32185000", "102536004", "102535000"})
"""CID 20: lateral, left lateral, right lateral decubitus."""

_DIRECTIONS = {
    "L": (1, 0, 0),
    "R": (-1, 0, 0),
    "P": (0, 1, 0),
    "A": (0, -1, 0),
    "H": (0, 0, 1),
    "F": (0, 0, -1),
}
"""Patient directions in DICOM's axes (PS3.3 C.7.6.2: x to the left, y to the back, z up)."""

CENTRED = 0.02


def hints_of(tags: Tags, rows: int, columns: int) -> tuple[HeaderHints, tuple[str, ...]]:
    """The header's claims about one frame, and cautions where it contradicts itself.

    Field of View Rotation and Horizontal Flip are not asked: they tell what was already done to
    the pixels.
    """
    side, cautions = _side(tags)
    view = _view(tags)
    hints = HeaderHints(
        view=view,
        side=side,
        body_part=body_part(tags),
        sid_mm=tags.number("DistanceSourceToDetector"),
        sod_mm=source_to_patient(tags),
        central_ray=_central_ray(tags, rows, columns),
        lying_on_side=lying_on_side(tags),
        c_arm=_c_arm(tags),
        flipped=None if view not in ("AP", None) else mirrored(tags.texts("PatientOrientation")),
        acquired=acquired(tags),
        child=_child(tags),
    )
    return hints, cautions


def _child(tags: Tags) -> bool | None:
    """Whether the patient was no adult yet: by the age, else by the dates of birth and study."""
    age = re.fullmatch(r"(\d{3})([DWMY])", tags.text("PatientAge") or "")
    if age:
        per_year = {"D": 365.25, "W": 52.18, "M": 12.0, "Y": 1.0}
        return int(age[1]) / per_year[age[2]] < ADULT_YEARS
    born, taken = (tags.text(name) or "" for name in ("PatientBirthDate", "StudyDate"))
    if not all(re.fullmatch(r"(19|20)\d{6}", day) for day in (born, taken)) or taken < born:
        return None
    # Dates as whole numbers, yyyymmdd: an age in years is their difference without the last four.
    return (int(taken) - int(born)) // 10000 < ADULT_YEARS


def spacing_tags(tags: Tags) -> SpacingTags:
    """What `scale_of` decides from."""
    factor = tags.numbers("EstimatedRadiographicMagnificationFactor")
    return SpacingTags(
        pixel=tags.numbers("PixelSpacing", 2),
        imager=tags.numbers("ImagerPixelSpacing", 2),
        scanned=tags.numbers("NominalScannedPixelSpacing", 2),
        calibration=tags.text("PixelSpacingCalibrationType"),
        factor=None if factor is None else factor[0],
        sid_mm=tags.number("DistanceSourceToDetector"),
        sod_mm=source_to_patient(tags),
        aspect=tags.numbers("PixelAspectRatio", 2),
    )


def source_to_patient(tags: Tags) -> float | None:
    """Distance Source to Patient, or to the isocentre, which XA means by it, mm."""
    return tags.number("DistanceSourceToPatient") or tags.number("DistanceSourceToIsocenter")


def mirrored(orientation: tuple[str, ...]) -> bool | None:
    """Whether a frontal picture is seen from behind the patient instead of face to face.

    Args:
        orientation: Patient Orientation (0020,0020): direction of the rows (to the right), of
            the columns (down). `L\\F` is the usual way; a picture turned in its own plane keeps
            the answer.

    None where a direction is missing, both lie on one axis, or the plane is not frontal: from
    which side a lateral picture is seen is a choice of projection, no mirroring.
    """
    if len(orientation) != 2 or any(not each or each[0] not in _DIRECTIONS for each in orientation):
        return None
    right, down = (np.array(_DIRECTIONS[each[0]]) for each in orientation)
    away = np.cross(right, down)[1]  # toward the patient's back: seen from in front
    return None if away == 0 else bool(away < 0)


def _view(tags: Tags) -> str | None:
    claims = {VIEW_CODES[code] for code in tags.codes("ViewCodeSequence") if code in VIEW_CODES}
    if any(code in OTHER_VIEW_CODES for code in tags.codes("ViewCodeSequence")):
        claims.add("other")
    if not claims:
        position = tags.text("ViewPosition")
        return VIEW_POSITIONS.get(position) if position else None
    return claims.pop() if len(claims) == 1 else None


def _side(tags: Tags) -> tuple[str | None, tuple[str, ...]]:
    claims = [
        {"R": "right", "L": "left"}.get(value)
        for keyword in ("ImageLaterality", "FrameLaterality", "Laterality")
        if (value := tags.text(keyword)) in ("R", "L", "B", "U")
    ]
    if not claims:
        for region in tags.items("AnatomicRegionSequence"):
            codes = Tags(region).codes("AnatomicRegionModifierSequence")
            claims += [SIDE_CODES[code] for code in codes if code in SIDE_CODES]
    sides = {claim for claim in claims if claim}
    if len(sides) > 1:
        return None, ("the header says both right and left; its side was not used",)
    return (sides.pop() if sides and claims[0] else None), ()


def body_part(tags: Tags) -> str | None:
    """Body Part Examined as written, else the name of a coded region that is known here."""
    written = tags.text("BodyPartExamined")
    if written:
        return written
    named = [
        BODY_PARTS[code] for code in tags.codes("AnatomicRegionSequence") if code in BODY_PARTS
    ]
    return named[0] if named else None


def lying_on_side(tags: Tags) -> bool | None:
    """Whether the patient lay on the side; None where the header is silent."""
    if tags.text("ViewPosition") in ("LLD", "RLD"):
        return True
    position = tags.text("PatientPosition")  # PS3.3 C.7.3.1.1.2
    if position and re.fullmatch(r"(HF|FF|LF|RF|AF|PF)D[RL]", position):
        return True
    if position and re.fullmatch(r"(HF|FF|LF|RF|AF|PF)[SP]", position):
        return False
    for item in tags.items("PatientOrientationCodeSequence"):
        codes = set(Tags(item).codes("PatientOrientationModifierCodeSequence"))
        if codes & DECUBITUS:
            return True
        if codes & {"40199007", "1240000"}:  # supine, prone
            return False
    return None


def _c_arm(tags: Tags) -> bool | None:
    positioner = tags.text("PositionerType")
    return None if positioner in (None, "NONE") else positioner == "CARM"


def _central_ray(tags: Tags, rows: int, columns: int) -> tuple[float, float] | None:
    """The middle of the film, but only where the header shows that nothing was cut off.

    All of these: Detector Active Dimensions equal the matrix times Imager Pixel Spacing (1 %);
    Field of View Origin missing or 0\\0; tube and detector angles missing or zero; a rectangular
    collimator, where stated, is symmetrical about the middle (2 % of the side). It then rests on
    the tube pointing at the detector's middle (common practice, no source).
    """
    active = tags.numbers("DetectorActiveDimensions", 2)
    spacing = tags.numbers("ImagerPixelSpacing", 2)
    if active is None or spacing is None:
        return None
    for length, step, count in zip(active, spacing, (rows, columns), strict=True):
        if not abs(step * count - length) <= 0.01 * length:  # also for NaN
            return None
    for keyword in (
        "FieldOfViewOrigin",
        "ColumnAngulation",
        "DetectorPrimaryAngle",
        "DetectorSecondaryAngle",
    ):
        values = tags.numbers(keyword, 2 if keyword == "FieldOfViewOrigin" else 1)
        if values is not None and any(value != 0 for value in values):
            return None
    for first, last, side in (
        ("CollimatorLeftVerticalEdge", "CollimatorRightVerticalEdge", columns),
        ("CollimatorUpperHorizontalEdge", "CollimatorLowerHorizontalEdge", rows),
    ):
        edges = [tags.numbers(first), tags.numbers(last)]
        if edges[0] is None and edges[1] is None:
            continue
        if edges[0] is None or edges[1] is None:
            return None
        middle = (edges[0][0] + edges[1][0]) / 2
        if not abs(middle - (side + 1) / 2) <= CENTRED * side:
            return None
    return ((columns - 1) / 2, (rows - 1) / 2)


def acquired(tags: Tags) -> str | None:
    """Date and time as written, or None."""
    for date, time in (
        ("AcquisitionDate", "AcquisitionTime"),
        ("AcquisitionDateTime", None),
        ("FrameAcquisitionDateTime", None),
        ("ContentDate", "ContentTime"),
    ):
        day = tags.text(date)
        if day:
            hour = tags.text(time) if time else None
            return f"{day} {hour}" if hour else day
    return None
