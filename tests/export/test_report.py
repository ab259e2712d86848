"""Measurement reports, read back item by item with pydicom alone."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from export_cases import (
    COLUMNS,
    CR,
    NAME,
    ROWS,
    XA,
    back,
    child,
    code_of,
    film_dataset,
    groups,
    items,
    moved,
    reading_of,
    record,
    save,
)
from hypothesis import given, settings
from hypothesis import strategies as st
from pydicom.dataset import Dataset

from pipeline.knee.errors import Problem
from pipeline.records.export import codes as c
from pipeline.records.export.record import Record
from pipeline.records.export.report import Identity, measurement_report
from pipeline.records.export.source import open_film


@pytest.fixture
def case(tmp_path: Path) -> tuple[Path, dict]:
    path = save(film_dataset(), tmp_path / "film.dcm")
    return path, reading_of(path, rotation=-7.3, tilt=2.4, view="AP", side="right")


def report_of(one: Record, path: Path, identity: Identity | None = None) -> Dataset:
    film = open_film(path, one.original["film"]["sha256"])
    made = measurement_report(one, film, identity or Identity("Example site"))
    return back(made, path.with_name("report.dcm"))


def points(report: Dataset) -> dict[str, np.ndarray]:
    """Tracking identifier of each group with a region to its (N, 2) graphic data."""
    found = {}
    for group in groups(report):
        region = child(group, "111030")
        if region is not None:
            name = str(child(group, "112039").TextValue)
            found[name] = np.array(region.GraphicData).reshape(-1, 2)
    return found


def test_each_landmark_lies_in_the_pixel_that_dicom_coordinates_name(
    case: tuple[Path, dict],
) -> None:
    path, _ = case
    reading = reading_of(path, full=True)
    found = points(report_of(record(reading), path))
    seen = [mark for mark in reading["landmarks"] if mark["x"] is not None]
    assert len(seen) > 20
    for mark in seen:
        x, y = found[mark["name"].replace("_", " ")][0]
        # The first pixel covers 0 to 1: the pixel under a coordinate is its whole part.
        pixel = (int(np.floor(x)), int(np.floor(y)))
        nearest = (int(np.floor(mark["x"] + 0.5)), int(np.floor(mark["y"] + 0.5)))
        assert pixel == nearest
        assert np.allclose((x, y), (mark["x"] + 0.5, mark["y"] + 0.5), atol=1e-3)


@settings(max_examples=10, deadline=None)
@given(x=st.floats(0, COLUMNS - 1), y=st.floats(0, ROWS - 1))
def test_a_bright_pixel_marked_on_the_film_is_found_again(
    tmp_path_factory: pytest.TempPathFactory, x: float, y: float
) -> None:
    folder = tmp_path_factory.mktemp("bright")
    film = film_dataset()
    pixels = np.zeros((ROWS, COLUMNS), "<u2")
    pixels[round(y), round(x)] = 4000
    film.PixelData = pixels.tobytes()
    path = save(film, folder / "film.dcm")
    reading = reading_of(path)
    reading["landmarks"] = reading["landmarks"][:1]
    reading["landmarks"][0] |= {"x": float(round(x)), "y": float(round(y)), "seen": True}
    report = report_of(record(reading), path)
    ((column, row),) = points(report)["medial epicondyle"]
    assert film.pixel_array[int(row), int(column)] == 4000
    assert (column % 1, row % 1) == (0.5, 0.5)  # a pixel's centre


def test_angles_keep_sign_unit_and_interval(case: tuple[Path, dict]) -> None:
    path, reading = case
    (alignment,) = [g for g in groups(report_of(record(reading), path)) if child(g, "SQ-020")]
    for name, code in (("rotation", "SQ-020"), ("tilt", "SQ-021")):
        item = child(alignment, code)
        assert item is not None
        value = item.MeasuredValueSequence[0]
        expected = reading["alignment"][f"{name}_deg"]
        assert float(value.NumericValue) == pytest.approx(expected, abs=1e-3)
        assert code_of(value, "MeasurementUnitsCodeSequence") == "deg"
        low, high = reading["alignment"][f"{name}_90"]
        for part, size in (("371886008", high - expected), ("371885007", expected - low)):
            spread = child(item, part).MeasuredValueSequence[0]
            assert float(spread.NumericValue) == pytest.approx(size, abs=1e-3)
            assert code_of(spread, "MeasurementUnitsCodeSequence") == "deg"
    assert float(child(alignment, "SQ-020").MeasuredValueSequence[0].NumericValue) < 0


def test_lengths_are_millimetres_at_the_knee_or_pixels(case: tuple[Path, dict]) -> None:
    path, reading = case
    at = {m["name"]: np.array([m["x"], m["y"]]) for m in reading["landmarks"]}
    pixels = float(np.linalg.norm(at["medial_epicondyle"] - at["lateral_epicondyle"]))
    for scale, unit, expected in ((0.4, "mm", 0.4 * pixels), (None, "{pixels}", pixels)):
        changed = {**reading, "scale": {**reading["scale"], "mm_per_px_knee": scale}}
        report = report_of(record(changed), path)
        (width,) = [item for item in items(report) if code_of(item) == "SQ-031"]
        value = width.MeasuredValueSequence[0]
        assert float(value.NumericValue) == pytest.approx(expected, abs=1e-3)
        assert code_of(value, "MeasurementUnitsCodeSequence") == unit


def test_an_accepted_reading_is_complete_verified_final(case: tuple[Path, dict]) -> None:
    path, reading = case
    report = report_of(record(reading), path)
    flags = (report.CompletionFlag, report.VerificationFlag, report.PreliminaryFlag)
    assert flags == ("COMPLETE", "VERIFIED", "FINAL")
    (observer,) = report.VerifyingObserverSequence
    assert str(observer.VerifyingObserverName).startswith("Example Reviewer A")
    assert observer.VerifyingOrganization == "Example site"
    assert observer.VerificationDateTime == "20260304102030+0000"
    names = [str(item.PersonName) for item in items(report) if item.ValueType == "PNAME"]
    assert [name.rstrip("^") for name in names] == ["Example Reviewer A"]
    assert code_of(report) == "126000"
    assert "UNREVIEWED" not in str(report)


@pytest.mark.parametrize("state", ["proposed", "rejected"])
def test_whatever_nobody_accepted_says_so_everywhere(case: tuple[Path, dict], state: str) -> None:
    path, reading = case
    report = report_of(record(reading, state), path)
    flags = (report.CompletionFlag, report.VerificationFlag, report.PreliminaryFlag)
    assert flags == ("PARTIAL", "UNVERIFIED", "PRELIMINARY")
    assert "VerifyingObserverSequence" not in report
    assert not [item for item in items(report) if item.ValueType == "PNAME"]
    assert "UNREVIEWED" in report.ConceptNameCodeSequence[0].CodeMeaning
    assert "UNREVIEWED" in report.SeriesDescription
    texts = [item.TextValue for item in items(report) if item.ValueType == "TEXT"]
    assert any(text.startswith("UNREVIEWED") for text in texts)
    assert code_of(report) != "126000"
    accepted = report_of(record(reading), path)
    assert report.SeriesInstanceUID != accepted.SeriesInstanceUID


def test_every_report_says_what_it_is_not_for(case: tuple[Path, dict]) -> None:
    path, reading = case
    for state in ("accepted", "changed", "proposed", "rejected"):
        texts = [i.TextValue for i in items(report_of(record(reading, state), path))
                 if i.ValueType == "TEXT"]  # fmt: skip
        assert any("Not for guidance" in text for text in texts)


def test_the_algorithm_is_named_with_its_weights(case: tuple[Path, dict]) -> None:
    path, reading = case
    report = report_of(record(reading), path)
    for group in groups(report):
        assert child(group, "111001").TextValue == "Squareon"
        assert child(group, "111003").TextValue == reading["made_by"]["version"]
        parameters = [i.TextValue for i in group.ContentSequence if code_of(i) == "111002"]
        assert f"weights={reading['made_by']['weights']}" in parameters


def test_a_moved_landmark_is_told_apart(case: tuple[Path, dict]) -> None:
    path, reading = case
    final = moved(reading, "notch_apex", (3.25, -2.0))
    report = report_of(record(reading, "changed", current=final), path)
    origins = {
        str(child(group, "112039").TextValue): code_of(
            child(group, "SQ-060"), "ConceptCodeSequence"
        )
        for group in groups(report)
        if child(group, "SQ-060") is not None
    }
    assert {name for name, origin in origins.items() if origin == "SQ-062"} == {"notch apex"}
    ((x, _),) = points(report)["notch apex"]
    before = next(m["x"] for m in reading["landmarks"] if m["name"] == "notch_apex")
    assert x == pytest.approx(before + 3.25 + 0.5, abs=1e-3)


def test_patient_and_study_come_from_the_film(case: tuple[Path, dict]) -> None:
    path, reading = case
    film, report = film_dataset(), report_of(record(reading), path)
    assert report.PatientName == NAME
    assert report.SpecificCharacterSet == "ISO_IR 100"
    study = ("StudyInstanceUID", "StudyDate", "StudyTime", "StudyID", "AccessionNumber")
    patient = ("PatientID", "PatientBirthDate", "PatientSex", "ReferringPhysicianName")
    for keyword in (*patient, *study):
        assert report[keyword].value == film[keyword].value
    (evidence,) = report.CurrentRequestedProcedureEvidenceSequence
    (series,) = evidence.ReferencedSeriesSequence
    (instance,) = series.ReferencedSOPSequence
    assert instance.ReferencedSOPInstanceUID == film.SOPInstanceUID


def test_the_same_decision_gives_the_same_file(case: tuple[Path, dict]) -> None:
    path, reading = case
    first, second = (report_of(record(reading), path).to_json() for _ in range(2))
    assert first == second
    later = report_of(record(reading, revision=3), path)
    assert later.SOPInstanceUID != report_of(record(reading), path).SOPInstanceUID


def test_letters_beyond_the_films_alphabet(case: tuple[Path, dict]) -> None:
    path, reading = case
    report = report_of(record(reading, reviewer="例の人"), path)
    assert report.SpecificCharacterSet == "ISO_IR 192"
    assert report.PatientName == NAME
    (observer,) = report.VerifyingObserverSequence
    assert str(observer.VerifyingObserverName).rstrip("^") == "例の人"


@pytest.mark.parametrize(
    ("own", "reviewer", "expected"),
    [
        ("", "Example A", None),
        ("", "Ünal", "ISO_IR 100"),
        ("ISO_IR 144", "Пример", "ISO_IR 144"),
        ("ISO_IR 144", "Ünal", "ISO_IR 100"),
        ("ISO_IR 192", "Example A", "ISO_IR 192"),
        ("\\ISO 2022 IR 87", "例の人", "ISO_IR 192"),
    ],
)
def test_the_simplest_alphabet_that_holds_all_text(
    tmp_path: Path, own: str, reviewer: str, expected: str | None
) -> None:
    film = film_dataset(PatientName="Invented^Anna")
    film.SpecificCharacterSet = own.split("\\") if own else ""
    path = save(film, tmp_path / "film.dcm")
    report = report_of(record(reading_of(path), reviewer=reviewer), path)
    assert report.get("SpecificCharacterSet") == expected
    (observer,) = report.VerifyingObserverSequence
    assert str(observer.VerifyingObserverName).rstrip("^") == reviewer
    assert report.PatientName == "Invented^Anna"


def test_a_frame_is_named(tmp_path: Path) -> None:
    path = save(film_dataset(XA, NumberOfFrames=3), tmp_path / "cine.dcm")
    report = report_of(record(reading_of(path, frame=2)), path)
    frames = {
        int(item.ReferencedSOPSequence[0].ReferencedFrameNumber)
        for item in items(report)
        if item.ValueType == "IMAGE"
    }
    assert frames == {2}


def test_a_film_that_was_not_read_can_be_reported(tmp_path: Path) -> None:
    path = save(film_dataset(CR), tmp_path / "film.dcm")
    reading = reading_of(path, view="other", header={"view": "other"})
    assert reading["alignment"] is None
    report = report_of(record(reading), path)
    assert any("Not read" in i.TextValue for i in items(report) if i.ValueType == "TEXT")


def test_every_criterion_that_ships_has_a_code(case: tuple[Path, dict]) -> None:
    path, reading = case
    rows = [
        {"name": name, "value": 1.5, "unit": "mm at the knee", "tolerance": 2.0,
         "verdict": "pass", "source": "common practice"}
        for name in (*c.CRITERION, "someone else's criterion")
    ]  # fmt: skip
    changed = {**reading, "alignment": {**reading["alignment"], "criteria": rows}}
    report = report_of(record(changed), path)
    findings = [code_of(child(group, "121071"), "ConceptCodeSequence") for group in groups(report)]
    assert [f for f in findings if f in {code.value for code in c.CRITERION.values()}] == [
        code.value for code in c.CRITERION.values()
    ]
    assert findings.count("SQ-059") == 1


def test_another_file_than_was_read_stops_it(case: tuple[Path, dict]) -> None:
    path, reading = case
    data = bytearray(path.read_bytes())
    data[-1] ^= 1
    path.write_bytes(bytes(data))
    with pytest.raises(Problem, match="not the film that was read") as caught:
        report_of(record(reading), path)
    assert str(caught.value).count(". ") == 0  # one sentence


@pytest.mark.parametrize("keyword", ["StudyInstanceUID", "SOPInstanceUID"])
def test_a_film_without_uids_is_told(tmp_path: Path, keyword: str) -> None:
    film = film_dataset()
    path = tmp_path / "film.dcm"
    setattr(film, keyword, "")
    film.save_as(path, enforce_file_format=False)
    with pytest.raises(Problem, match=keyword):
        report_of(record(reading_of(path)), path)
