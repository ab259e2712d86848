"""How a film was made: by whom, where, on which day, and why it was rejected, if it was."""

from __future__ import annotations

import datetime
from dataclasses import dataclass, fields, replace

CAUSES = {
    "positioning": "111209",
    "motion": "111210",
    "under exposed": "111211",
    "over exposed": "111212",
    "double exposure": "113026",
    "no image": "111213",
    "image artifact": "111207",
    "grid artifact": "111208",
    "detector artifact": "111214",
    "other artifact": "111215",
    "mechanical failure": "111216",
    "electrical failure": "111217",
    "software failure": "111218",
    "image processing": "111219",
    "other": "111220",
    "unknown": "111221",
}
"""Causes of rejection and their codes in DICOM's own scheme: CID 7011 (PS3.16) as in pydicom's
tables, "Rejected for Quality Reasons"."""

MODALITIES = ("CR", "DX", "RF", "XA", "RG", "OT")
"""Modalities of projection films; another one is left unsaid."""

BODY_PARTS = (
    "KNEE",
    "PATELLA",
    "FEMUR",
    "TIBIA",
    "FIBULA",
    "LEG",
    "THIGH",
    "LIMB",
    "EXTREMITY",
)
"""What is kept of Body Part Examined, which may hold anything: the first of these that it
contains, else `OTHER_PART`."""
OTHER_PART = "OTHER"


@dataclass(frozen=True)
class Acquisition:
    """What is known about how one film was made; None where nobody says.

    Attributes:
        operator, station: as written. They are held in memory only: the store keeps codes.
        day: of acquisition. The time of day is not kept.
        modality: one of `MODALITIES`.
        body_part: one of `BODY_PARTS`, or `OTHER_PART`.
        reject: why the film was rejected, one of `CAUSES`; None also for a film that was not.
        instance: SOP Instance UID, by which other objects name the film.
    """

    operator: str | None = None
    station: str | None = None
    day: datetime.date | None = None
    modality: str | None = None
    body_part: str | None = None
    reject: str | None = None
    instance: str | None = None

    def over(self, other: Acquisition) -> Acquisition:
        """This one, with what it leaves unsaid taken from `other`."""
        said = {field.name: getattr(self, field.name) for field in fields(self)}
        return replace(other, **{name: value for name, value in said.items() if value is not None})


def modality_of(text: str | None) -> str | None:
    """A modality that may be kept, whatever was written."""
    word = (text or "").strip().upper()
    return word if word in MODALITIES else None


def body_part_of(text: str | None) -> str | None:
    """A body part that may be kept, whatever was written."""
    word = (text or "").strip().upper()
    if not word:
        return None
    return next((part for part in BODY_PARTS if part[:6] in word), OTHER_PART)


def cause_of(text: str | None) -> str | None:
    """A cause by its name or its code of CID 7011; None for anything else."""
    word = " ".join((text or "").replace("_", " ").split()).lower()
    by_code = {code: name for name, code in CAUSES.items()}
    return word if word in CAUSES else by_code.get(word)
