"""When a picture was taken and what it cost: for series of shots, from the header alone."""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from pathlib import Path

import pydicom

from pipeline.readers.dicom_header import acquired
from pipeline.readers.dicom_tags import Tags
from pipeline.readers.files import first_bytes, has_preamble


@dataclass(frozen=True)
class Shot:
    """One picture's circumstances; None where the header is silent.

    Attributes:
        acquired: date and time as written (YYYYMMDD HHMMSS.ffffff), for the order only.
        number: Instance Number (0020,0013), for the order within one second.
        dose_area_gy_cm2: Image and Fluoroscopy Area Dose Product (0018,115E), which DICOM states
            in dGy cm2 (PS3.3 C.8.7.2).
        entrance_dose_mgy: Entrance Dose in mGy (0040,8302).
        kvp: peak kilovoltage (0018,0060).
        mas: Exposure in mAs, from (0018,1153) in uAs where it is there, else (0018,1152).
    """

    acquired: str | None = None
    number: int | None = None
    dose_area_gy_cm2: float | None = None
    entrance_dose_mgy: float | None = None
    kvp: float | None = None
    mas: float | None = None


def read_shot(path: Path, frame: int | None = None) -> Shot:
    """The circumstances of one picture; an empty `Shot` for anything but DICOM. Never raises."""
    try:
        if not has_preamble(first_bytes(path)):
            return Shot()
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # pydicom quotes header values
            dataset = pydicom.dcmread(path, stop_before_pixels=True)
        tags = Tags(dataset, 0 if frame is None else frame - 1)
        product, fine = (
            tags.number("ImageAndFluoroscopyAreaDoseProduct"),
            tags.number("ExposureInuAs"),
        )
        number = tags.number("InstanceNumber")
        return Shot(
            acquired=acquired(tags),
            number=None if number is None else int(number),
            dose_area_gy_cm2=None if product is None else product / 10.0,
            entrance_dose_mgy=tags.number("EntranceDoseInmGy"),
            kvp=tags.number("KVP"),
            mas=tags.number("Exposure") if fine is None else fine / 1000.0,
        )
    except Exception:  # a film that cannot be opened says so elsewhere
        return Shot()
