"""Walking folders."""

from __future__ import annotations

import os
from pathlib import Path

import pydicom
import pytest
from film_files import WriteDicom
from hypothesis import given
from hypothesis import strategies as st

from pipeline.contracts import FilmReader
from pipeline.knee.errors import Problem
from pipeline.readers.files import uid_digest
from pipeline.readers.find import find_films, study_of
from pipeline.readers.read import read_films


def touch(root: Path, *names: str) -> list[Path]:
    for name in names:
        path = root / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(b"x")
    return [root / name for name in names]


def names(root: Path, found: list[Path]) -> list[str]:
    return [path.relative_to(root).as_posix() for path in found]


def test_sorted_and_without_what_is_no_film(tmp_path: Path) -> None:
    touch(
        tmp_path, "b/2", "b/10", "a/film.png", "1.2.840.99.1", ".hidden.dcm", ".git/x", "DICOMDIR"
    )
    touch(tmp_path, "notes.txt", "b/table.csv", "scan.mhd", "scan.raw", "alone.raw", "v.nii.gz")
    assert names(tmp_path, list(find_films([tmp_path]))) == [
        "1.2.840.99.1",
        "a/film.png",
        "alone.raw",
        "b/10",
        "b/2",
        "scan.mhd",
        "v.nii.gz",
    ]


def test_own_results_are_left_out_and_others_overlays_are_not(tmp_path: Path) -> None:
    touch(tmp_path, "out/readings.jsonl", "out/overlays/a.png", "out/films/a.dcm")
    touch(tmp_path, "theirs/overlays/b.png")
    assert names(tmp_path, list(find_films([tmp_path]))) == [
        "out/films/a.dcm",
        "theirs/overlays/b.png",
    ]


def test_named_files_are_tried_whatever_they_are(tmp_path: Path) -> None:
    note, missing = tmp_path / "notes.txt", tmp_path / "missing.dcm"
    touch(tmp_path, "notes.txt")
    assert list(find_films([note, missing])) == [note, missing]


def test_each_file_once(tmp_path: Path) -> None:
    film, _ = touch(tmp_path, "a/1", "a/b/2")
    found = list(find_films([film, tmp_path, tmp_path / "a"]))
    assert names(tmp_path, found) == ["a/1", "a/b/2"]


def test_links_in_a_circle_end(tmp_path: Path) -> None:
    touch(tmp_path, "a/1")
    os.symlink(tmp_path, tmp_path / "a" / "round")
    (tmp_path / "elsewhere").mkdir()
    assert names(tmp_path, list(find_films([tmp_path]))) == ["a/1"]


def test_a_folder_that_cannot_be_opened(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, readers: tuple[FilmReader, ...]
) -> None:
    touch(tmp_path, "a/1", "locked/2", "z/3")
    real = Path.iterdir

    def iterdir(self: Path):  # type: ignore[no-untyped-def]
        if self.name == "locked":
            raise PermissionError(13, "Permission denied")
        return real(self)

    monkeypatch.setattr(Path, "iterdir", iterdir)
    problems: list[Problem] = []
    assert names(tmp_path, list(find_films([tmp_path], problems))) == ["a/1", "z/3"]
    assert [problem.source for problem in problems] == [str(tmp_path / "locked")]
    assert names(tmp_path, list(find_films([tmp_path]))) == ["a/1", "locked", "z/3"]
    with pytest.raises(Problem, match="may not be opened") as raised:
        list(read_films(tmp_path / "locked", readers))
    assert raised.value.what == problems[0].what


@given(order=st.permutations(["b", "a", "C", "10", "9"]))
def test_order_does_not_depend_on_the_disk(
    order: list[str], tmp_path_factory: pytest.TempPathFactory
) -> None:
    root = tmp_path_factory.mktemp("order")
    touch(root, *order)
    assert names(root, list(find_films([root]))) == ["10", "9", "C", "a", "b"]


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no named pipes")
def test_a_named_pipe_is_refused_and_not_waited_for(
    tmp_path: Path, readers: tuple[FilmReader, ...]
) -> None:
    pipe = tmp_path / "pipe.dcm"
    os.mkfifo(pipe)
    opened: list[Path] = []

    def noted(path: Path) -> bytes:
        opened.append(path)  # really opening it would wait for a writer without end
        return b""

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("pipeline.readers.find.first_bytes", noted)
        assert study_of(pipe) is None
    assert not opened
    with pytest.raises(Problem, match="not an ordinary file"):
        list(read_films(pipe, readers))


def test_study_of(tmp_path: Path, write_dicom: WriteDicom, readers: tuple[FilmReader, ...]) -> None:
    path = write_dicom()
    assert study_of(path) == uid_digest(pydicom.dcmread(path).StudyInstanceUID)
    assert study_of(path) == next(read_films(path, readers)).study_digest
    assert study_of(write_dicom(StudyInstanceUID=None)) is None
    assert study_of(tmp_path / "missing") is None
    assert study_of(touch(tmp_path, "x.dcm")[0]) is None
