"""`squareon export` as a user runs it."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import cv2
import numpy as np
import pydicom
import pytest
from export_cases import (
    CITY,
    COLUMNS,
    CR,
    DX,
    NAME,
    ROWS,
    complaints,
    every,
    film_dataset,
    moved,
    reading_of,
    record,
    save,
    stored,
)

from pipeline import cli
from pipeline.knee.errors import Problem
from pipeline.records.export import naming
from pipeline.records.export.choices import Choices, read_looked
from pipeline.records.export.deidentify import clean_record
from pipeline.records.export.export import Exporter
from pipeline.records.export.record import record_of
from pipeline.records.export.report import Identity, measurement_report
from pipeline.records.export.source import open_film

ACCEPT, REJECT = ("accept", None), ("reject", None)


@pytest.fixture
def store(tmp_path: Path) -> Path:
    """Four films: accepted, changed, waiting, rejected."""
    readings = []
    for number, kind in enumerate((DX, CR, DX, DX), start=1):
        path = save(film_dataset(kind, number), tmp_path / "films" / f"film{number}.dcm")
        readings.append(reading_of(path, view="AP", rotation=float(number)))
    final = moved(readings[1], "notch_apex", (5.0, 0.0))
    decisions = {0: ACCEPT, 1: ("accept_with_changes", final), 3: REJECT}
    stored(tmp_path / "results", readings, decisions).close()
    return tmp_path / "results"


def run(store: Path, out: Path, *words: str) -> int:
    return cli.main(["export", str(store), str(out), *words])


def rows(path: Path) -> list[dict[str, str]]:
    with open(path, encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_only_what_a_person_accepted_goes_out(
    store: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "out"
    assert run(store, out) == 0
    said = capsys.readouterr().out
    assert "2 readings exported" in said
    assert "2 readings left out" in said
    assert [row["state"] for row in rows(out / "tables/readings.csv")] == ["accepted", "changed"]
    objects = [pydicom.dcmread(path) for path in sorted(out.rglob("*.dcm"))]
    assert sorted(each.Modality for each in objects) == ["PR", "PR", "SR", "SR"]
    assert all(each.PatientName == NAME for each in objects)
    assert all(each.VerificationFlag == "VERIFIED" for each in objects if each.Modality == "SR")
    assert (out / "pages/index.html").exists()
    assert len(json.loads((out / "tables/coco.json").read_text())["annotations"]) == 2
    assert not (out / "problems.csv").exists()


def test_the_same_export_again_gives_the_same_files(store: Path, tmp_path: Path) -> None:
    for name in ("one", "two"):
        assert run(store, tmp_path / name) == 0
    files = sorted(path for path in (tmp_path / "one").rglob("*") if path.is_file())
    assert len(files) > 8
    for path in files:
        assert (
            path.read_bytes()
            == (tmp_path / "two" / path.relative_to(tmp_path / "one")).read_bytes()
        )


def test_unreviewed_readings_only_when_asked_and_marked_everywhere(
    store: Path, tmp_path: Path
) -> None:
    out = tmp_path / "out"
    assert run(store, out, "unreviewed=true") == 0
    table = rows(out / "tables/readings.csv")
    assert {row["state"]: row["mark"] for row in table} == {
        "accepted": "",
        "changed": "",
        "proposed": "UNREVIEWED",
        "rejected": "UNREVIEWED, REJECTED",
    }
    objects = [pydicom.dcmread(path) for path in out.rglob("*.dcm")]
    marked = [each for each in objects if "UNREVIEWED" in each.SeriesDescription]
    assert len(marked) == 4
    for each in marked:
        if each.Modality == "SR":
            assert (each.VerificationFlag, each.PreliminaryFlag) == ("UNVERIFIED", "PRELIMINARY")
    pages = [path.read_text() for path in (out / "pages").glob("film*.html")]
    pages += [p.read_text() for p in (out / "pages").glob("*film?-*.html")]
    assert sum("UNREVIEWED" in page for page in pages) >= 2


def test_a_bad_film_does_not_stop_the_others(
    store: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    films = tmp_path / "films"
    (films / "film1.dcm").write_bytes(b"something else")
    out = tmp_path / "out"
    assert run(store, out) == 1
    assert "1 reading exported" in capsys.readouterr().out
    (problem,) = rows(out / "problems.csv")
    assert problem["source"].endswith("film1.dcm")
    assert "changed since it was read" in problem["what"]
    (films / "film1.dcm").unlink()
    assert run(store, out) == 1
    (problem,) = rows(out / "problems.csv")
    assert "gone" in problem["what"]
    assert len(list(out.rglob("*-report.dcm"))) == 1


def test_an_odd_header_is_told_and_passed_over(tmp_path: Path) -> None:
    odd = film_dataset(DX, 1)
    odd.StudyDate = "20200102"
    path = save(odd, tmp_path / "films/odd.dcm")
    data = path.read_bytes().replace(b"20200102", b"2020.1.2")
    path.write_bytes(data)
    good = save(film_dataset(DX, 2), tmp_path / "films/good.dcm")
    readings = [reading_of(path), reading_of(good)]
    stored(tmp_path / "results", readings, {0: ACCEPT, 1: ACCEPT}).close()
    out = tmp_path / "out"
    assert run(tmp_path / "results", out) == 0
    report = pydicom.dcmread(next(out.rglob("*odd*-report.dcm")))
    assert not report.StudyDate  # nonsense is left empty
    assert len(list(out.rglob("*-report.dcm"))) == 2


def test_a_picture_without_a_patient_gives_tables_and_pages(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    picture = tmp_path / "films" / "scan.png"
    picture.parent.mkdir()
    ramp = np.tile(np.linspace(0, 60000, 240), (ROWS, 1)).astype(np.uint16)
    cv2.imwrite(str(picture), ramp)
    stored(tmp_path / "results", [reading_of(picture)], {0: ACCEPT}).close()
    out = tmp_path / "out"
    assert run(tmp_path / "results", out) == 1
    assert not list(out.rglob("*.dcm"))
    assert len(rows(out / "tables/readings.csv")) == 1
    assert "<svg" in next((out / "pages").glob("*scan*.html")).read_text()
    (problem,) = rows(out / "problems.csv")
    assert "no DICOM film" in problem["what"]
    assert run(tmp_path / "results", out, "what=[tables,html]") == 0
    assert not (out / "problems.csv").exists()


def test_a_deidentified_export_tells_nobody_who_it_was(
    store: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "shared"
    everything = "what=[report,presentation,tables,coco,html,operators]"
    assert run(store, out, "deidentify=true", "unreviewed=true", everything) == 0
    film = film_dataset(DX, 1)
    files = [path for path in out.rglob("*") if path.is_file()]
    assert len([path for path in files if path.suffix == ".dcm"]) == 12  # films too
    secrets = [NAME, CITY, "INVENTED-1", "Invented^Operator", "Example Reviewer", "19500203",
               "20200102", "film1", "invented reason", str(tmp_path), film.StudyInstanceUID,
               film.SOPInstanceUID, film.SeriesInstanceUID]  # fmt: skip
    for path in files:
        data = path.read_bytes()
        for secret in secrets:
            for encoding in ("utf-8", "latin-1"):
                assert str(secret).encode(encoding) not in data, (path.name, secret)
            assert str(secret) not in path.name
    reports = [pydicom.dcmread(path) for path in out.rglob("*-report.dcm")]
    films = {pydicom.dcmread(path).SOPInstanceUID for path in out.rglob("film-????????????.dcm")}
    assert len(films) == 4
    for report in reports:
        (study,) = report.CurrentRequestedProcedureEvidenceSequence
        (series,) = study.ReferencedSeriesSequence
        assert series.ReferencedSOPSequence[0].ReferencedSOPInstanceUID in films
        methods = [item.CodeValue for item in report.DeidentificationMethodCodeSequence]
        assert methods == ["113100", "113104"]
    assert len({report.StudyInstanceUID for report in reports}) == 1
    again = tmp_path / "again"
    assert run(store, again, "deidentify=true", "unreviewed=true", "what=[report]") == 0
    uids = [{r.SOPInstanceUID for r in map(pydicom.dcmread, each.rglob("*-report.dcm"))}
            for each in (out, again)]  # fmt: skip
    assert uids[0] == uids[1]  # the same key, the same replacements


def test_films_with_writing_wait_for_a_person(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    film = film_dataset(CR, 1)
    del film.BurnedInAnnotation
    letters = np.zeros((ROWS, COLUMNS), np.uint8)
    cv2.putText(letters, "INVENTED 1950", (10, 30), cv2.FONT_HERSHEY_SIMPLEX, 0.8, 255, 2)
    film.PixelData = np.where(letters > 0, 4000, film.pixel_array).astype("<u2").tobytes()
    path = save(film, tmp_path / "films/film.dcm")
    stored(tmp_path / "results", [reading_of(path)], {0: ACCEPT}).close()
    out = tmp_path / "shared"
    assert run(tmp_path / "results", out, "deidentify=true") == 1
    assert "1 film held back" in capsys.readouterr().out
    assert not list(out.rglob("film-????????????.dcm"))
    pages = [page.read_text() for page in (out / "pages").glob("film-*.html")]
    assert all("held back" in page and "image href" not in page for page in pages)
    aside = tmp_path / "shared-to-look-at"
    (row,) = rows(aside / "burnt_in.csv")
    assert row["answer"] == "ask"
    assert row["boxes"]
    (picture,) = aside.glob("*.jpg")
    assert cv2.imread(str(picture)) is not None

    row["do"] = "blacken"
    with open(aside / "burnt_in.csv", "w", encoding="utf-8", newline="") as file:
        table = csv.DictWriter(file, list(row))
        table.writeheader()
        table.writerow(row)
    looked = f"looked_at={aside / 'burnt_in.csv'}"
    assert run(tmp_path / "results", out, "deidentify=true", looked) == 0
    clean = pydicom.dcmread(next(out.rglob("film-????????????.dcm")))
    assert clean.pixel_array.max() <= 2000  # the letters were 4000
    assert clean.BurnedInAnnotation == "NO"


def test_answers_of_a_person_are_read_strictly(tmp_path: Path) -> None:
    table = tmp_path / "burnt_in.csv"
    head = "film,sha256,answer,why,boxes,do\n"
    sha = "ab" * 32
    table.write_text(head + f"f,{sha},ask,w,1 2 3 4; 5 6 7 8,blacken\nf,{'cd' * 32},ask,w,,\n")
    looked = read_looked(table)
    assert looked[sha].boxes == ((1, 2, 3, 4), (5, 6, 7, 8))
    assert len(looked) == 1
    for line, word in (
        (f"f,{sha},ask,w,,blacken\n", "box"),
        (f"f,{sha},ask,w,1 2 3,blacken\n", "is no box"),
        (f"f,{sha},ask,w,,perhaps\n", "perhaps"),
        ("f,xyz,ask,w,,release\n", "which film"),
    ):
        table.write_text(head + line)
        with pytest.raises(Problem, match=word):
            read_looked(table)
    with pytest.raises(Problem, match="does not exist"):
        read_looked(tmp_path / "absent.csv")


def test_mistakes_on_the_command_line_are_told(
    store: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(store, tmp_path / "out", "what=[reprot]") == 2
    assert "reprot" in capsys.readouterr().err
    assert run(tmp_path / "nowhere", tmp_path / "out") == 2
    assert run(store, tmp_path / "out", "what=[]") == 2
    assert not (tmp_path / "out").exists()


def test_two_readers_who_have_not_agreed_are_not_accepted(tmp_path: Path) -> None:
    path = save(film_dataset(), tmp_path / "films/film.dcm")
    store = stored(tmp_path / "results", [reading_of(path)], {0: ACCEPT})
    one = every(store)[0]
    store.decide(
        one.id, expected_revision=one.revision, kind="second", reviewer="Example B", final=None
    )
    outcome = Exporter(tmp_path / "out", Choices(what=("tables",)), (), b"k" * 32).run(every(store))
    assert (outcome.exported, outcome.left_out) == (0, 1)
    store.close()


def test_both_readers_who_agree_verify_the_report(tmp_path: Path) -> None:
    path = save(film_dataset(), tmp_path / "films/film.dcm")
    with stored(tmp_path / "results", [reading_of(path)], {0: ACCEPT}) as store:
        (one,) = every(store)
        for kind, who, role in (
            ("second", "Example A", "first"),
            ("accept", "Example B", "second"),
        ):
            now = store.reading(one.id).revision
            store.decide(
                one.id, expected_revision=now, kind=kind, reviewer=who, final=None, role=role
            )
        (agreed,) = every(store)
        assert agreed.state == "accepted"
    film = open_film(path, agreed.film_sha256)
    report = measurement_report(record_of(agreed), film, Identity())
    report.save_as(tmp_path / "report.dcm", enforce_file_format=True)
    names = [str(each.VerifyingObserverName) for each in report.VerifyingObserverSequence]
    assert [name.rstrip("^") for name in names] == ["Example Reviewer A", "Example B"]
    assert complaints(tmp_path / "report.dcm") == []
    hidden = repr(clean_record(record_of(agreed), b"k" * 32))
    assert "Example" not in hidden


def test_operators_over_time(store: Path, tmp_path: Path) -> None:
    assert run(store, tmp_path / "out", "what=[operators]") == 0
    page = (tmp_path / "out/pages/operators.html").read_text()
    assert "Invented^Operator" in page
    assert "2020-01-02" in page


def test_a_film_that_was_replaced_and_read_again_is_not_mixed_up(tmp_path: Path) -> None:
    """Two readings of one path: only the one whose film is there goes out."""
    path = save(film_dataset(DX, 1), tmp_path / "films/film.dcm")
    before = reading_of(path, rotation=1.0)
    save(film_dataset(DX, 2), path)
    after = reading_of(path, rotation=9.0)
    stored(tmp_path / "results", [before, after], {0: ACCEPT, 1: ACCEPT}).close()
    out = tmp_path / "out"
    assert run(tmp_path / "results", out) == 1
    (table,) = rows(out / "tables/readings.csv")
    assert float(table["rotation_deg"]) == 9.0
    (report,) = out.rglob("*-report.dcm")
    (evidence,) = pydicom.dcmread(report).CurrentRequestedProcedureEvidenceSequence
    instance = evidence.ReferencedSeriesSequence[0].ReferencedSOPSequence[0]
    assert instance.ReferencedSOPInstanceUID == film_dataset(DX, 2).SOPInstanceUID
    (problem,) = rows(out / "problems.csv")
    assert "changed since it was read" in problem["what"]


def test_a_name_that_is_no_text_has_a_folder_and_a_file_name(tmp_path: Path) -> None:
    reading = reading_of(save(film_dataset(), tmp_path / "film.dcm"))
    reading["film"] |= {"source": "films/odd\udcff.dcm", "study_digest": None}
    one = record(reading)
    for key in (None, b"k" * 32):
        assert naming.study_folder(one, key).isascii()
        assert naming.order_of([one], key)(one)
    assert naming.stem(one, None).isascii()
    assert clean_record(one, b"k" * 32).original["film"]["source"].isascii()


@pytest.mark.parametrize(
    ("written", "told"),
    [
        ("20200102101112.5", "2020-01-02 10:11"),
        ("2020-01-02 10:11:12", "2020-01-02 10:11"),
        ("20200102", "2020-01-02"),
        ("soon", ""),
        (None, ""),
    ],
)
def test_dates_as_a_person_reads_them(written: str | None, told: str) -> None:
    assert naming.taken(written) == told
