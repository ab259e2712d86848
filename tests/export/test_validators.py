"""Programs of others find no error in what is exported (skipped where they are absent)."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

import pytest
from export_cases import (
    CR,
    DX,
    XA,
    complaints,
    film_dataset,
    program,
    reading_of,
    record,
    save,
)

from pipeline.records.export.deidentify import clean_film, clean_record, mark_clean
from pipeline.records.export.presentation import presentation_state
from pipeline.records.export.report import Identity, measurement_report
from pipeline.records.export.source import open_film

CASES = [
    (DX, "accepted", {}),
    (DX, "proposed", {}),
    (CR, "changed", {}),
    (CR, "rejected", {"SpecificCharacterSet": "ISO_IR 6", "PatientName": "Invented^Anna"}),
    (XA, "accepted", {"NumberOfFrames": 3}),
    (DX, "accepted", {"PatientBirthDate": "", "StudyDate": "", "PatientSex": "unknown"}),
]


@pytest.fixture(params=range(len(CASES)), ids=lambda n: f"{CASES[n][0][-4:]}-{CASES[n][1]}")
def made(request: pytest.FixtureRequest, tmp_path: Path) -> tuple[Path, Path]:
    """The files of a report and of a state."""
    kind, state, changes = CASES[request.param]
    film = film_dataset(kind)
    for keyword, value in changes.items():
        film.add_new(keyword, film[keyword].VR if keyword in film else "IS", value)
    if changes.get("NumberOfFrames"):
        film.PixelData = film.PixelData * 3
        film.FrameIncrementPointer, film.FrameTime = 0x00181063, "100"
    path = save(film, tmp_path / "film.dcm")
    frame = 2 if "NumberOfFrames" in changes else None
    one = record(reading_of(path, frame=frame, full=kind == DX), state)
    header = open_film(path, one.original["film"]["sha256"])
    report, shown = tmp_path / "report.dcm", tmp_path / "state.dcm"
    measurement_report(one, header, Identity("Example site")).save_as(
        report, enforce_file_format=True
    )
    presentation_state(one, header, Identity()).save_as(shown, enforce_file_format=True)
    return report, shown


def test_dciodvfy_finds_no_error(made: tuple[Path, Path]) -> None:
    for path in made:
        assert complaints(path) == []


def run(command: list[str]) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        command, capture_output=True, text=True, errors="replace", timeout=300, check=False
    )


def test_dcmtk_reads_the_report_and_passes_the_state(made: tuple[Path, Path]) -> None:
    dsrdump, dcmpschk = program("dsrdump", "dcmtk"), program("dcmpschk", "dcmtk")
    report, state = made
    ran = run([dsrdump, str(report)])
    assert ran.returncode == 0
    assert not [line for line in ran.stderr.splitlines() if line.startswith(("E:", "W:"))]
    assert re.search(
        r'NUM:\(,,"Rotation of the knee in the beam"\)="[-0-9.]+" \(deg,UCUM', ran.stdout
    )
    ran = run([dcmpschk, str(state)])
    assert "Test passed" in ran.stdout + ran.stderr


def test_dciodvfy_would_find_a_mistake(tmp_path: Path) -> None:
    path = save(film_dataset(), tmp_path / "film.dcm")
    one = record(reading_of(path))
    report = measurement_report(one, open_film(path, one.original["film"]["sha256"]), Identity())
    del report.CompletionFlag
    report.save_as(tmp_path / "report.dcm", enforce_file_format=True)
    assert any("CompletionFlag" in line for line in complaints(tmp_path / "report.dcm"))


@pytest.mark.parametrize("kind", [DX, CR, XA])
def test_a_deidentified_film_has_no_error_and_nor_have_its_objects(
    tmp_path: Path, kind: str
) -> None:
    path = save(film_dataset(kind), tmp_path / "film.dcm")
    assert complaints(path) == []  # the case itself
    one = record(reading_of(path))
    film = open_film(path, one.original["film"]["sha256"], pixels=True)
    clean, key = clean_film(film, b"k" * 32), b"k" * 32
    clean.save_as(tmp_path / "clean.dcm", enforce_file_format=True)
    assert complaints(tmp_path / "clean.dcm") == []
    shown = clean_record(one, key)
    report = mark_clean(measurement_report(shown, clean, Identity(key=key)), graphics=False)
    state = mark_clean(presentation_state(shown, clean, Identity(key=key)), graphics=True)
    for name, each in (("report", report), ("state", state)):
        each.save_as(tmp_path / f"{name}.dcm", enforce_file_format=True)
        assert complaints(tmp_path / f"{name}.dcm") == []
