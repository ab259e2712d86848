"""DICOM films: CR, DX, XA, RF and secondary captures, single and multi-frame."""

from __future__ import annotations

import warnings
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import pydicom
from pydicom.dataset import Dataset
from pydicom.uid import (
    UID,
    ExplicitVRBigEndian,
    ExplicitVRLittleEndian,
    ImplicitVRLittleEndian,
)

from pipeline.knee.errors import Problem
from pipeline.knee.film import Film
from pipeline.readers.dicom_header import hints_of, spacing_tags
from pipeline.readers.dicom_pixels import bone_is_dark, decode, modality_values, padding_of
from pipeline.readers.dicom_scale import scale_of
from pipeline.readers.dicom_tags import Tags
from pipeline.readers.files import (
    DICOM_SUFFIXES,
    first_bytes,
    has_preamble,
    picture_kind,
    sha256_beside,
    starts_like_dataset,
    uid_digest,
)
from pipeline.readers.grey import check_size, one_channel, to_film

PREFIX = "1.2.840.10008.5.1.4.1.1."
CAPTURES = frozenset(PREFIX + end for end in ("7", "7.1", "7.2", "7.3", "7.4"))
FILMS = CAPTURES | frozenset(
    PREFIX + end for end in ("1", "1.1", "1.1.1", "12.1", "12.1.1", "12.2", "12.2.1")
)
"""SOP classes that are read (PS3.4 B.5): secondary captures; CR; DX for presentation and for
processing; XA, enhanced XA, XRF, enhanced XRF."""

DIRECTORY = "1.2.840.10008.1.3.10"
NO_FILM = {
    "CT": "a CT slice",
    "MR": "an MR slice",
    "US": "an ultrasound picture",
    "NM": "a nuclear medicine picture",
    "PT": "a PET slice",
    "MG": "a mammogram",
    "SR": "a report",
    "DOC": "a document",
    "PR": "a presentation state",
    "SEG": "a segmentation",
    "ECG": "an ECG",
    "RTDOSE": "a dose distribution",
    "RTPLAN": "a treatment plan",
    "RTSTRUCT": "a set of contours",
}
PROJECTIONS = frozenset({"CR", "DX", "RF", "XA", "RG"})
"""Modalities believed where a file does not name its SOP class."""


@dataclass(frozen=True)
class DicomReader:
    """Reads DICOM files with pydicom; compressed ones through pydicom's decoder plugins.

    Pixels are never turned or mirrored. A film of another body part is read, its header says so.

    Attributes:
        max_megapixels: larger frames are refused.
    """

    max_megapixels: float = 100.0

    def accepts(self, path: Path) -> bool:
        """DICOM by its mark, by looking like a bare dataset, or by a name ending like one."""
        head = first_bytes(path)
        if has_preamble(head):
            return True
        if picture_kind(head):
            return False
        return path.suffix.lower() in DICOM_SUFFIXES or starts_like_dataset(head)

    def read(self, path: Path) -> Iterator[Film]:
        """One film per frame. Raises `Problem`."""
        with sha256_beside(path) as digest:
            yield from self._films(path, digest)

    def _films(self, path: Path, digest: Callable[[], str]) -> Iterator[Film]:
        source = str(path)
        dataset, sop_class = self._open(path)
        tags = Tags(dataset)
        cautions = _check(dataset, tags, sop_class, source)
        rows, columns = (_whole(tags, keyword, source) for keyword in ("Rows", "Columns"))
        check_size(source, rows, columns, self.max_megapixels)
        frames = _frames(tags, source)
        for index, stored in enumerate(decode(dataset, source, frames)):
            tags = Tags(dataset, index)
            hints, about_header = hints_of(tags, rows, columns)
            scale, about_scale = scale_of(spacing_tags(tags))
            invert = False
            about_grey: tuple[str, ...]
            padding = None
            if stored.ndim == 3:
                values, about_grey = one_channel(stored)
            else:
                values, falling, rescaled = modality_values(stored, dataset)
                invert, polarity = bone_is_dark(tags, sop_class, falling)
                padding = padding_of(stored, dataset)
                about_grey = (*rescaled, *polarity)
            pixels, about_range = to_film(values, invert=invert, padding=padding)
            yield Film(
                pixels=pixels,
                source=source,
                sha256=digest(),
                frame=None if frames == 1 else index + 1,
                sop_instance=_uid(tags, "SOPInstanceUID"),
                series_digest=uid_digest(_uid(tags, "SeriesInstanceUID")),
                study_digest=uid_digest(_uid(tags, "StudyInstanceUID")),
                scale=scale,
                header=hints,
                cautions=(*cautions, *about_header, *about_scale, *about_grey, *about_range),
            )

    def _open(self, path: Path) -> tuple[Dataset, str]:
        """The whole dataset and its SOP class ("" where it names none)."""
        source = str(path)
        marked = has_preamble(first_bytes(path))
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")  # pydicom quotes header values
                dataset = pydicom.dcmread(path, force=not marked)
                sop_class = str(dataset.get("SOPClassUID") or "")
        except MemoryError:
            raise
        except OSError as error:
            if error.errno is not None:
                raise
            raise _cut_short(source) from error
        except Exception as error:  # pydicom raises anything on damaged bytes
            raise (_cut_short(source) if marked else _not_dicom(source)) from error
        meta = dataset.file_meta
        sop_class = sop_class or str(meta.get("MediaStorageSOPClassUID") or "")
        if not meta.get("TransferSyntaxUID"):
            # A bare dataset is never compressed; pydicom found out how it is written.
            implicit, little = dataset.original_encoding
            meta.TransferSyntaxUID = (
                ExplicitVRBigEndian
                if not little
                else ImplicitVRLittleEndian
                if implicit
                else ExplicitVRLittleEndian
            )
        if not marked and UID(sop_class).name == sop_class:
            raise _not_dicom(source)  # nothing, or no UID of the standard: it only parsed by luck
        return dataset, sop_class


def _check(dataset: Dataset, tags: Tags, sop_class: str, source: str) -> tuple[str, ...]:
    """Raises `Problem` where the dataset is no projection film; gives cautions."""
    if sop_class == DIRECTORY or "DirectoryRecordSequence" in dataset:
        raise Problem(
            source, "is the directory of a DICOM medium, not a film", "give the folder it lies in"
        )
    modality = tags.text("Modality") or ""
    named = NO_FILM.get(modality)
    if named and (sop_class not in FILMS or sop_class in CAPTURES):
        raise Problem(source, f"is {named}, not a projection film", "remove it from the list")
    if sop_class and sop_class not in FILMS:
        name = UID(sop_class).name
        kind = name.removesuffix(" Storage") if name != sop_class else "an unknown kind"
        raise Problem(source, f"is no projection film ({kind})", "remove it from the list")
    cautions: tuple[str, ...] = ()
    if not sop_class:
        if modality not in PROJECTIONS:
            raise Problem(
                source, "does not say what kind of DICOM object it is", "export the film again"
            )
        cautions = ("the header does not say what kind of DICOM object this is",)
    if "PixelData" not in dataset:
        raise Problem(
            source, "holds no pixel data, or was cut short", "copy or export the film again"
        )
    return cautions


def _whole(tags: Tags, keyword: str, source: str) -> int:
    value = tags.numbers(keyword)
    if value is None or not value[0] >= 0:
        raise Problem(source, f"does not give its number of {keyword.lower()}", "export it again")
    return int(value[0])


def _frames(tags: Tags, source: str) -> int:
    value = tags.numbers("NumberOfFrames")
    if value is None:
        return 1
    if not value[0] >= 1:
        raise Problem(source, "does not give a valid number of frames", "export it again")
    return int(value[0])


def _uid(tags: Tags, keyword: str) -> str | None:
    value = tags.raw(keyword)
    return str(value).strip(" \0") or None if isinstance(value, str) else None


def _cut_short(source: str) -> Problem:
    return Problem(
        source, "is a DICOM file that is cut short or damaged", "copy or export the film again"
    )


def _not_dicom(source: str) -> Problem:
    return Problem(
        source, "is not a DICOM file although it is named like one", "check what was exported"
    )
