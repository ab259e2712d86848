"""Whatever is wrong with a file: one clear sentence, never another exception, no patient's name."""

from __future__ import annotations

import io
import os
from collections.abc import Callable, Iterable
from pathlib import Path

import numpy as np
import pydicom
import pytest
import SimpleITK as sitk
from film_files import PATIENT, WriteDicom, dataset, picture, save
from PIL import Image
from pydicom.uid import JPEG2000Lossless, JPEGLSLossless, RLELossless

from pipeline.contracts import FilmReader
from pipeline.knee.errors import Problem
from pipeline.knee.film import Film
from pipeline.readers.dicom import DicomReader
from pipeline.readers.itk import ItkReader
from pipeline.readers.raster import RasterReader
from pipeline.readers.read import read_films

TEST_FILES = Path(pydicom.__file__).parent / "data" / "test_files"


def problem_of(path: Path, readers: Iterable[FilmReader]) -> Problem:
    with pytest.raises(Problem) as raised:
        list(read_films(path, tuple(readers)))
    problem = raised.value
    assert problem.source.startswith(str(path))
    assert "\n" not in str(problem)
    assert len(str(problem)) - len(problem.source) < 200
    assert PATIENT not in str(problem)
    return problem


def test_files_that_hold_nothing(tmp_path: Path, readers: tuple[FilmReader, ...]) -> None:
    empty = tmp_path / "empty.dcm"
    empty.touch()
    assert "empty" in problem_of(empty, readers).what
    assert "does not exist" in problem_of(tmp_path / "missing.dcm", readers).what
    assert "is a folder" in problem_of(tmp_path, readers).what
    os.mkfifo(tmp_path / "pipe")
    assert "not an ordinary file" in problem_of(tmp_path / "pipe", readers).what


@pytest.mark.parametrize("text", ["hello", "hello world " * 500, "\0" * 400])
def test_text_with_a_dicom_name(text: str, tmp_path: Path, readers: tuple[FilmReader, ...]) -> None:
    path = tmp_path / "film.dcm"
    path.write_text(text)
    assert "not a DICOM file" in problem_of(path, readers).what
    other = tmp_path / "film.png"
    other.write_text(text)
    assert "no picture in a format that is read" in problem_of(other, readers).what


def test_a_file_that_may_not_be_opened(
    write_dicom: WriteDicom, readers: tuple[FilmReader, ...], monkeypatch: pytest.MonkeyPatch
) -> None:
    path = write_dicom()
    real = io.open

    def refuse(file: object, *args: object, **options: object):  # type: ignore[no-untyped-def]
        if str(file) == str(path):
            raise PermissionError(13, "Permission denied", str(path))
        return real(file, *args, **options)  # type: ignore[call-overload]

    monkeypatch.setattr("builtins.open", refuse)
    assert "may not be opened" in problem_of(path, readers).what


@pytest.mark.parametrize(
    ("kind", "modality", "word"),
    [
        ("CT", "CT", "CT slice"),
        ("MR", "MR", "MR slice"),
        ("SC", "US", "ultrasound"),
        ("CT", None, "CT Image"),
    ],
)
def test_no_projection_film(
    kind: str,
    modality: str | None,
    word: str,
    write_dicom: WriteDicom,
    readers: tuple[FilmReader, ...],
) -> None:
    problem = problem_of(write_dicom(kind=kind, Modality=modality), readers)
    assert word in problem.what
    assert "remove it from the list" in problem.do


@pytest.mark.parametrize(
    ("name", "word"),
    [
        ("reportsi.dcm", "a report"),
        ("dicomdirtests/DICOMDIR", "directory of a DICOM medium"),
        ("CT_small.dcm", "CT slice"),
        ("rtplan_truncated.dcm", "treatment plan"),
        ("waveform_ecg.dcm", "an ECG"),
        ("MR_truncated.dcm", "MR slice"),
        ("no_meta.dcm", "not a DICOM file"),
        ("empty_charset_LEI.dcm", "what kind of DICOM object"),
    ],
)
def test_files_that_come_with_pydicom(
    name: str, word: str, readers: tuple[FilmReader, ...]
) -> None:
    assert word in problem_of(TEST_FILES / name, readers).what


def test_every_file_that_comes_with_pydicom_is_a_film_or_a_problem(
    readers: tuple[FilmReader, ...],
) -> None:
    films = problems = 0
    for path in sorted(TEST_FILES.rglob("*")):
        if not path.is_file() or "TINY_ALPHA" in path.parts:
            continue
        try:
            for film in read_films(path, readers):
                films += 1
                assert 0 <= film.pixels.min() <= film.pixels.max() <= 1
        except Problem:
            problems += 1
    # 3 CR films of 16 x 16 and the secondary captures, 4 of them with two frames
    assert films >= 35
    assert problems >= 80


@pytest.mark.parametrize(
    ("tags", "word"),
    [
        ({"PixelData": None}, "no pixel data"),
        ({"Rows": None}, "number of rows"),
        ({"Columns": None}, "number of columns"),
        ({"Rows": 0}, "no area"),
        ({"Rows": 65535, "Columns": 65535}, "too large"),
        ({"Rows": 48}, "cut short or damaged"),
        ({"BitsStored": None}, "cut short or damaged"),
        ({"PhotometricInterpretation": None}, "cut short or damaged"),
        ({"NumberOfFrames": 5}, "cut short or damaged"),
        ({"NumberOfFrames": 0}, "number of frames"),
    ],
)
def test_headers_without_what_is_needed(
    tags: dict[str, object], word: str, write_dicom: WriteDicom, readers: tuple[FilmReader, ...]
) -> None:
    assert word in problem_of(write_dicom(**tags), readers).what


def test_no_class_is_believed_for_a_projection_modality(
    tmp_path: Path, readers: tuple[FilmReader, ...]
) -> None:
    for modality, good in (("DX", True), ("CT", False), (None, False)):
        ds = dataset(picture(), Modality=modality, SOPClassUID=None)
        del ds.file_meta.MediaStorageSOPClassUID
        path = tmp_path / f"{modality}.dcm"
        ds.save_as(path, enforce_file_format=False)
        raw = path.read_bytes()
        if b"DICM" not in raw[:140]:
            path.write_bytes(b"\0" * 128 + b"DICM" + raw)
        if good:
            assert "what kind" in next(read_films(path, readers)).cautions[0]
        else:
            problem_of(path, readers)


def test_size_limit_is_an_option(tmp_path: Path, write_dicom: WriteDicom) -> None:
    values = picture(100, 110)
    dicom = write_dicom(values)
    png, nrrd = tmp_path / "a.png", tmp_path / "a.nrrd"
    Image.fromarray(values).save(png)
    sitk.WriteImage(sitk.GetImageFromArray(values), nrrd)
    for path, reader in ((dicom, DicomReader), (png, RasterReader), (nrrd, ItkReader)):
        assert len(list(read_films(path, [reader(max_megapixels=0.012)]))) == 1
        assert "too large (110 x 100" in problem_of(path, [reader(max_megapixels=0.0109)]).what


def test_a_picture_that_unpacks_to_a_bomb(tmp_path: Path, readers: tuple[FilmReader, ...]) -> None:
    path = tmp_path / "bomb.png"
    Image.new("1", (11000, 11000)).save(path)
    assert "too large" in problem_of(path, readers).what
    raw = bytearray(path.read_bytes())
    raw[16:24] = (60000).to_bytes(4, "big") * 2
    path.write_bytes(raw)
    problem_of(path, readers)


def test_frames_before_a_damaged_one_are_read(
    tmp_path: Path, readers: tuple[FilmReader, ...]
) -> None:
    ds = dataset(np.stack([picture(), picture(), picture()]), "XA", bits=12)
    path = save(ds, tmp_path / "film.dcm", codec=RLELossless)
    ds = pydicom.dcmread(path)
    fragments = list(pydicom.encaps.generate_frames(ds.PixelData, number_of_frames=3))
    fragments[1] = fragments[1][: len(fragments[1]) // 2 // 2 * 2]
    ds.PixelData = pydicom.encaps.encapsulate(fragments)
    ds.save_as(path)
    films = []
    with pytest.raises(Problem, match="frame 2"):
        films.extend(read_films(path, readers))
    assert [film.frame for film in read_until_problem(path, readers)] == [1]


def read_until_problem(path: Path, readers: tuple[FilmReader, ...]) -> list[Film]:
    """Lets every exception but `Problem` through."""
    films: list[Film] = []
    try:
        films.extend(read_films(path, readers))
    except Problem as problem:
        if PATIENT in str(problem):
            raise
    return films


class BrokenReader:
    """Somebody's plugin with a fault in it."""

    def __init__(self, error: Exception) -> None:
        self.error = error

    def accepts(self, path: Path) -> bool:
        return True

    def read(self, path: Path) -> Iterable[Film]:
        raise self.error


@pytest.mark.parametrize(
    ("error", "word"),
    [
        (ValueError(f"bad value of {PATIENT}"), "ValueError"),
        (RecursionError(), "RecursionError"),
        (MemoryError(), "more memory"),
        (PermissionError(13, "no"), "may not be opened"),
        (OSError(5, "Input/output error"), "Input/output error"),
        (OSError("image file is truncated"), "damaged"),
    ],
)
def test_whatever_a_reader_raises(error: Exception, word: str, write_dicom: WriteDicom) -> None:
    assert word in problem_of(write_dicom(), [BrokenReader(error)]).what


def valid_files(folder: Path) -> list[Path]:
    """One small valid file of each kind."""
    values = picture(72, 64)
    stack = np.stack([values, values])
    rgb = np.stack([values.astype(np.uint8)] * 3, -1)
    files = [save(dataset(values), folder / "plain.dcm")]
    for name, codec in (("rle", RLELossless), ("jls", JPEGLSLossless), ("j2k", JPEG2000Lossless)):
        files.append(save(dataset(stack, "XA", bits=12), folder / f"{name}.dcm", codec=codec))
    files.append(save(dataset(rgb, "SC"), folder / "colour.dcm"))
    for name in ("grey.png", "grey.jpg", "grey.tif"):
        Image.fromarray(values.astype(np.uint8)).save(folder / name)
        files.append(folder / name)
    page = Image.fromarray(values)
    page.save(folder / "deep.tif", save_all=True, append_images=[page], compression="tiff_lzw")
    files.append(folder / "deep.tif")
    for name in ("a.nrrd", "a.mha", "a.nii", "a.nii.gz", "a.bmp"):
        image = sitk.GetImageFromArray(values.astype(np.uint8))
        sitk.WriteImage(image, folder / name)
        files.append(folder / name)
    return files


@pytest.mark.parametrize("damage", ["cut", "flip", "zeros"])
def test_damaged_files_give_films_or_problems(
    damage: str, tmp_path: Path, readers: tuple[FilmReader, ...]
) -> None:
    rng = np.random.default_rng(11)
    for path in valid_files(tmp_path):
        whole = path.read_bytes()
        assert read_until_problem(path, readers)
        for _ in range(25):
            raw = bytearray(whole)
            if damage == "cut":
                raw = raw[: rng.integers(0, len(raw))]
            elif damage == "flip":
                for at in rng.integers(0, min(len(raw), 3000), 4):
                    raw[at] = rng.integers(0, 256)
            else:
                at = int(rng.integers(0, len(raw)))
                raw[at : at + 40] = bytes(len(raw[at : at + 40]))
            path.write_bytes(raw)
            for film in read_until_problem(path, readers):
                assert film.pixels.dtype == np.float32
                assert np.isfinite(film.pixels).all()
                assert 0 <= film.pixels.min() <= film.pixels.max() <= 1


def test_a_cut_dicom_never_passes_as_whole(tmp_path: Path, readers: tuple[FilmReader, ...]) -> None:
    path = save(dataset(picture()), tmp_path / "film.dcm")
    whole = path.read_bytes()
    for length in range(140, len(whole) - 1, 13):
        path.write_bytes(whole[:length])
        problem_of(path, readers)


def test_no_patient_in_a_film(write_dicom: WriteDicom, read_all: Callable) -> None:
    for film in read_all(write_dicom(BodyPartExamined="KNEE", PixelSpacing=[0, 0])):
        assert PATIENT not in repr((film.header, film.cautions, film.scale, film.study_digest))
