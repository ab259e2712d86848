"""De-identified copies of films and records, after the basic profile of DICOM PS3.15 Annex E.

The profile lists what must go; here everything goes but a short list of what a picture of a knee
needs (technique, geometry, grey scale), so that attributes nobody thought of are gone too. UIDs
and the patient's ID are replaced by keyed digests: the same key gives the same replacement, and
without the key nothing leads back. Dates go, times too; sex, age and size go.

Options of the profile: Clean Graphics and Clean Structured Content, as reports and states are
made anew from the clean film and a clean record, never copied; Clean Pixel Data where boxes were
blackened. Text burnt into the pixels is a matter of its own (`burnt_in.py`).
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import Any

import numpy as np
import pydicom
from pydicom.dataset import Dataset, FileDataset, FileMetaDataset
from pydicom.uid import UID, ExplicitVRLittleEndian

from pipeline.knee.errors import Problem
from pipeline.readers.dicom_pixels import used_bits
from pipeline.records.export.record import Record
from pipeline.records.export.source import set_character_set, uid_of
from pipeline.records.store.keys import keyed

KEPT = frozenset(
    [
        "SOPClassUID",
        "ImageType",
        "Modality",
        "ConversionType",
        "PresentationIntentType",
        "BodyPartExamined",
        "Laterality",
        "ImageLaterality",
        "FrameLaterality",
        "ViewPosition",
        "PatientOrientation",
        "PatientPosition",
        "PositionerType",
        "PositionerMotion",
        "PositionerPrimaryAngle",
        "PositionerSecondaryAngle",
        "DetectorPrimaryAngle",
        "DetectorSecondaryAngle",
        "ColumnAngulation",
        "KVP",
        "ExposureTime",
        "XRayTubeCurrent",
        "Exposure",
        "ExposureInuAs",
        "ImageAndFluoroscopyAreaDoseProduct",
        "EntranceDoseInmGy",
        "ExposureIndex",
        "TargetExposureIndex",
        "DeviationIndex",
        "AveragePulseWidth",
        "RadiationSetting",
        "RadiationMode",
        "Sensitivity",
        "DistanceSourceToDetector",
        "DistanceSourceToPatient",
        "DistanceSourceToIsocenter",
        "DistanceSourceToEntrance",
        "EstimatedRadiographicMagnificationFactor",
        "ImagerPixelSpacing",
        "PixelSpacing",
        "PixelSpacingCalibrationType",
        "NominalScannedPixelSpacing",
        "PixelAspectRatio",
        "FieldOfViewShape",
        "FieldOfViewDimensions",
        "FieldOfViewOrigin",
        "FieldOfViewRotation",
        "FieldOfViewHorizontalFlip",
        "IntensifierSize",
        "Grid",
        "FocalSpots",
        "FilterType",
        "FilterMaterial",
        "FilterThicknessMinimum",
        "FilterThicknessMaximum",
        "CollimatorShape",
        "CollimatorLeftVerticalEdge",
        "CollimatorRightVerticalEdge",
        "CollimatorUpperHorizontalEdge",
        "CollimatorLowerHorizontalEdge",
        "DetectorType",
        "DetectorConfiguration",
        "DetectorActiveShape",
        "DetectorActiveDimensions",
        "DetectorElementPhysicalSize",
        "DetectorElementSpacing",
        "SamplesPerPixel",
        "PhotometricInterpretation",
        "PlanarConfiguration",
        "NumberOfFrames",
        "FrameIncrementPointer",
        "FrameTime",
        "FrameTimeVector",
        "Rows",
        "Columns",
        "BitsAllocated",
        "BitsStored",
        "HighBit",
        "PixelRepresentation",
        "PixelPaddingValue",
        "PixelPaddingRangeLimit",
        "PixelIntensityRelationship",
        "PixelIntensityRelationshipSign",
        "RescaleIntercept",
        "RescaleSlope",
        "RescaleType",
        "WindowCenter",
        "WindowWidth",
        "VOILUTFunction",
        "PresentationLUTShape",
        "RedPaletteColorLookupTableDescriptor",
        "GreenPaletteColorLookupTableDescriptor",
        "BluePaletteColorLookupTableDescriptor",
        "RedPaletteColorLookupTableData",
        "GreenPaletteColorLookupTableData",
        "BluePaletteColorLookupTableData",
        "BurnedInAnnotation",
        "LossyImageCompression",
        "LossyImageCompressionRatio",
        "LossyImageCompressionMethod",
        "InstanceNumber",
        "SeriesNumber",
        "LUTDescriptor",
        "LUTData",
        "ModalityLUTType",
        "CodeValue",
        "CodingSchemeDesignator",
        "CodeMeaning",
    ]
)
"""Attributes that stay as they are; none is in the profile's table (a test looks them up)."""
KEPT_SEQUENCES = frozenset(
    {"ViewCodeSequence", "AnatomicRegionSequence", "ModalityLUTSequence", "VOILUTSequence"}
    | {"ViewModifierCodeSequence", "AnatomicRegionModifierSequence"}
)
EMPTY = (
    "PatientBirthDate",
    "PatientSex",
    "StudyDate",
    "StudyTime",
    "StudyID",
    "AccessionNumber",
    "ReferringPhysicianName",
    "Manufacturer",
    "ContentDate",
    "ContentTime",
)
"""What objects must have, empty."""
ENHANCED = frozenset({"1.2.840.10008.5.1.4.1.1.12.1.1", "1.2.840.10008.5.1.4.1.1.12.2.1"})
SCHEMES = frozenset({"SCT", "SRT", "DCM", "UCUM", "LN"})
NO_DATE = datetime(1900, 1, 1, tzinfo=UTC)
"""Stands where an object must have a date."""
METHOD = "Squareon, PS3.15 Annex E basic profile by a list of what stays"
PROFILE, CLEAN_PIXELS = (
    ("113100", "Basic Application Confidentiality Profile"),
    (
        "113101",
        "Clean Pixel Data Option",
    ),
)
CLEAN_GRAPHICS = ("113103", "Clean Graphics Option")
CLEAN_CONTENT = ("113104", "Clean Structured Content Option")
Box = tuple[int, int, int, int]


def digest(key: bytes, purpose: str, text: str, length: int = 12) -> str:
    """A keyed digest (HMAC-SHA256) in hex: what stands in place of a name."""
    return keyed(key, purpose, text)[:length]


def new_uid(key: bytes, uid: object) -> UID:
    """What stands in place of a UID: always the same for the same key."""
    return uid_of(key, "replaced", str(uid))


def clean_film(film: Dataset, key: bytes, boxes: Sequence[Box] = ()) -> FileDataset:
    """A de-identified copy of `film`, a dataset with its pixels (`open_film(..., pixels=True)`).

    Pixels are written uncompressed, without unused bits (old files keep overlays there).

    Args:
        boxes: x0, y0, x1, y1 in whole pixels, the last ones left out: blackened.

    Raises `Problem` where the film is of a kind that is not handled, or cannot be decoded.
    """
    source = str(getattr(film, "filename", None) or "film")
    if str(film.SOPClassUID) in ENHANCED:
        raise Problem(
            source,
            "is an enhanced fluoroscopy object, which is not de-identified",
            "take reports without the film, or de-identify it by other means",
        )
    meta = FileMetaDataset()
    meta.MediaStorageSOPClassUID = film.SOPClassUID
    meta.MediaStorageSOPInstanceUID = new_uid(key, film.SOPInstanceUID)
    meta.TransferSyntaxUID = ExplicitVRLittleEndian
    clean = FileDataset("", _kept(film), file_meta=meta, preamble=b"\0" * 128)
    for keyword in ("SOPInstanceUID", "SeriesInstanceUID", "StudyInstanceUID"):
        setattr(clean, keyword, new_uid(key, film[keyword].value))
    for keyword in EMPTY:
        setattr(clean, keyword, "")
    who = str(film.get("PatientID") or film.StudyInstanceUID)
    clean.PatientID = f"SUBJECT-{digest(key, 'patient', who)}"
    clean.PatientName = f"{clean.PatientID}^"
    _say_how(clean, [PROFILE, *([CLEAN_PIXELS] if boxes else [])])
    pointers = clean.get("FrameIncrementPointer")
    if pointers is not None:
        each = [pointers] if isinstance(pointers, int) else list(pointers)
        if any(tag not in clean for tag in each):
            del clean.FrameIncrementPointer  # it points to what is gone
    if "AcquisitionContextSequence" in film:
        clean.AcquisitionContextSequence = []
    set_character_set(clean, str(film.get("SpecificCharacterSet") or ""))
    if "PixelData" in film:
        _set_pixels(clean, film, source, boxes)
    return clean


def mark_clean(made: Dataset, *, graphics: bool) -> Dataset:
    """Notes on a report or state made from clean parts which options were applied."""
    _say_how(made, [PROFILE, CLEAN_GRAPHICS if graphics else CLEAN_CONTENT])
    return made


def clean_record(record: Record, key: bytes) -> Record:
    """The record without who, when and where: names become keyed digests, free text goes."""
    return dataclasses.replace(
        record,
        original=_clean_reading(record.original, key),
        current=_clean_reading(record.current, key),
        reviewer=_reader(record.reviewer, key) if record.reviewer else "",
        reason="removed" if record.reason else "",
        at=NO_DATE,
        second=None if record.second is None else (_reader(record.second[0], key), NO_DATE),
    )


def _reader(name: str, key: bytes) -> str:
    return f"reviewer-{digest(key, 'reviewer', name)}"


def clean_name(key: bytes, source: str, frame: int | None) -> str:
    """What a film is called in place of its path."""
    return f"film-{digest(key, 'source', f'{source} {frame}')}"


def _clean_reading(reading: Mapping[str, Any], key: bytes) -> dict[str, Any]:
    film = dict(reading["film"])
    film["source"] = clean_name(key, film["source"], film["frame"])
    for name in ("sha256", "sop_instance", "series_digest", "study_digest"):
        if film[name] is not None:
            film[name] = digest(key, name, film[name], 64)
    return {**reading, "film": film}


def _kept(dataset: Dataset) -> Dataset:
    """What stays of a dataset or an item of a sequence."""
    clean = Dataset()
    for element in dataset:
        if element.keyword in KEPT_SEQUENCES:
            items = [_kept(item) for item in element.value if _known(item)]
            setattr(clean, element.keyword, items)
        elif element.keyword in KEPT and element.VR != "SQ":
            clean.add(pydicom.DataElement(element.tag, element.VR, element.value))
    return clean


def _known(item: Dataset) -> bool:
    """A table, or a code whose scheme is public: the meaning of a private one may say anything."""
    return "CodeValue" not in item or item.get("CodingSchemeDesignator") in SCHEMES


def _say_how(dataset: Dataset, codes: Sequence[tuple[str, str]]) -> None:
    dataset.PatientIdentityRemoved = "YES"
    dataset.DeidentificationMethod = METHOD
    dataset.LongitudinalTemporalInformationModified = "REMOVED"
    items = []
    for value, meaning in codes:
        item = Dataset()
        item.CodeValue, item.CodingSchemeDesignator, item.CodeMeaning = value, "DCM", meaning
        items.append(item)
    dataset.DeidentificationMethodCodeSequence = items


def _set_pixels(clean: Dataset, film: Dataset, source: str, boxes: Sequence[Box]) -> None:
    try:
        values = pydicom.pixels.pixel_array(film, raw=False)
        photometric = str(film.PhotometricInterpretation)
    except Exception as error:  # decoders raise anything on damaged data
        raise Problem(source, "its pixels cannot be decoded", "export the film anew") from error
    values = np.asarray(used_bits(values, film) if photometric.startswith("MONO") else values)
    if boxes:
        values = values.copy()
        rows = values.ndim - (3 if int(film.SamplesPerPixel) > 1 else 2)
        black = values.min() if photometric != "MONOCHROME1" else values.max()
        for x0, y0, x1, y1 in boxes:
            place = (slice(None),) * rows + (slice(max(y0, 0), y1), slice(max(x0, 0), x1))
            values[place] = black
        clean.BurnedInAnnotation = "NO"
    if int(film.SamplesPerPixel) > 1:
        clean.PhotometricInterpretation, clean.PlanarConfiguration = "RGB", 0
    clean.HighBit = int(clean.BitsStored) - 1
    data = np.ascontiguousarray(values.astype(values.dtype.newbyteorder("<"))).tobytes()
    clean.PixelData = data + b"\0" * (len(data) % 2)
    clean["PixelData"].VR = "OW" if int(clean.BitsAllocated) > 8 else "OB"
