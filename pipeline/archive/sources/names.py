"""Names of films on a server, what a server says about them, and files for what was fetched."""

from __future__ import annotations

import hashlib
import re
import warnings
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import groupby
from pathlib import Path

from pipeline.archive.contract import Listed, Wanted
from pipeline.knee.errors import Problem
from pipeline.readers.dicom import FILMS, NO_FILM
from pipeline.readers.files import uid_digest

UID = re.compile(r"[0-9][0-9.]{0,63}")
OF_SERIES = ("Modality", "BodyPartExamined", "StationName")
"""What a server is asked about each series."""


@dataclass(frozen=True)
class Uids:
    """Where a film lies on a server; DICOM UIDs."""

    study: str
    series: str
    instance: str

    @classmethod
    def of(cls, listed: Listed) -> Uids:
        """Raises `Problem` where the name is none that a server's list gave."""
        parts = listed.name.split("/")
        if len(parts) != 3 or not all(UID.fullmatch(each) for each in parts):
            raise Problem(
                uid_digest(listed.name) or "a film",
                "is no name of a film on a server",
                "list the source again",
            )
        return cls(*parts)

    @property
    def name(self) -> str:
        """As it stands in `Listed.name`."""
        return f"{self.study}/{self.series}/{self.instance}"


def listed_if_wanted(found: Mapping[str, str], wanted: Wanted) -> Listed | None:
    """A server's answer about one instance as an entry of the list; None where it is not wanted.

    Args:
        found: by DICOM keyword, as text; what the server does not say is missing or empty.

    An answer without UIDs names nothing that could be fetched: None. Objects that are no films by
    their SOP class, or by their modality where the class is not told, are left out.
    """
    uids = Uids(
        found.get("StudyInstanceUID", ""),
        found.get("SeriesInstanceUID", ""),
        found.get("SOPInstanceUID", ""),
    )
    if not all(UID.fullmatch(each) for each in (uids.study, uids.series, uids.instance)):
        return None
    sop_class, modality = found.get("SOPClassUID", ""), found.get("Modality", "").upper()
    if sop_class not in FILMS if sop_class else modality in NO_FILM:
        return None
    if not header_is_wanted(found, wanted):
        return None
    frames = found.get("NumberOfFrames", "")
    return Listed(
        name=uids.name,
        study=uid_digest(uids.study) or "",
        frames=int(frames) if frames.isdecimal() and int(frames) else None,
    )


def header_is_wanted(said: Mapping[str, str], wanted: Wanted) -> bool:
    """Whether a film is wanted by what is said of it: texts by DICOM keyword, empty = silent.

    Its day is the first of Acquisition, Series and Study Date that is one.
    """
    days = (day_of(said.get(name, "")) for name in ("AcquisitionDate", "SeriesDate", "StudyDate"))
    return wanted.takes(
        day=next((day for day in days if day is not None), None),
        body_part=said.get("BodyPartExamined") or None,
        modality=said.get("Modality") or None,
        station=said.get("StationName") or None,
    )


def day_of(text: str) -> date | None:
    """A DICOM date (yyyymmdd), or None."""
    if not re.fullmatch(r"\d{8}", text.strip()):
        return None
    try:
        return date(int(text[:4]), int(text[4:6]), int(text[6:8]))
    except ValueError:
        return None


def date_range(wanted: Wanted) -> str:
    """Both days as a range to ask for (PS3.4 C.2.2.2.5.1); "" where any day will do."""
    if not (wanted.since or wanted.until):
        return ""
    since, until = (f"{day:%Y%m%d}" if day else "" for day in (wanted.since, wanted.until))
    return f"{since}-{until}"


def one_modality(wanted: Wanted) -> str:
    """The modality to ask a server for: where there are several, what comes is looked through.

    A server leaves out what is silent about its modality; who wants that too asks for all.
    """
    return wanted.modality[0].upper() if len(wanted.modality) == 1 else ""


def by_series(listed: Sequence[Listed]) -> Iterator[list[tuple[Listed, Uids]]]:
    """Films of a series together. Raises `Problem`."""
    named = sorted(((each, Uids.of(each)) for each in listed), key=lambda pair: pair[0].name)
    for _, group in groupby(named, key=lambda pair: (pair[1].study, pair[1].series)):
        yield list(group)


def file_for(folder: Path, instance: str) -> Path:
    """Where a film's file goes: named by the digest of its UID, nothing that came from outside."""
    return folder / f"{hashlib.sha256(instance.encode()).hexdigest()[:32]}.dcm"


def instance_in(path: Path) -> str:
    """SOP Instance UID of a DICOM file's meta information; "" where there is none."""
    from pydicom.filereader import read_file_meta_info

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # pydicom quotes values
            return str(read_file_meta_info(path).get("MediaStorageSOPInstanceUID") or "")
    except Exception:  # pydicom raises anything on what is no DICOM
        return ""


def not_sent(address: str, films: Iterable[Listed]) -> Iterator[tuple[Listed, Problem]]:
    """What to say of films that the server listed and then did not send."""
    for each in films:
        yield (
            each,
            Problem(
                address,
                f"did not send a film that it lists (series {uid_digest(Uids.of(each).series)})",
                "ask whoever runs the server whether it is still there",
            ),
        )
