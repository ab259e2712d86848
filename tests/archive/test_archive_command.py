"""`squareon archive` as a user meets it: filters, what it says, and what it keeps to itself."""

from __future__ import annotations

import argparse
import csv
import socket
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from fake_archive import films, settings
from invented_archive import film
from squareon_fakes import SETTINGS, write_film

from pipeline.archive.contract import Listed, Wanted
from pipeline.archive.settings import ArchiveSettings
from pipeline.archive.sources.folder import FolderSource
from pipeline.batch.settings import ReadSettings, digest_of_settings
from pipeline.cli import main
from pipeline.commands.archive import ArchiveCommand
from pipeline.knee.errors import Problem
from pipeline.records.store import Store

NAME = "Quillonby^Persephone 19310203"


def run(*words: str, **changes: Any) -> int:
    """The command with the fake stages."""
    parser = argparse.ArgumentParser()
    command = ArchiveCommand()
    command.add_arguments(parser)
    return command.run(parser.parse_args(words), vars(settings(**changes)))


def test_a_dry_run_makes_nothing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    archive, store = films(tmp_path / "films", 5), tmp_path / "a" / "store.sqlite"
    assert run(str(archive), "--store", str(store), "--dry-run") == 0
    said = capsys.readouterr().out
    assert "5 films in the source, 0 known, 5 to read" in said
    assert "time: about" in said
    assert "disk: the store grows by about" in said
    assert not store.parent.exists()


def test_what_it_says_and_keeps_to_itself(
    tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    archive = films(tmp_path / NAME, 3)
    (archive / "bad.film").write_text("no JSON")
    write_film(archive / "bomb.film", bomb=True)
    write_film(archive / "fails.film", raises=True)
    kept, table = tmp_path / "kept", tmp_path / "problems.csv"
    words = (str(archive), "--store", str(kept / "store.sqlite"))
    for known in (0, 6):
        assert run(*words, "--problems", str(table)) == 1
        out, err = capfd.readouterr()
        assert f"{known} known before" in out
        assert "not for guidance of any procedure" in out
        for word in ("uillonby", "ersephone", "19310203"):
            assert word not in out + err
        with open(table, newline="") as file:
            rows = list(csv.DictReader(file))
        names = {Path(row["source"]).name for row in rows}
        assert names == {"bad.film", "bomb.film", "fails.film"}
        assert all(row["what"] and row["do"] for row in rows)
    content = b"".join(path.read_bytes() for path in kept.iterdir())
    for raw in (b"uillonby", b"ersephone", b"19310203", b"bad.film"):
        assert raw not in content
    with Store.open(words[2]) as store:
        assert {Path(row.source).parent.parent.name for row in store.readings()} == {NAME}
        assert store.verify() == []


@pytest.mark.parametrize(
    "address",
    ["{folder}/none", "http://127.0.0.1:{port}/dicom-web", "dicom://NOBODY@127.0.0.1:{port}"],
)
def test_where_no_source_is_one_sentence_is_said_and_nothing_made(
    address: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with socket.socket() as taken:  # bound and not listening: nobody answers there
        taken.bind(("127.0.0.1", 0))
        source = address.format(folder=tmp_path, port=taken.getsockname()[1])
        words = ["archive", source, "--store", str(tmp_path / "s" / "s.sqlite")]
        assert main([*words, "network.attempts=1"]) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert len(said.err.splitlines()) == 1
    assert source in said.err
    assert list(tmp_path.iterdir()) == []


def test_what_is_no_source_is_said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["archive", "gopher://x", "--store", str(tmp_path / "s.sqlite")]) == 2
    assert "is no source of films" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ({"since": "2024-13-01"}, "is no day"),
        ({"since": "2024-02-01", "until": "2024-01-01"}, "is after"),
        ({"task": 0}, "no sensible task"),
        ({"writer": {"jsonl": {}}}, "into a store and nothing else"),
        ({"patience_s": -1.0}, "below zero"),
    ],
)
def test_settings_that_cannot_be_are_said(words: dict[str, Any], said: str) -> None:
    with pytest.raises(Problem, match=said):
        settings(**words)


def test_how_and_where_it_is_read_is_no_other_model() -> None:
    plain = settings()
    for other in (settings(engine="local", task=7, since="2024-01-01"), settings(workers=3)):
        assert digest_of_settings(other.read()) == digest_of_settings(plain.read())
    assert type(plain.read()) is ReadSettings
    assert digest_of_settings(settings(min_view_probability=0.7).read()) != digest_of_settings(
        plain.read()
    )


@pytest.fixture
def dicom(tmp_path: Path) -> Path:
    """Films by number; what each header says is in the tests below."""
    said: list[dict[str, Any]] = [
        {"StudyDate": "20240102", "Modality": "DX", "BodyPartExamined": "KNEE"},
        {"StudyDate": "20230630", "AcquisitionDate": "20230701", "Modality": "CR"},
        {"StudyDate": "20240102", "BodyPartExamined": "HAND", "StationName": "ROOM2"},
        {"StudyDate": None, "BodyPartExamined": None, "StationName": None},
    ]
    for number, tags in enumerate(said):
        film(number + 1, 1, 1, **tags).save_as(tmp_path / f"{number}.dcm", enforce_file_format=True)
    return tmp_path


@pytest.mark.parametrize(
    ("wanted", "found"),
    [
        (Wanted(), "0123"),
        (Wanted(since=date(2024, 1, 1)), "023"),
        (Wanted(since=date(2023, 7, 1), until=date(2023, 7, 1)), "13"),
        (Wanted(until=date(2023, 6, 30), unknown=False), ""),
        (Wanted(body_part=("KNEE",)), "013"),
        (Wanted(body_part=("KNEE",), unknown=False), "01"),
        (Wanted(modality=("CR",)), "1"),
        (Wanted(station=("room2",)), "23"),
        (Wanted(station=("ROOM1", "ROOM2"), unknown=False), "012"),
    ],
)
def test_folders_are_filtered_by_their_headers(dicom: Path, wanted: Wanted, found: str) -> None:
    listed = [one for one in FolderSource(str(dicom)).list(wanted) if isinstance(one, Listed)]
    assert "".join(Path(one.name).stem for one in listed) == found
    assert all(one.bytes == Path(one.name).stat().st_size for one in listed)
    if not wanted.everything:
        assert len({one.study for one in listed}) == len(listed)


def test_every_setting_is_in_the_file() -> None:
    assert set(vars(settings())) >= set(SETTINGS) - {"writer"}
    assert isinstance(settings(), ArchiveSettings)
