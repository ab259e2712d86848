"""When a picture was taken, from where, and what it cost: from the header alone."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

from pydicom.dataset import Dataset

from pipeline.readers.dicom_header import acquired, lying_on_side
from pipeline.readers.dicom_tags import Tags, read_header

TABLE_ANGLES = {
    "turned": "TableHorizontalRotationAngle",
    "tipped": "TableHeadTiltAngle",
    "cradled": "TableCradleTiltAngle",
}
"""(0018,9469), (0018,9470), (0018,9471)."""


@dataclass(frozen=True)
class Positioner:
    """Where a C-arm stood, degrees, as the header says.

    Attributes:
        primary, secondary: Positioner Primary and Secondary Angle (0018,1510), (0018,1511), those
            of this frame; about the patient's body (`by` patient) or, where only the isocentre
            form is there, (0018,9463), (0018,9464), about the room (`by` isocentre).
        patient: Patient Position (0018,5100), e.g. HFS; None where silent.
        turned, tipped, cradled: the table's angles; None where silent.
    """

    primary: float
    secondary: float
    by: str = "patient"
    patient: str | None = None
    turned: float | None = None
    tipped: float | None = None
    cradled: float | None = None


@dataclass(frozen=True)
class Shot:
    """One picture's circumstances; None where the header is silent.

    Attributes:
        acquired: date and time as written (YYYYMMDD HHMMSS.ffffff), for the order only.
        number: Instance Number (0020,0013), for the order within one second.
        dose_area_gy_cm2: Image and Fluoroscopy Area Dose Product (0018,115E), which DICOM states
            in dGy cm2 (PS3.3 C.8.7.2), of this picture. A file of several frames states it for all
            of them together, unless it is given frame by frame.
        run_dose_area_gy_cm2: that of the whole file, where it is not this picture's own.
        frames: pictures in the file.
        entrance_dose_mgy: Entrance Dose in mGy (0040,8302).
        kvp: peak kilovoltage (0018,0060).
        mas: Exposure in mAs, from (0018,1153) in uAs where it is there, else (0018,1152).
        positioner: where the C-arm stood.
        lying_on_side: the patient lay on the side.
        invented: the file says that it was made up for demonstration.
    """

    acquired: str | None = None
    number: int | None = None
    dose_area_gy_cm2: float | None = None
    entrance_dose_mgy: float | None = None
    kvp: float | None = None
    mas: float | None = None
    run_dose_area_gy_cm2: float | None = None
    frames: int = 1
    positioner: Positioner | None = None
    lying_on_side: bool | None = None
    invented: bool = False


def read_shot(path: Path, frame: int | None = None) -> Shot:
    """The circumstances of one picture; an empty `Shot` for anything but DICOM. Never raises."""
    header = read_header(path)
    return Shot() if header is None else shot_of(header, frame)


def shot_of(header: Dataset, frame: int | None = None) -> Shot:
    """The circumstances of one frame, counted from 1. Never raises."""
    try:
        return _shot(header, 0 if frame is None else frame - 1)
    except Exception:  # damaged headers are told of when the film is read
        return Shot()


def _shot(header: Dataset, frame: int) -> Shot:
    tags = Tags(header, frame)
    fine, number = tags.number("ExposureInuAs"), tags.number("InstanceNumber")
    frames = int(tags.number("NumberOfFrames") or 1)
    product = tags.number("ImageAndFluoroscopyAreaDoseProduct")
    dose = None if product is None else product / 10.0
    own = frames == 1 or _frame_by_frame(header, frame)
    comment = (tags.text("ImageComments") or "") + (tags.text("PatientID") or "")
    return Shot(
        acquired=acquired(tags),
        number=None if number is None else int(number),
        dose_area_gy_cm2=dose if own else None,
        entrance_dose_mgy=tags.number("EntranceDoseInmGy"),
        kvp=tags.number("KVP"),
        mas=tags.number("Exposure") if fine is None else fine / 1000.0,
        run_dose_area_gy_cm2=None if own else dose,
        frames=frames,
        positioner=_positioner(tags, frame),
        lying_on_side=lying_on_side(tags),
        invented="INVENTED" in comment,
    )


def _frame_by_frame(header: Dataset, frame: int) -> bool:
    """Whether the dose stands in the frame's own functional groups (PS3.3 C.7.6.16)."""
    groups = header.get("PerFrameFunctionalGroupsSequence") or []
    if frame >= len(groups):
        return False
    alone = Dataset()
    alone.PerFrameFunctionalGroupsSequence = groups
    return Tags(alone, frame).number("ImageAndFluoroscopyAreaDoseProduct") is not None


def _positioner(tags: Tags, frame: int) -> Positioner | None:
    for by, names in (
        ("patient", ("PositionerPrimaryAngle", "PositionerSecondaryAngle")),
        ("isocentre", ("PositionerIsocenterPrimaryAngle", "PositionerIsocenterSecondaryAngle")),
    ):
        primary, secondary = (_degrees(tags, name) for name in names)
        if primary is None:
            continue
        if by == "patient" and tags.text("PositionerMotion") == "DYNAMIC":
            primary += _increments(tags, "PositionerPrimaryAngleIncrement", frame)
            if secondary is not None:
                secondary += _increments(tags, "PositionerSecondaryAngleIncrement", frame)
        table = {key: _degrees(tags, name) for key, name in TABLE_ANGLES.items()}
        return Positioner(primary, secondary or 0.0, by, tags.text("PatientPosition"), **table)
    return None


def _degrees(tags: Tags, name: str) -> float | None:
    value = tags.numbers(name)
    return None if value is None or not math.isfinite(value[0]) else value[0]


def _increments(tags: Tags, name: str, frame: int) -> float:
    """Degrees added up to this frame, each taken as the change from the frame before.

    So the attribute's name and its one value per frame are understood (PS3.3 C.8.7.5, from
    memory); some equipment is said to count from the first frame instead.
    """
    steps = tags.numbers(name, frame + 1) or ()
    return sum(step for step in steps if math.isfinite(step))
