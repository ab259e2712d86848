"""What files and folders of an export are called, and in which order readings go out."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Sequence

from pipeline.records.export.deidentify import digest
from pipeline.records.export.record import Record
from pipeline.records.overlay import overlay_name


def film_of(record: Record) -> str:
    """What tells one film from another: a path whose content has changed is another film."""
    film = record.original["film"]
    return f"{film['source']} {film['sha256']}"


def study_of(record: Record) -> str:
    """What tells one study from another; a film without a study is one of its own."""
    film = record.original["film"]
    return str(film["study_digest"] or film["source"])


def folder(study: str, key: bytes | None) -> str:
    """Name of a study's folder; with a key, one from which the study cannot be found."""
    if key is None:
        raw = study.encode("utf-8", "surrogateescape")
        return f"study-{hashlib.sha256(raw).hexdigest()[:8]}"
    return f"study-{digest(key, 'study', study, 8)}"


def study_folder(record: Record, key: bytes | None) -> str:
    return folder(study_of(record), key)


def stem(record: Record, clean: str | None) -> str:
    """File name of what belongs to one reading, without its ending.

    Args:
        clean: what the film is called in place of its path, or None.
    """
    film, knee = record.original["film"], record.original["knee"]["index"]
    if clean is None:
        return overlay_name(film["source"], film["frame"], knee).removesuffix(".png")
    frame = "" if film["frame"] is None else f"-f{film['frame']:04d}"
    return f"{clean}{frame}-k{knee}"


def order_of(
    records: Sequence[Record], key: bytes | None
) -> Callable[[Record], tuple[str, str, str, int]]:
    """Sorts by study (its first film's path), then film; by digest where paths must not show."""
    first: dict[str, str] = {}
    for record in records:
        study, source = study_of(record), str(record.original["film"]["source"])
        first[study] = min(first.get(study, source), source)

    def place(record: Record) -> tuple[str, str, str, int]:
        study, film = study_of(record), film_of(record)
        if key is None:
            return first[study], study, film, record.number
        return digest(key, "order", study), study, digest(key, "order", film), record.number

    return place


def taken(acquired: str | None) -> str:
    """Date and time of a header as a person reads them; "" where there are none."""
    digits = (acquired or "").replace("-", "").replace(":", "").replace(" ", "")
    if not digits[:8].isdigit() or len(digits) < 8:
        return ""
    day = f"{digits[:4]}-{digits[4:6]}-{digits[6:8]}"
    return day if not digits[8:12].isdigit() else f"{day} {digits[8:10]}:{digits[10:12]}"
