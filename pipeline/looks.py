"""One knee on one film before it is aligned: may it be read, which side is it, what is its pair?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, cast

from pipeline.knee.detection import Detection, Pose
from pipeline.knee.film import ADULT_YEARS, Film
from pipeline.knee.reading import SideRead

HEADER_SIDE_RIGHT = 0.95
"""Share of headers whose side is right: a design value, no source."""
FACING_KNOWN = 0.8
"""Least probability of the way the knee faces on the picture: mirrored, it turns the other way."""
SIDE_TO_DOUBT = 0.8
"""From this probability on, a picture that looks like the other side casts doubt on the header."""
OPPOSITE = {"right": "left", "left": "right"}
LOWER_LIMB = ("KNEE", "LEG", "EXTREM", "LIMB", "FEMUR", "TIB", "FIB", "PATELLA", "THIGH")
"""Beginnings or parts of Body Part Examined under which a knee may be found (DICOM PS3.16 L)."""
OTHER_PARTS = (
    *("SKULL", "HEAD", "JAW", "NECK", "SPINE", "SHOULDER", "CLAVICLE", "SCAPULA", "CHEST", "RIB"),
    *("STERNUM", "BREAST", "ABDOMEN", "PELVIS", "HIP", "SACRUM", "COCCYX", "HUMERUS", "ELBOW"),
    *("FOREARM", "RADIUS", "ULNA", "WRIST", "HAND", "FINGER", "THUMB", "ARM", "ANKLE", "CALCANEUS"),
    *("FOOT", "HEEL", "TOE", "HEART", "KIDNEY", "BLADDER", "COLON", "WHOLEBODY"),
)
"""Other values of it that a sentence may quote (PS3.16 L, from memory)."""


@dataclass(frozen=True)
class Look:
    """One knee (or none) on one film before alignment; without a pose, `refused` says why."""

    film: Film
    index: int
    detection: Detection
    side: SideRead
    pose: Pose | None
    refused: str | None
    cautions: tuple[str, ...]


def refusal(film: Film, detection: Detection, min_view_probability: float) -> str | None:
    """The sentence with which a knee is not read further, or None."""
    part, claimed = film.header.body_part, film.header.view
    if part and not any(word in part.upper() for word in LOWER_LIMB):
        # Body Part Examined may hold anything, also what somebody typed about a patient.
        named = next((word for word in OTHER_PARTS if word in part.upper()), "not named here")
        return f"the header says that the film shows another body part ({named})"
    if film.header.child:
        return (
            "the header says that the patient was younger than "
            f"{ADULT_YEARS}: knees of children are not read"
        )
    if detection.view == "none":
        return "no knee was found on the film"
    if detection.view == "other" or claimed == "other":
        who = "the film shows" if detection.view == "other" else "the header names"
        return f"{who} a projection other than AP or lateral, from which no angle is read"
    if detection.view_probability < min_view_probability:
        return (
            f"the view is not certain enough ({detection.view} with probability "
            f"{detection.view_probability:.2f})"
        )
    if detection.lateral_to_right_probability < FACING_KNOWN:
        marks = "the knee's lateral side" if detection.view == "AP" else "the patella"
        return (
            f"on which side of the picture {marks} lies is not certain enough (probability "
            f"{detection.lateral_to_right_probability:.2f})"
        )
    return None


def settle_side(film: Film, detection: Detection, alone: bool) -> tuple[SideRead, tuple[str, ...]]:
    """The knee's side, header before image, and what to caution about.

    A header speaks of one knee only where the film shows one (`alone`).
    """
    header = film.header
    cautions = list(film.cautions)
    from_image: str = detection.side
    if header.flipped:
        from_image = OPPOSITE[from_image]
        cautions.append(
            "the header says that the picture is a mirror image of the usual view; "
            "it was read and drawn as stored"
        )
    if {header.view, detection.view} == {"AP", "lateral"}:
        cautions.append(
            f"the header says {header.view} but the picture looks {detection.view}; "
            "the picture was followed"
        )
    side = cast(Literal["right", "left"], from_image)
    read = SideRead(side, detection.side_probability, "image")
    if header.side in OPPOSITE and alone and detection.view != "none":
        # The two as independent witnesses: a lateral film says next to nothing about its side.
        agrees = header.side == from_image
        image = detection.side_probability if agrees else 1 - detection.side_probability
        both = HEADER_SIDE_RIGHT * image
        probability = both / (both + (1 - HEADER_SIDE_RIGHT) * (1 - image))
        if not agrees and detection.side_probability >= SIDE_TO_DOUBT:
            cautions.append(
                f"the header says {header.side} knee but the picture looks {from_image}; "
                "the header was followed, confirm the side by other means"
            )
        read = SideRead(cast(Literal["right", "left"], header.side), probability, "header")
    return read, tuple(cautions)


def partner_of(look: Look, looks: Sequence[Look]) -> Look | None:
    """The other view of the same knee in the same study: the one whose view is surest."""
    study = look.film.study_digest
    if look.pose is None or study is None:
        return None
    others = [
        other
        for other in looks
        if other.pose is not None
        and other.film.study_digest == study
        and other.side.name == look.side.name
        and {other.detection.view, look.detection.view} == {"AP", "lateral"}
    ]
    return max(others, key=lambda other: other.detection.view_probability, default=None)
