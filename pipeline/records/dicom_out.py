"""Writes a synthetic film as a DICOM file, for demonstrations and for tests of the reader.

Everything in it is invented and says so. Unique identifiers come from the seed alone (a digest
under the UUID root 2.25, DICOM PS3.5 B.2), so the same film is the same file everywhere.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np
from pydicom.dataset import Dataset, FileDataset, FileMetaDataset
from pydicom.sequence import Sequence as DicomSequence
from pydicom.uid import (
    UID,
    DigitalXRayImageStorageForPresentation,
    ExplicitVRLittleEndian,
    XRayAngiographicImageStorage,
)

from pipeline.knee.film import Film
from pipeline.knee.truth import KneeTruth
from pipeline.records.files import disk_errors

INVENTED = "INVENTED"

_VIEWS = {
    # View Position and CID 4010 DX View (SNOMED CT, as in the dictionaries pydicom carries).
    ("AP", "right"): ("AP", "399348003", "antero-posterior"),
    ("AP", "left"): ("AP", "399348003", "antero-posterior"),
    ("lateral", "right"): ("RL", "399198007", "right lateral"),
    ("lateral", "left"): ("LL", "399173006", "left lateral"),
}


@dataclass(frozen=True)
class Invention:
    """The invented circumstances of one film.

    Attributes:
        patient, study, series, instance: words from which the UIDs are derived.
        number: Instance Number.
        day: Study Date, YYYYMMDD.
        body_part: Body Part Examined.
        photometric: MONOCHROME1 stores the picture inverted.
        orientation: Patient Orientation, directions of the rows and of the columns
            (`orientation_of`), or None to leave it out.
    """

    patient: str
    study: str
    series: str
    instance: str
    number: int = 1
    day: str = "20200101"
    body_part: str = "KNEE"
    photometric: Literal["MONOCHROME1", "MONOCHROME2"] = "MONOCHROME2"
    orientation: tuple[str, str] | None = None


def orientation_of(truth: KneeTruth) -> tuple[str, str]:
    """Patient Orientation (DICOM PS3.3 C.7.6.1.1.1) of an upright film of that knee."""
    if truth.view == "lateral":
        return ("A" if truth.lateral_to_right else "P", "F")
    lateral, medial = ("R", "L") if truth.side == "right" else ("L", "R")
    return (lateral if truth.lateral_to_right else medial, "F")


def uid_of(*words: str) -> UID:
    """A UID under 2.25 from words: always the same for the same words."""
    digest = hashlib.sha256("\0".join(("squareon invented", *words)).encode()).digest()
    # A version 4 UUID, as the root asks for.
    value = int.from_bytes(digest[:16], "big")
    value = value & ~(0xF << 76) | (0x4 << 76)
    value = value & ~(0x3 << 62) | (0x2 << 62)
    return UID(f"2.25.{value}")


def write_dicom(path: Path, film: Film, invention: Invention) -> None:
    """Writes `film` with 12 bits stored; what its header hints leave open stays out of the file.

    `film.scale.mm_per_px_detector` becomes Imager Pixel Spacing. A C-arm film becomes an X-ray
    angiographic image, any other a digital radiograph for presentation.
    """
    data = dataset_of(film, invention)
    with disk_errors(path):
        path.parent.mkdir(parents=True, exist_ok=True)
        data.save_as(path, enforce_file_format=True)


def dataset_of(film: Film, invention: Invention) -> FileDataset:
    """The DICOM dataset that `write_dicom` stores."""
    header, c_arm = film.header, bool(film.header.c_arm)
    meta = FileMetaDataset()
    meta.MediaStorageSOPClassUID = (
        XRayAngiographicImageStorage if c_arm else DigitalXRayImageStorageForPresentation
    )
    meta.MediaStorageSOPInstanceUID = uid_of("instance", invention.instance)
    meta.TransferSyntaxUID = ExplicitVRLittleEndian
    data = FileDataset("", {}, file_meta=meta, preamble=b"\0" * 128)
    data.SOPClassUID = meta.MediaStorageSOPClassUID
    data.SOPInstanceUID = meta.MediaStorageSOPInstanceUID
    data.StudyInstanceUID = uid_of("study", invention.study)
    data.SeriesInstanceUID = uid_of("series", invention.series)
    data.Modality = "XA" if c_arm else "DX"
    data.PatientName = f"{INVENTED}^{invention.patient}"
    data.PatientID = f"{INVENTED}-{invention.patient}"
    data.PatientBirthDate = ""
    data.PatientSex = ""
    data.StudyDate = data.ContentDate = data.AcquisitionDate = invention.day
    data.StudyTime = data.ContentTime = f"1200{invention.number:02d}"
    data.AcquisitionTime = data.ContentTime
    data.AccessionNumber = ""
    data.ReferringPhysicianName = ""
    data.StudyID = ""
    data.StudyDescription = data.SeriesDescription = f"{INVENTED} synthetic knee film"
    data.ImageComments = f"{INVENTED}: computed from a virtual knee; not for guidance"
    data.Manufacturer = f"{INVENTED} synthetic film generator"
    data.SeriesNumber, data.InstanceNumber = 1, invention.number
    data.ImageType = ["DERIVED", "PRIMARY"]
    data.BodyPartExamined = invention.body_part
    data.BurnedInAnnotation = "NO"
    data.PixelIntensityRelationship = "LOG"
    # +1: lower stored values mean less X-ray (DICOM PS3.3 C.8.11.3), as where bone is dark.
    data.PixelIntensityRelationshipSign = 1 if invention.photometric == "MONOCHROME1" else -1
    _add_geometry(data, film)
    view = _VIEWS.get((header.view or "", header.side or ""))
    if view is not None and not c_arm:
        code = Dataset()
        data.ViewPosition, code.CodeValue, code.CodeMeaning = view
        code.CodingSchemeDesignator = "SCT"
        data.ViewCodeSequence = DicomSequence([code])
    data.ImageLaterality = {"right": "R", "left": "L"}.get(header.side or "", "U")
    data.PositionerType = "CARM" if c_arm else "NONE"
    if not c_arm:
        data.PresentationIntentType = "FOR PRESENTATION"
    if invention.orientation is not None:
        data.PatientOrientation = list(invention.orientation)
    _add_pixels(data, film, invention)
    return data


def _add_geometry(data: Dataset, film: Film) -> None:
    spacing = film.scale.mm_per_px_detector
    if spacing is not None:
        data.ImagerPixelSpacing = [f"{spacing:.6g}"] * 2
    if film.header.sid_mm is not None:
        data.DistanceSourceToDetector = f"{film.header.sid_mm:.6g}"
    if film.header.sod_mm is not None:
        data.DistanceSourceToPatient = f"{film.header.sod_mm:.6g}"
    if film.header.sid_mm is not None and film.header.sod_mm is not None:
        magnification = film.header.sid_mm / film.header.sod_mm
        data.EstimatedRadiographicMagnificationFactor = f"{magnification:.6g}"


def _add_pixels(data: Dataset, film: Film, invention: Invention) -> None:
    stored = np.round(np.clip(film.pixels, 0, 1) * 4095).astype("<u2")
    if invention.photometric == "MONOCHROME1":
        stored = 4095 - stored
        data.PresentationLUTShape = "INVERSE"
    else:
        data.PresentationLUTShape = "IDENTITY"
    data.PhotometricInterpretation = invention.photometric
    data.SamplesPerPixel, data.Rows, data.Columns = 1, film.rows, film.columns
    data.BitsAllocated, data.BitsStored, data.HighBit, data.PixelRepresentation = 16, 12, 11, 0
    data.RescaleIntercept, data.RescaleSlope, data.RescaleType = "0", "1", "US"
    data.WindowCenter, data.WindowWidth = "2048", "4096"
    data.PixelData = stored.tobytes()
