"""A store of invented readings on tiny DICOM films, for tests of reports."""

from __future__ import annotations

import html
import io
import re
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from pydicom.dataset import FileDataset, FileMetaDataset
from pydicom.uid import ExplicitVRLittleEndian
from pypdf import PdfReader
from store_cases import KEY, reading_row

from pipeline.readers.dicom import DicomReader
from pipeline.records.store import Store, open_store
from pipeline.reports.choices import Choices
from pipeline.reports.write import Outcome, Reporter

REVIEWER = "Example Reviewer A"
MOVE = {
    "angle": "rotation",
    "hypothesis": 0,
    "move": "orbital",
    "toward": "medial",
    "degrees": 11.0,
    "limb": "turn the limb outward",
    "text": "Turn the front end of the beam toward medial by about 11 degrees (orbital turn of the "
    "C-arm), or turn the limb outward",
}
NO_MOVE = {
    "angle": "tilt",
    "hypothesis": 0,
    "move": "no move suggested",
    "toward": "",
    "degrees": None,
    "limb": "no move suggested",
    "text": "no move suggested",
}
CRITERIA = [
    {
        "name": "patella centring",
        "value": 3.04,
        "unit": "mm at the knee",
        "tolerance": 6.5,
        "verdict": "pass",
        "source": "common practice (positioning textbooks: patella centred)",
    },
    {
        "name": "medial plateau gap",
        "value": None,
        "unit": "% of W",
        "tolerance": 1.9,
        "verdict": "cannot tell",
        "source": "joint-space imaging literature (Buckland-Wright; OARSI), from memory",
    },
]
PROPOSALS = [
    {
        "target": "superomedial",
        "shape": "point",
        "points": [[150.0, 200.0]],
        "radius_90_px": 9.0,
        "heights_from": "this film",
        "basis": "junction of femoral shaft and medial condyle: common practice",
        "status": "proposal",
        "why": "the film may not be square on: judge the view before using this proposal",
    },
    {
        "target": "inferomedial",
        "shape": "point",
        "points": [],
        "radius_90_px": None,
        "heights_from": "this film",
        "basis": "junction of tibial shaft and medial condyle: common practice",
        "status": "withheld",
        "why": "its 90 % radius, the shift from misalignment included, exceeds 6 mm at the knee",
    },
]
CAUTIONS = [
    "Two readings of this film are possible; the moves are given for both, the likelier first.",
    "the header says left knee but the picture looks right; the header was followed, confirm the "
    "side by other means",
]


def film(
    path: Path, number: int, *, operator: str = "", day: str = "20260304", frames: int = 1
) -> Path:
    """An invented film, grey rising from left to right; a run where it has several frames."""
    meta = FileMetaDataset()
    meta.MediaStorageSOPClassUID = "1.2.840.10008.5.1.4.1.1.1"
    meta.MediaStorageSOPInstanceUID = f"2.25.4000{number}"
    meta.TransferSyntaxUID = ExplicitVRLittleEndian
    data = FileDataset("", {}, file_meta=meta, preamble=b"\0" * 128)
    data.SOPClassUID, data.SOPInstanceUID = (
        meta.MediaStorageSOPClassUID,
        meta.MediaStorageSOPInstanceUID,
    )
    data.StudyInstanceUID, data.SeriesInstanceUID = "2.25.5001", "2.25.5002"
    data.PatientName, data.PatientID = "Invented^Person", "INVENTED-1"
    data.Modality, data.BodyPartExamined, data.ImageLaterality = "CR", "KNEE", "R"
    data.AcquisitionDate, data.AcquisitionTime = day, f"1011{number % 60:02d}"
    data.ImageComments = "INVENTED"
    if operator:
        data.OperatorsName = operator
    data.SamplesPerPixel, data.PhotometricInterpretation = 1, "MONOCHROME2"
    data.Rows, data.Columns = 600, 400
    data.BitsAllocated, data.BitsStored, data.HighBit, data.PixelRepresentation = 16, 12, 11, 0
    if frames > 1:
        data.NumberOfFrames = frames
    pixels = np.broadcast_to(np.linspace(0, 2000, 400), (frames, 600, 400))
    data.PixelData = pixels.astype("<u2").tobytes()
    path.parent.mkdir(parents=True, exist_ok=True)
    data.save_as(path, enforce_file_format=True)
    return path


def row(number: int, folder: Path, **said: Any) -> dict[str, Any]:
    """A reading that says something in every part."""
    made = reading_row(number, folder, criteria=CRITERIA, sop=f"2.25.4000{number}", **said)
    made["scale"]["rule"] = "imager spacing and magnification"
    if made["alignment"] is not None:
        made["moves"], made["proposals"] = [MOVE, NO_MOVE], PROPOSALS
        made["warnings"] = [
            {"name": "common peroneal nerve zone", "polygon": [[60, 400], [120, 400], [90, 480]]}
        ]
        made["cautions"] = CAUTIONS
    else:
        made["refused"] = "no knee was found on the film"
    return made


def small_store(folder: Path) -> Path:
    """Six readings of two studies: four accepted, one waiting, one rejected."""
    films = folder / "films"
    rows = []
    for number, said in enumerate(
        (
            {"square": "no", "rotation": 10.66, "tilt": 1.61, "study": "a"},
            {"square": "yes", "rotation": 0.52, "tilt": -0.44, "study": "a", "view": "lateral"},
            {"square": "cannot tell", "rotation": -4.21, "tilt": 3.37, "study": "a"},
            {"view": "none", "study": "b"},
            {"square": "no", "rotation": -7.77, "tilt": 2.22, "study": "b", "side": "left"},
            {"square": "no", "rotation": 6.25, "tilt": -8.88, "study": "b"},
        ),
        start=1,
    ):
        operator = "Invented^Operator" if number < 4 else "Other^Operator"
        film(films / f"{number}.dcm", number, operator=operator, day=f"20260{number % 3 + 2}04")
        rows.append(row(number, films, **said))
    place = folder / "results" / "store.sqlite"
    place.parent.mkdir()
    with Store.open(str(place), KEY) as store:
        store.add_readings(rows)
        for each in store.readings(order="source"):
            number = int(Path(each.source).stem)
            if number <= 4:
                store.decide(
                    each.id, kind="accept", reviewer=REVIEWER, expected_revision=each.revision
                )
            elif number == 6:
                store.decide(
                    each.id,
                    kind="reject",
                    reviewer=REVIEWER,
                    expected_revision=each.revision,
                    reason="invented doubt",
                )
    return place


def report(place: Path, out: Path, **choices: Any) -> Outcome:
    """Reports of a store, without a fitted outline."""
    with open_store(str(place), KEY) as store:
        from pipeline.records.store.acquisitions import Acquisitions

        Acquisitions(store).fill()
        return Reporter(out, Choices(**choices), (DicomReader(),)).run(store)


def visible(page: str) -> str:
    """The words that a person reads or hears of an HTML page."""
    page = re.sub(r"<style>.*?</style>", " ", page, flags=re.S)
    said = re.findall(r'(?:alt|aria-label)="([^"]*)"', page)
    return " ".join(html.unescape(" ".join([re.sub(r"<[^>]*>", " ", page), *said])).split())


def printed(data: bytes) -> str:
    """The words of a PDF document."""
    pages = PdfReader(io.BytesIO(data)).pages
    return " ".join(" ".join(page.extract_text() for page in pages).split())


Read = Callable[[Path], str]
READ: dict[str, Read] = {
    "html": cache(lambda path: visible(path.read_text("utf-8"))),
    "pdf": cache(lambda path: printed(path.read_bytes())),
}
