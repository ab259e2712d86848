"""How a film was made, from its header; and which films an archive's notes call rejected."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import date
from pathlib import Path

from pydicom.dataset import Dataset

from pipeline.knee.acquisition import CAUSES, Acquisition, body_part_of, modality_of
from pipeline.readers.dicom_header import acquired, body_part
from pipeline.readers.dicom_tags import Tags, read_header

REJECTED = frozenset({"113001", "113037"})
"""Titles of key object selections that reject films: for quality and for patient safety reasons
(PS3.16 CID 7010; IHE Radiology's "Imaging Object Change Management", from memory)."""
KEY_OBJECTS = "1.2.840.10008.5.1.4.1.1.88.59"
TITLE_MODIFIER = "113011"


def read_acquisition(path: Path) -> Acquisition:
    """What the header of one film says; an empty one for anything but DICOM. Never raises."""
    try:
        dataset = read_header(path)
        return Acquisition() if dataset is None else acquisition_of(dataset)
    except Exception:  # a film that cannot be opened says so elsewhere
        return Acquisition()


def acquisition_of(dataset: Dataset) -> Acquisition:
    """What a dataset says about how it was made."""
    tags = Tags(dataset)
    instance = tags.raw("SOPInstanceUID")
    return Acquisition(
        operator=_operator(tags),
        station=tags.text("StationName") or tags.text("DeviceSerialNumber"),
        day=_day(tags),
        modality=modality_of(tags.text("Modality")),
        body_part=body_part_of(body_part(tags)),
        instance=str(instance).strip(" \0") or None if isinstance(instance, str) else None,
    )


def rejected_films(path: Path) -> Iterator[tuple[str, str]]:
    """(SOP Instance UID, cause) of films that a key object selection rejects.

    The cause is the document title's modifier of CID 7011, "unknown" without one. Nothing for
    any other file. Never raises.
    """
    try:
        dataset = read_header(path)
        if dataset is None or str(dataset.get("SOPClassUID")) != KEY_OBJECTS:
            return
        tags = Tags(dataset)
        if not REJECTED.intersection(tags.codes("ConceptNameCodeSequence")):
            return
        names = {code: name for name, code in CAUSES.items()}
        found = [
            names[code]
            for item in tags.items("ContentSequence")
            if TITLE_MODIFIER in Tags(item).codes("ConceptNameCodeSequence")
            for code in Tags(item).codes("ConceptCodeSequence")
            if code in names
        ]
        films = [
            str(Tags(film).raw("ReferencedSOPInstanceUID"))
            for study in tags.items("CurrentRequestedProcedureEvidenceSequence")
            for series in Tags(study).items("ReferencedSeriesSequence")
            for film in Tags(series).items("ReferencedSOPSequence")
        ]
    except Exception:
        return
    for uid in films:
        yield uid, found[0] if found else "unknown"


def _operator(tags: Tags) -> str | None:
    """Operators' Name (0008,1070), else the code of Operator Identification Sequence."""
    written = tags.text("OperatorsName")
    if written and written.strip("^= "):
        return written
    for item in tags.items("OperatorIdentificationSequence"):
        codes = Tags(item).codes("PersonIdentificationCodeSequence")
        if codes:
            return codes[0]
    return None


def _day(tags: Tags) -> date | None:
    """The day of acquisition, else of series or study."""
    for written in (acquired(tags), tags.text("SeriesDate"), tags.text("StudyDate")):
        match = re.match(r"(\d{4})[.-]?(\d{2})[.-]?(\d{2})", written or "")
        if match:
            try:
                return date(*map(int, match.groups()))
            except ValueError:
                continue
    return None
