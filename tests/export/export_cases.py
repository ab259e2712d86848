"""Invented films in DICOM files, readings of them, and a store that holds both."""

from __future__ import annotations

import hashlib
import json
import shutil
import subprocess
from collections.abc import Iterator, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pydicom
import pytest
from pydicom.dataset import Dataset, FileDataset, FileMetaDataset
from pydicom.uid import ExplicitVRLittleEndian
from squareon_fakes import reading_of_fake

from pipeline.records.export.record import Record
from pipeline.records.rows import to_dict
from pipeline.records.store import Store, StoredReading

PREFIX = "1.2.840.10008.5.1.4.1.1."
CR, DX, XA = PREFIX + "1", PREFIX + "1.1", PREFIX + "12.1"
ROWS, COLUMNS = 300, 240
WHEN = datetime(2026, 3, 4, 10, 20, 30, tzinfo=UTC)
NAME, CITY = "Invented^Ünal", "Invented City"


def film_dataset(kind: str = DX, number: int = 1, **changes: Any) -> FileDataset:
    """A conformant film, grey rising from left to right. `changes` are attributes."""
    meta = FileMetaDataset()
    meta.MediaStorageSOPClassUID = kind
    meta.MediaStorageSOPInstanceUID = f"2.25.100000000000000000{number}"
    meta.TransferSyntaxUID = ExplicitVRLittleEndian
    film = FileDataset("", {}, file_meta=meta, preamble=b"\0" * 128)
    film.SpecificCharacterSet = "ISO_IR 100"
    film.SOPClassUID, film.SOPInstanceUID = kind, meta.MediaStorageSOPInstanceUID
    # Long ones: random UIDs of a de-identified export may begin as short ones do.
    film.StudyInstanceUID = "2.25.200000000000000001"
    film.SeriesInstanceUID = f"2.25.300000000000000000{number}"
    film.PatientName, film.PatientID = NAME, "INVENTED-1"
    film.PatientBirthDate, film.PatientSex = "19500203", "F"
    film.StudyDate, film.StudyTime, film.StudyID = "20200102", "101112", "S1"
    film.AcquisitionDate, film.AcquisitionTime = "20200102", f"1011{number:02d}"
    film.AccessionNumber, film.ReferringPhysicianName = "A1", "Invented^Referrer"
    film.InstitutionName, film.OperatorsName = CITY, "Invented^Operator"
    film.Manufacturer, film.SeriesNumber, film.InstanceNumber = "INVENTED", 1, number
    film.ContentDate, film.ContentTime = "20200102", "101113"
    film.BodyPartExamined, film.ImageLaterality = "KNEE", "R"
    film.ImagerPixelSpacing = ["0.5", "0.5"]
    film.BurnedInAnnotation = "NO"
    film.ImageType = ["DERIVED", "PRIMARY"]
    film.WindowCenter, film.WindowWidth = "2048", "4096"
    film.RescaleIntercept, film.RescaleSlope, film.RescaleType = "0", "1", "US"
    if kind == DX:
        _add_dx(film)
    elif kind == CR:
        film.Modality, film.ViewPosition, film.Laterality = "CR", "AP", "R"
        film.PatientOrientation = ["R", "F"]
        del film.ImageLaterality
    else:
        _add_xa(film)
    film.SamplesPerPixel, film.PhotometricInterpretation = 1, "MONOCHROME2"
    film.Rows, film.Columns = ROWS, COLUMNS
    film.BitsAllocated, film.BitsStored, film.HighBit, film.PixelRepresentation = 16, 12, 11, 0
    frames = int(changes.get("NumberOfFrames", 1))
    pixels = np.broadcast_to(np.linspace(0, 2000, COLUMNS), (frames, ROWS, COLUMNS))
    film.PixelData = pixels.astype("<u2").tobytes()
    for keyword, value in changes.items():
        setattr(film, keyword, value)
    return film


def _add_dx(film: Dataset) -> None:
    view, region = Dataset(), Dataset()
    view.CodeValue, view.CodingSchemeDesignator = "399348003", "SCT"
    view.CodeMeaning = "antero-posterior"
    region.CodeValue, region.CodingSchemeDesignator, region.CodeMeaning = "72696002", "SCT", "Knee"
    film.Modality, film.PresentationIntentType = "DX", "FOR PRESENTATION"
    film.ViewCodeSequence, film.AnatomicRegionSequence = [view], [region]
    film.PatientOrientation, film.PositionerType = ["R", "F"], "NONE"
    film.DetectorType, film.LossyImageCompression = "DIRECT", "00"
    film.AcquisitionContextSequence = []
    film.PixelIntensityRelationship, film.PixelIntensityRelationshipSign = "LOG", -1
    film.PresentationLUTShape = "IDENTITY"


def _add_xa(film: Dataset) -> None:
    film.Modality, film.ImageType = "XA", ["DERIVED", "PRIMARY", "SINGLE PLANE"]
    film.KVP, film.RadiationSetting, film.PatientOrientation = "65", "SC", ""
    film.XRayTubeCurrent, film.ExposureTime, film.Exposure = "10", "20", "2"
    film.PositionerPrimaryAngle, film.PositionerSecondaryAngle = "0", "0"
    film.PixelIntensityRelationship = "LIN"


def save(film: FileDataset, path: Path) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    film.save_as(path, enforce_file_format=True)
    return path


FEW = ("medial_epicondyle", "lateral_epicondyle", "notch_apex", "fibular_head")


def reading_of(path: Path, *, full: bool = False, **facts: Any) -> dict[str, Any]:
    """A reading of the file at `path`: landmarks at odd places, one proposal, a nerve zone.

    Few landmarks unless `full`: a report takes its time for each.
    """
    frame = facts.pop("frame", None)
    row = to_dict(reading_of_fake(**facts))
    if not full:
        row["landmarks"] = [mark for mark in row["landmarks"] if mark["name"] in FEW]
    row["film"] |= {
        "source": str(path),
        "sha256": hashlib.sha256(path.read_bytes()).hexdigest(),
        "frame": frame,
        "rows": ROWS,
        "columns": COLUMNS,
        "sop_instance": "uid",
        "series_digest": "series",
        "study_digest": facts.get("study", "study"),
    }
    return json.loads(json.dumps(row))


def record(reading: Mapping[str, Any], state: str = "accepted", **changes: Any) -> Record:
    values = {
        "number": 3,
        "revision": 2,
        "original": reading,
        "current": reading,
        "state": state,
        "reviewer": "" if state == "proposed" else "Example Reviewer A",
        "reason": "too oblique" if state == "rejected" else "",
        "at": WHEN,
    }
    return Record(**{**values, **changes})  # type: ignore[arg-type]


def stored(folder: Path, readings: list[dict[str, Any]], decisions: Mapping[int, Any]) -> Store:
    """A store in `folder` with `readings`, and for each index its decision (kind, final)."""
    folder.mkdir(parents=True, exist_ok=True)
    store = Store.open(str(folder / "store.sqlite"))
    for index, reading in enumerate(readings):
        id = store.add_reading(reading)
        if index in decisions:
            kind, final = decisions[index]
            store.decide(
                id,
                expected_revision=store.reading(id).revision,
                kind=kind,
                reviewer="Example Reviewer A",
                final=final,
                reason="an invented reason",
            )
    return store


def every(store: Store) -> list[StoredReading]:
    return [store.reading(row.id) for row in store.readings(order="source")]


def moved(reading: Mapping[str, Any], name: str, step: tuple[float, float]) -> dict[str, Any]:
    """The reading with one landmark elsewhere."""
    changed: dict[str, Any] = json.loads(json.dumps(reading))
    for mark in changed["landmarks"]:
        if mark["name"] == name:
            mark["x"] += step[0]
            mark["y"] += step[1]
    return changed


# ---- reading objects back without the library that wrote them ----------------------------------


def items(dataset: Dataset) -> Iterator[Dataset]:
    """All content items of a report, depth first."""
    for item in dataset.get("ContentSequence") or []:
        yield item
        yield from items(item)


def code_of(item: Dataset, which: str = "ConceptNameCodeSequence") -> str:
    return str(item[which].value[0].CodeValue) if which in item else ""


def groups(report: Dataset) -> list[Dataset]:
    """Measurement groups (125007)."""
    return [item for item in items(report) if code_of(item) == "125007"]


def child(item: Dataset, name: str) -> Dataset | None:
    """The first child item whose concept name has that code value."""
    return next((each for each in item.ContentSequence if code_of(each) == name), None)


def back(made: Dataset, path: Path) -> Dataset:
    """Written to a file and read again."""
    made.save_as(path, enforce_file_format=True)
    return pydicom.dcmread(path)


# ---- programs that check objects ----------------------------------------------------------------


def program(name: str, package: str) -> str:
    """The path of a program, or a skipped test."""
    found = shutil.which(name)
    if found is None:
        pytest.skip(f"{name} is not installed (Debian package {package})")
    return found


def complaints(path: Path) -> list[str]:
    """Lines of dciodvfy that are errors."""
    dciodvfy = program("dciodvfy", "dicom3tools")
    command = [dciodvfy, "-new", str(path)]
    ran = subprocess.run(
        command, capture_output=True, text=True, errors="replace", timeout=300, check=False
    )
    said = (ran.stdout + ran.stderr).splitlines()
    assert said, "dciodvfy said nothing"
    return [line for line in said if line.startswith("Error")]
