"""The original film, opened again: whose patient and study an exported object belongs to."""

from __future__ import annotations

import hashlib
import hmac
import re
import warnings
from datetime import datetime
from pathlib import Path

import pydicom
from pydicom.charset import python_encoding
from pydicom.datadict import dictionary_VR
from pydicom.dataset import Dataset
from pydicom.uid import UID

from pipeline.knee.errors import Problem
from pipeline.readers.dicom import FILMS
from pipeline.readers.files import first_bytes, has_preamble, sha256_of, starts_like_dataset

NEEDED = (
    "PatientName",
    "PatientID",
    "PatientBirthDate",
    "PatientSex",
    "StudyDate",
    "StudyTime",
    "StudyID",
    "AccessionNumber",
    "ReferringPhysicianName",
)
"""Type 2 attributes of Patient and General Study (PS3.3 C.7.1.1, C.7.2.1): empty if unknown."""
_VALID = {
    "DA": re.compile(r"\d{8}"),
    "TM": re.compile(r"\d{2}(\d{2}(\d{2}(\.\d{1,6})?)?)?"),
    "CS": re.compile(r"[A-Z0-9 _]{0,16}"),
}


def is_dicom(path: Path) -> bool:
    """Whether the file is DICOM by its first bytes."""
    head = first_bytes(path)
    return has_preamble(head) or starts_like_dataset(head)


def open_film(path: Path, sha256: str, *, pixels: bool = False) -> Dataset:
    """The dataset of the film whose digest is `sha256`, fit to be referred to.

    Attributes that every object needs are there, empty where the film has none or has nonsense.

    Args:
        pixels: also read the pixel data.

    Raises `Problem` where the file is another one than was read, is no DICOM film, or lacks the
    UIDs by which an object refers to it.
    """
    source = str(path)
    if sha256_of(path) != sha256:
        raise Problem(
            source,
            "is not the film that was read (its SHA-256 differs)",
            "put the original back, or read the new film",
        )
    if not is_dicom(path):
        raise Problem(
            source,
            "is no DICOM film, so there is no patient and no study to file objects under",
            "take the tables and pages instead",
        )
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # pydicom quotes header values
        try:
            film = pydicom.dcmread(path, force=True, stop_before_pixels=not pixels)
            film.decode()
        except Exception as error:  # pydicom raises anything on damaged bytes
            raise Problem(source, "its header cannot be read again", "export it anew") from error
        for keyword in ("SOPInstanceUID", "StudyInstanceUID", "SeriesInstanceUID"):
            if not UID(str(film.get(keyword) or "")).is_valid:
                raise Problem(
                    source, f"has no valid {keyword}, so nothing can refer to it", "export it anew"
                )
        if str(film.get("SOPClassUID")) not in FILMS:
            raise Problem(source, "does not say what kind of film it is", "export it anew")
        _complete(film)
    return film


def _complete(film: Dataset) -> None:
    """Adds what is missing and blanks what no valid object may carry."""
    for keyword in NEEDED:
        value = str(film.get(keyword) or "")
        valid = _VALID.get(dictionary_VR(keyword))
        if not value or (valid is not None and not valid.fullmatch(value)):
            setattr(film, keyword, "")
    if film.PatientSex not in ("M", "F", "O"):
        film.PatientSex = ""


def uid_of(key: bytes, *words: str) -> UID:
    """A UID under 2.25 (PS3.5 B.2) from words: the same for the same key and words."""
    digest = hmac.new(key, "\0".join(("squareon", *words)).encode(), hashlib.sha256).digest()
    value = int.from_bytes(digest[:16], "big")
    value = value & ~(0xF << 76) | (0x4 << 76)  # a version 4 UUID, as the root asks for
    value = value & ~(0x3 << 62) | (0x2 << 62)
    return UID(f"2.25.{value}")


def person_name(name: str) -> str:
    """A site's name for a reviewer as one DICOM person name (PS3.5 6.2.1.1), at most 64 long."""
    plain = re.sub(r"[\\=\x00-\x1f\x7f]+", " ", name).strip()
    return (plain if "^" in plain else f"{plain}^")[:64]


def short_text(text: str, longest: int) -> str:
    """`text` without control characters and backslashes, cut at `longest` characters."""
    plain = re.sub(r"[\\\x00-\x1f\x7f]+", " ", text).strip()
    return plain if len(plain) <= longest else plain[: longest - 3] + "..."


def stamp(at: datetime) -> tuple[str, str, str]:
    """Date (DA), time (TM) and both with the offset from UTC (DT)."""
    return at.strftime("%Y%m%d"), at.strftime("%H%M%S"), at.strftime("%Y%m%d%H%M%S%z")


_TEXT = frozenset({"LO", "LT", "PN", "SH", "ST", "UC", "UT"})


def set_character_set(made: Dataset, preferred: str) -> None:
    """Sets Specific Character Set: `preferred`, Latin 1 or UTF-8, the first that holds all text.

    Args:
        preferred: one single-byte set such as `ISO_IR 100`; anything else stands for none, the
            default of plain ASCII.
    """
    text = "".join(
        str(element.value)
        for element in made.iterall()
        if element.VR in _TEXT and element.value is not None
    )
    single = preferred if preferred.startswith("ISO_IR") else ""
    for name in (single, "ISO_IR 100"):
        try:
            text.encode(python_encoding.get(name, "ascii") if name else "ascii")
        except UnicodeEncodeError:
            continue
        if name:
            made.SpecificCharacterSet = name
        elif "SpecificCharacterSet" in made:
            del made.SpecificCharacterSet
        return
    made.SpecificCharacterSet = "ISO_IR 192"
