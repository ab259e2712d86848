"""Films on a medium with a directory, held against pydicom's own reading of it."""

from __future__ import annotations

import shutil
from datetime import date
from pathlib import Path

import pydicom
import pytest
from invented_archive import PATIENT, film, small_archive, write
from pydicom.fileset import FileSet

from pipeline.archive.contract import GoneError, Listed, Source, Wanted
from pipeline.archive.sources.choose import source_of
from pipeline.archive.sources.dicomdir import DicomdirSource
from pipeline.knee.errors import Problem

NEXT = "OffsetOfTheNextDirectoryRecord"


@pytest.fixture
def medium(tmp_path: Path) -> Path:
    """A medium with five films and a report."""
    files = FileSet()
    for each in small_archive(tmp_path / "made"):
        files.add(each.dataset)
    files.write(tmp_path / "medium")
    return tmp_path / "medium" / "DICOMDIR"


def test_lists_what_pydicom_lists(medium: Path, tmp_path: Path) -> None:
    source = source_of(str(medium))
    assert isinstance(source, DicomdirSource)
    assert isinstance(source, Source)
    found = [each for each in source.list(Wanted()) if isinstance(each, Listed)]
    reference = {each.path for each in FileSet(medium) if each.Modality != "SR"}
    assert {each.name for each in found} == reference
    assert len({each.study for each in found}) == 3
    assert [each.study for each in found] == sorted(
        (each.study for each in found), key=[each.study for each in found].index
    )  # films of a study together
    got = dict(source.fetch(found, tmp_path))
    assert all(isinstance(path, Path) and path.is_file() for path in got.values())
    assert len(got) == 5


def test_filters_look_at_the_films(medium: Path) -> None:
    source = DicomdirSource(str(medium))
    for wanted, count in (
        (Wanted(since=date(2020, 1, 1)), 4),
        (Wanted(body_part=("HAND",), unknown=False), 1),
        (Wanted(modality=("CR",)), 1),
    ):
        assert len(list(source.list(wanted))) == count


def test_lower_case_copies_are_found(medium: Path, tmp_path: Path) -> None:
    copy = tmp_path / "copy"
    for path in medium.parent.rglob("*"):
        if path.is_file():
            name = str(path.relative_to(medium.parent))
            to = copy / (name if path.name == "DICOMDIR" else name.lower())
            to.parent.mkdir(parents=True, exist_ok=True)
            shutil.copy(path, to)
    found = list(DicomdirSource(str(copy / "DICOMDIR")).list(Wanted()))
    assert len([each for each in found if isinstance(each, Listed)]) == 5


def test_a_film_that_is_not_there_is_told_and_the_rest_is_read(medium: Path) -> None:
    source = DicomdirSource(str(medium))
    first, *rest = list(source.list(Wanted()))
    Path(first.name).unlink()
    found = list(source.list(Wanted()))
    assert [each for each in found if isinstance(each, Listed)] == rest
    (problem,) = [each for each in found if isinstance(each, Problem)]
    assert "not on the medium" in str(problem)
    assert PATIENT not in str(problem)


@pytest.mark.filterwarnings("ignore:Invalid value for VR CS")
@pytest.mark.parametrize(
    "parts", [["..", "OUTSIDE"], ["A/../../OUTSIDE"], [".", "OUTSIDE"], ["LINK"]]
)
def test_no_path_leads_out_of_the_medium(medium: Path, parts: list[str]) -> None:
    outside = write(medium.parent.parent, film(9, 1, 1)).path
    outside.rename(outside.with_name("OUTSIDE"))
    (medium.parent / "LINK").symlink_to(outside.with_name("OUTSIDE"))
    directory = pydicom.dcmread(medium)
    for record in directory.DirectoryRecordSequence:
        if record.DirectoryRecordType == "IMAGE":
            record.ReferencedFileID = parts
    directory.save_as(medium)
    found = list(DicomdirSource(str(medium)).list(Wanted()))
    assert all(isinstance(each, Problem) for each in found)
    assert sum("not on the medium" in str(each) for each in found) == 5


def test_a_directory_that_points_in_circles_ends(medium: Path) -> None:
    directory = pydicom.dcmread(medium)
    for record in directory.DirectoryRecordSequence:
        setattr(record, NEXT, directory.DirectoryRecordSequence[0].seq_item_tell)
    directory.save_as(medium)
    found = list(DicomdirSource(str(medium)).list(Wanted()))
    assert len({each.name for each in found if isinstance(each, Listed)}) == len(found) == 5


def test_a_directory_that_is_cut_short_says_so(medium: Path) -> None:
    raw = medium.read_bytes()
    medium.write_bytes(raw[: len(raw) // 2])
    found = list(DicomdirSource(str(medium)).list(Wanted()))
    assert 0 < len([each for each in found if isinstance(each, Listed)]) < 5
    assert "cut short" in str(found[-1])


def test_what_is_no_directory(tmp_path: Path, medium: Path) -> None:
    raw = medium.read_bytes()
    other = write(tmp_path, film(1, 1, 1)).path.read_bytes()
    for number, bad in enumerate((b"", b"hello", raw[:200], other)):
        path = tmp_path / str(number) / "DICOMDIR"
        path.parent.mkdir()
        path.write_bytes(bad)
        with pytest.raises(Problem, match="no directory of a DICOM medium"):
            list(DicomdirSource(str(path)).list(Wanted()))
    with pytest.raises(GoneError):
        list(DicomdirSource(str(tmp_path / "none" / "DICOMDIR")).list(Wanted()))
