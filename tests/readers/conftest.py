"""What the tests of readers share."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from film_files import ReadAll, WriteDicom, dataset, picture, save
from numpy.typing import NDArray

from pipeline.contracts import FilmReader
from pipeline.knee.film import Film
from pipeline.readers.dicom import DicomReader
from pipeline.readers.itk import ItkReader
from pipeline.readers.raster import RasterReader
from pipeline.readers.read import read_films


@pytest.fixture
def write_dicom(tmp_path: Path) -> WriteDicom:
    """`write_dicom(pixels, kind, name=..., **tags)` gives the path of a new file."""
    count = 0

    def write(
        pixels: NDArray[Any] | None = None,
        kind: str = "DX",
        *,
        name: str | None = None,
        codec: str | None = None,
        bits: int | None = None,
        **tags: Any,
    ) -> Path:
        nonlocal count
        count += 1
        ds = dataset(picture() if pixels is None else pixels, kind, bits=bits, **tags)
        return save(ds, tmp_path / (name or f"film{count}.dcm"), codec=codec)

    return write


@pytest.fixture
def readers() -> tuple[FilmReader, ...]:
    return DicomReader(), RasterReader(), ItkReader()


@pytest.fixture
def read_all(readers: tuple[FilmReader, ...]) -> ReadAll:
    return lambda path: list(read_films(path, readers))


@pytest.fixture
def read_one(read_all: ReadAll) -> Callable[[Path], Film]:
    def read(path: Path) -> Film:
        films = read_all(path)
        assert len(films) == 1
        return films[0]

    return read
