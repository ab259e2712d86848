"""Films and bare work that `tests/archive/bench_archive.py` holds the engine against."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial
from itertools import islice
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pydicom
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.uid import (
    DigitalXRayImageStorageForPresentation,
    ExplicitVRLittleEndian,
    JPEGLSLossless,
    generate_uid,
)

from pipeline.archive.contract import Listed, Source, Wanted
from pipeline.batch import ReadSettings, parts_of, readers_of
from pipeline.batch.processes import Mark
from pipeline.knee.errors import Problem
from pipeline.readers.read import read_films
from pipeline.registry import build
from pipeline.run import examine, read_study

ROWS, COLUMNS = 2400, 2000


def write_films(folder: Path, count: int, drawn: int, jpegls: bool) -> None:
    """`count` invented films of different content, AP and lateral of a study together.

    `drawn` of them are rendered; the others are those again with one pixel changed.
    """
    options = {"styles": ["radiography"], "max_px": 1000}
    shares = {"other_share": 0.0, "no_knee_share": 0.0, "two_knees_share": 0.0}
    pictures = []
    for seed in range(drawn):
        views = ["AP"] if seed % 2 else ["lateral"]
        scenario = build("scenario", "knee_films", {**options, **shares, "views": views})
        grey = cv2.resize(scenario.make(seed).film.pixels, (COLUMNS, ROWS))
        pictures.append((np.clip(grey, 0, 1) * 4095).astype(np.uint16))
    for number in range(count):
        if number % 2 == 0:
            study = generate_uid()
        picture = pictures[number % drawn].copy()
        picture[0, 0] = number
        path = folder / f"{number // 20:03d}" / f"{number:05d}.dcm"
        path.parent.mkdir(parents=True, exist_ok=True)
        _dataset(picture, study, jpegls).save_as(path, enforce_file_format=True)


def _dataset(picture: np.ndarray, study: str, jpegls: bool) -> Dataset:
    data = Dataset()
    data.file_meta = FileMetaDataset()
    data.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    data.file_meta.MediaStorageSOPClassUID = DigitalXRayImageStorageForPresentation
    data.SOPClassUID, data.SOPInstanceUID = DigitalXRayImageStorageForPresentation, generate_uid()
    data.file_meta.MediaStorageSOPInstanceUID = data.SOPInstanceUID
    data.StudyInstanceUID, data.SeriesInstanceUID = study, generate_uid()
    data.Modality, data.PhotometricInterpretation, data.SamplesPerPixel = "DX", "MONOCHROME2", 1
    data.Rows, data.Columns = picture.shape
    data.BitsAllocated, data.BitsStored, data.HighBit, data.PixelRepresentation = 16, 12, 11, 0
    data.PixelData = picture.tobytes()
    if jpegls:
        data.compress(JPEGLSLossless)
    return data


@dataclass(frozen=True)
class First:
    """The first films of a source."""

    source: Source
    limit: int

    @property
    def address(self) -> str:
        return self.source.address

    @property
    def stays(self) -> bool:
        return self.source.stays

    def list(self, wanted: Wanted) -> Iterator[Listed | Problem]:
        return islice(self.source.list(wanted), self.limit)

    def fetch(
        self, listed: Sequence[Listed], folder: Path
    ) -> Iterator[tuple[Listed, Path | Problem]]:
        return self.source.fetch(listed, folder)


class BareDecode:
    """Pixels of each file by pydicom alone."""

    def __call__(self, unit: Sequence[Path], skip: Collection[str], mark: Mark) -> int:
        for path in unit:
            np.asarray(pydicom.dcmread(path).pixel_array)
        return len(unit)


@dataclass
class _Note:
    """Notes every picture that a detector's networks get."""

    run: Any
    pictures: list[tuple[str, np.ndarray]]

    def __call__(self, name: str, picture: np.ndarray) -> Any:
        self.pictures.append((name, picture))
        return self.run(name, picture)


class BareForward:
    """Both networks on the crops of one film, once for each path; nothing else."""

    def __init__(self, settings: ReadSettings, threads: int, example: Path) -> None:
        parts = parts_of(replace(settings, writer={}), threads)
        self._run = parts.detector._run  # type: ignore[attr-defined]
        note = _Note(self._run, [])
        parts.detector._run = note  # type: ignore[attr-defined]
        for film in read_films(example, readers_of(settings)):
            examine(film, parts)
        self._pictures = note.pictures

    def __call__(self, unit: Sequence[Path], skip: Collection[str], mark: Mark) -> int:
        for _ in unit:
            for name, picture in self._pictures:
                self._run(name, picture)
        return len(unit)


class BareRead:
    """Each film read as `squareon read` does, without engine, digest, ledger or store."""

    def __init__(self, settings: ReadSettings, threads: int) -> None:
        cv2.setNumThreads(threads)
        self._parts = parts_of(replace(settings, writer={}), threads)
        self._readers = readers_of(settings)

    def __call__(self, unit: Sequence[Path], skip: Collection[str], mark: Mark) -> int:
        films = (film for path in unit for film in read_films(path, self._readers))
        read_study(films, self._parts, Path())
        return len(unit)


def decode() -> BareDecode:
    return BareDecode()


def forward(settings: ReadSettings, threads: int, example: Path) -> Any:
    return partial(BareForward, settings, threads, example)


def read(settings: ReadSettings, threads: int) -> Any:
    return partial(BareRead, settings, threads)
