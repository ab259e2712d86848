"""A small archive of invented films as files, and what a server of them needs to know."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.uid import ExplicitVRLittleEndian

from pipeline.archive.contract import Listed, Source, Wanted

DX = "1.2.840.10008.5.1.4.1.1.1.1"
REPORT = "1.2.840.10008.5.1.4.1.1.88.11"
PATIENT = "Inventedname^Testperson"
PATIENT_ID = "INVENTED-ID-4711"
ROOT = "1.2.826.0.1.3680043.10.543"


CODE = Dataset()
CODE.CodeValue, CODE.CodingSchemeDesignator, CODE.CodeMeaning = "1", "99INVENTED", "Invented"
REPORTED = {
    "CompletionFlag": "COMPLETE",
    "VerificationFlag": "UNVERIFIED",
    "ContentDate": "20240102",
    "ContentTime": "120000",
    "ConceptNameCodeSequence": [CODE],
}


@dataclass(frozen=True)
class Kept:
    """One object of the archive."""

    path: Path
    dataset: Dataset

    @property
    def name(self) -> str:
        """As `Listed.name`."""
        ds = self.dataset
        return f"{ds.StudyInstanceUID}/{ds.SeriesInstanceUID}/{ds.SOPInstanceUID}"


def film(study: int, series: int, instance: int, size: int = 32, **tags: Any) -> Dataset:
    """An invented DX film; a tag given as None is left out."""
    ds = Dataset()
    ds.file_meta = FileMetaDataset()
    ds.file_meta.FileMetaInformationVersion = b"\0\1"
    ds.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    ds.file_meta.ImplementationClassUID = f"{ROOT}.99"
    ds.SOPClassUID = DX
    ds.SOPInstanceUID = f"{ROOT}.{study}.{series}.{instance}"
    ds.StudyInstanceUID = f"{ROOT}.{study}"
    ds.SeriesInstanceUID = f"{ROOT}.{study}.{series}"
    ds.PatientName, ds.PatientID = PATIENT, PATIENT_ID
    ds.PatientBirthDate, ds.PatientSex = "", ""
    ds.StudyDate, ds.StudyTime = "20240102", "120000"
    ds.AccessionNumber, ds.StudyID = "", "1"
    ds.ReferringPhysicianName = ""
    ds.SeriesNumber, ds.InstanceNumber = series, instance
    ds.Modality, ds.BodyPartExamined, ds.StationName = "DX", "KNEE", "ROOM1"
    ds.ImageLaterality = "R"
    ds.Rows = ds.Columns = size
    ds.SamplesPerPixel, ds.PhotometricInterpretation = 1, "MONOCHROME2"
    ds.BitsAllocated = ds.BitsStored = 16
    ds.HighBit, ds.PixelRepresentation = 15, 0
    rng = np.random.default_rng([study, series, instance])
    ds.PixelData = rng.integers(0, 4096, (size, size), np.uint16).tobytes()
    for keyword, value in tags.items():
        if value is None:
            delattr(ds, keyword)
        else:
            setattr(ds, keyword, value)
    ds.file_meta.MediaStorageSOPClassUID = ds.SOPClassUID
    ds.file_meta.MediaStorageSOPInstanceUID = ds.SOPInstanceUID
    return ds


def write(folder: Path, ds: Dataset) -> Kept:
    """The film as a file."""
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / f"{ds.SOPInstanceUID}.dcm"
    ds.save_as(path, enforce_file_format=True)
    return Kept(path, ds)


def small_archive(folder: Path) -> list[Kept]:
    """Three studies: two films in one series and one in another; a hand of another year and
    room; a film whose header is nearly silent, beside a report."""
    return [
        write(folder, each)
        for each in (
            film(1, 1, 1),
            film(1, 1, 2),
            film(1, 2, 1, Modality="CR", SOPClassUID="1.2.840.10008.5.1.4.1.1.1"),
            film(2, 1, 1, BodyPartExamined="HAND", StudyDate="20190505", StationName="ROOM2"),
            film(3, 1, 1, BodyPartExamined=None, StationName=None),
            film(3, 2, 1, Modality="SR", SOPClassUID=REPORT, **REPORTED),
        )
    ]


def names(source: Source, wanted: Wanted | None = None) -> list[str]:
    """What a source lists, all of it readable."""
    found = list(source.list(wanted or Wanted()))
    assert all(isinstance(each, Listed) for each in found), found
    return [each.name for each in found if isinstance(each, Listed)]
