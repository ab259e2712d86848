"""How films were made: from headers, tables and notes of rejection, in codes; found again."""

from __future__ import annotations

import csv
from datetime import date
from pathlib import Path

import pydicom
import pytest
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.sr._cid_dict import cid_concepts
from pydicom.sr._concepts_dict import concepts
from pydicom.uid import (
    DigitalXRayImageStorageForPresentation,
    ExplicitVRLittleEndian,
    KeyObjectSelectionDocumentStorage,
    generate_uid,
)
from store_cases import KEY, reading_row

from pipeline.cli import main
from pipeline.commands.asked import period
from pipeline.commands.caution import CAUTION
from pipeline.knee.acquisition import (
    CAUSES,
    OTHER_PART,
    Acquisition,
    body_part_of,
    cause_of,
    modality_of,
)
from pipeline.knee.errors import Problem
from pipeline.readers.dicom_acquisition import acquisition_of, read_acquisition, rejected_films
from pipeline.records.store import Acquisitions, Filter, Store, copy_store, find
from pipeline.records.store.acquisition_table import take_codes, take_table

OPERATOR, STATION = "Quillonby^Persephone", "INFIRMARY ROOM 1"


def film_file(path: Path, **values: object) -> str:
    """An invented header without pixels; returns its SOP Instance UID."""
    ds = Dataset()
    ds.SOPClassUID = DigitalXRayImageStorageForPresentation
    ds.SOPInstanceUID = generate_uid(entropy_srcs=[str(path), str(sorted(values))])
    ds.file_meta = FileMetaDataset()
    ds.file_meta.MediaStorageSOPClassUID = ds.SOPClassUID
    ds.file_meta.MediaStorageSOPInstanceUID = ds.SOPInstanceUID
    ds.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    for keyword, value in values.items():
        setattr(ds, keyword, value)
    path.parent.mkdir(parents=True, exist_ok=True)
    pydicom.dcmwrite(path, ds, enforce_file_format=True)
    return str(ds.SOPInstanceUID)


def key_object(path: Path, uids: list[str], title: str, cause: str | None) -> None:
    """An invented key object selection that names films."""

    def code(value: str, meaning: str = "invented") -> Dataset:
        item = Dataset()
        item.CodeValue, item.CodingSchemeDesignator, item.CodeMeaning = value, "DCM", meaning
        return item

    ds = Dataset()
    ds.SOPClassUID, ds.SOPInstanceUID = KeyObjectSelectionDocumentStorage, generate_uid()
    ds.Modality, ds.ConceptNameCodeSequence = "KO", [code(title)]
    if cause is not None:
        modifier = Dataset()
        modifier.ConceptNameCodeSequence = [code("113011")]
        modifier.ConceptCodeSequence = [code(cause)]
        ds.ContentSequence = [modifier]
    films = []
    for uid in uids:
        film = Dataset()
        film.ReferencedSOPInstanceUID = uid
        films.append(film)
    series, study = Dataset(), Dataset()
    series.ReferencedSOPSequence = films
    study.ReferencedSeriesSequence = [series]
    ds.CurrentRequestedProcedureEvidenceSequence = [study]
    ds.file_meta = FileMetaDataset()
    ds.file_meta.MediaStorageSOPClassUID = ds.SOPClassUID
    ds.file_meta.MediaStorageSOPInstanceUID = ds.SOPInstanceUID
    ds.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    pydicom.dcmwrite(path, ds, enforce_file_format=True)


@pytest.fixture
def films(tmp_path: Path) -> list[dict]:
    """Readings of four films with headers; the third says little, the fourth nothing."""
    folder = tmp_path / "films"
    headers: list[dict[str, object]] = [
        {
            "OperatorsName": OPERATOR,
            "StationName": STATION,
            "AcquisitionDate": "20260105",
            "AcquisitionTime": "101112",
            "Modality": "DX",
            "BodyPartExamined": "KNEE",
        },
        {"OperatorsName": "quillonby persephone", "StudyDate": "20260310", "Modality": "CR"},
        {"StudyDate": "20260431", "BodyPartExamined": "PERSEPHONE", "Modality": "ID4711"},
    ]
    rows = []
    for number, values in enumerate(headers):
        uid = film_file(folder / f"{number}.dcm", **values)
        rows.append(reading_row(number, folder, sop=uid, rotation=float(number), tilt=-6.0))
    (folder / "3.dcm").write_bytes(b"no film")
    return [*rows, reading_row(3, folder, view="other")]


@pytest.fixture
def filled(store: Store, films: list[dict]) -> Store:
    store.add_readings(films)
    assert Acquisitions(store).fill() == 4
    return store


def test_the_causes_are_those_of_the_standard() -> None:
    """CID 7011 of PS3.16 as in pydicom's tables: every code, no other."""
    wanted = {code for name in cid_concepts[7011]["DCM"] for code in concepts["DCM"][name]}
    assert set(CAUSES.values()) == wanted
    assert cause_of("111209") == cause_of(" Positioning ") == "positioning"
    assert cause_of("under_exposed") == "under exposed"
    assert cause_of("Quillonby") is None


def test_only_known_words_are_kept_of_a_header() -> None:
    assert body_part_of("left knee") == "KNEE"
    assert body_part_of("EXTREMITIES") == "EXTREMITY"
    assert body_part_of("QUILLONBY") == OTHER_PART
    assert body_part_of(" ") is None
    assert (modality_of("dx"), modality_of("QUILLONBY")) == ("DX", None)


def test_a_header_is_read(films: list[dict], tmp_path: Path) -> None:
    first, second, third, fourth = (read_acquisition(Path(row["film"]["source"])) for row in films)
    assert first == Acquisition(
        operator=OPERATOR.upper(),
        station=STATION,
        day=date(2026, 1, 5),
        modality="DX",
        body_part="KNEE",
        instance=films[0]["film"]["sop_instance"],
    )
    assert (second.day, second.station, second.body_part) == (date(2026, 3, 10), None, None)
    assert (third.day, third.body_part, third.modality) == (None, OTHER_PART, None)
    assert fourth == read_acquisition(tmp_path / "nowhere.dcm") == Acquisition()
    person = Dataset()
    person.PersonIdentificationCodeSequence = [Dataset()]
    person.PersonIdentificationCodeSequence[0].CodeValue = "a7"
    dataset = Dataset()
    dataset.OperatorsName, dataset.OperatorIdentificationSequence = "^", [person]
    assert acquisition_of(dataset).operator == "A7"


def test_headers_are_noted_in_codes(filled: Store) -> None:
    found = list(find(filled, Filter()))
    assert [one.reading for one in found] == [1, 2, 3, 4]  # by day, unknown days last
    assert [one.day for one in found] == ["2026-01-05", "2026-03-10", None, None]
    assert found[0].operator == found[1].operator  # written in two ways, one person
    assert found[0].operator is not None
    assert found[0].operator.startswith("op-")
    assert found[0].station is not None
    assert len({one.film for one in found}) == 4
    written = repr(found).upper()
    for word in ("QUILLONBY", "PERSEPHONE", "INFIRMARY", "ID4711", "101112"):
        assert word not in written
    assert Acquisitions(filled).counts() == {
        "films": 4,
        "operator": 2,
        "station": 1,
        "day": 2,
        "modality": 2,
        "body_part": 2,
        "reject": 0,
    }
    assert Acquisitions(filled).fill() == 0
    assert filled.verify() == []


def test_a_file_that_is_another_film_now_is_not_believed(
    store: Store, films: list[dict], tmp_path: Path
) -> None:
    store.add_readings(films)
    film_file(tmp_path / "films" / "0.dcm", OperatorsName="Other^One", StudyDate="20200101")
    (tmp_path / "films" / "1.dcm").unlink()
    acquisitions = Acquisitions(store)
    assert acquisitions.fill() == 3
    assert acquisitions.counts()["day"] == 0
    assert [film.source for film in acquisitions.films(unnoted=True)] == [
        films[1]["film"]["source"]
    ]


@pytest.mark.parametrize(
    ("filter", "ids"),
    [
        (Filter(operator=(OPERATOR,)), [1, 2]),
        (Filter(operator=("PERSEPHONE",)), []),
        (Filter(station=("infirmary room 1",)), [1]),
        (Filter(operator=("",)), [3, 4]),
        (Filter(since=date(2026, 1, 6)), [2]),
        (Filter(since=date(2026, 1, 5), until=date(2026, 1, 5)), [1]),
        (Filter(modality=("CR", "DX")), [1, 2]),
        (Filter(body_part=("KNEE",)), [1]),
        (Filter(rotation=(0.5, 1.5)), [2]),
        (Filter(off=(6.0, 9.0)), [1, 2, 3]),
        (Filter(off=(6.1, 9.0)), []),
        (Filter(tilt=(-6.0, -6.0), rotation=(2.0, 1e9)), [3]),
        (Filter(view=("other",)), [4]),
        (Filter(rejected=False), [1, 2, 3, 4]),
        (Filter(rejected=True), []),
        (Filter(weights=("invented",)), [1, 2, 3, 4]),
        (Filter(weights=("in%",)), []),
    ],
)
def test_found_by(filled: Store, filter: Filter, ids: list[int]) -> None:
    assert [one.reading for one in find(filled, filter)] == ids
    if not (filter.operator or filter.station):  # a worklist asks with codes
        assert sorted(row.id for row in filled.readings(filter)) == ids
        assert sum(filled.progress(filter).values()) == len(ids)


def test_of_several_models_the_last_one_counts(filled: Store, films: list[dict]) -> None:
    again = reading_row(0, Path(films[0]["film"]["source"]).parent, config="d" * 64, square="no")
    assert filled.add_reading(again) == 5
    assert [one.reading for one in find(filled, Filter(latest=True))] == [5, 2, 3, 4]
    assert {one.day for one in find(filled, Filter(verdict=("no",)))} == {"2026-01-05"}


def test_a_table_stands_above_headers(filled: Store, films: list[dict], tmp_path: Path) -> None:
    table = tmp_path / "made.csv"
    sources = [row["film"]["source"] for row in films]
    lines = [
        ("path", "sha256", "operator", "day", "reject"),
        (sources[0], "", "A7", "2026-02-01", "positioning"),
        ("", films[2]["film"]["sha256"], "B.2", "", ""),
        ("films/3.dcm", "", "", "2026-05-05", "111211"),
        ("nowhere.dcm", "", "A7", "", ""),
        (sources[1], "", "Quillonby Persephone 12", "", ""),
        (sources[1], "", "19310203", "", ""),
        (sources[1], "", "", "yesterday", ""),
        (sources[1], "", "", "", "Persephone moved"),
    ]
    with open(table, "w", newline="", encoding="utf-8") as file:
        csv.writer(file).writerows(lines)
    acquisitions = Acquisitions(filled)
    told, problems = take_table(acquisitions, table)
    assert told == 3
    assert [str(problem).split(": ")[0].split()[-1] for problem in problems] == list("56789")
    said = " ".join(map(str, problems))
    for word in ("Quillonby", "Persephone", "1931", "yesterday", "nowhere"):
        assert word not in said
    found = {one.reading: one for one in find(filled, Filter())}
    assert (found[1].operator, found[1].day, found[1].reject) == ("A7", "2026-02-01", "positioning")
    assert found[1].station is not None  # of the header, which the table does not contradict
    assert (found[3].operator, found[4].day, found[4].reject) == (
        "B.2",
        "2026-05-05",
        "under exposed",
    )
    assert [one.reading for one in find(filled, Filter(operator=("a7",)))] == [1]
    assert [one.reading for one in find(filled, Filter(rejected=True))] == [1, 4]
    acquisitions.note({films[0]["film"]["sha256"]: Acquisition(day=date(1999, 1, 1))})
    assert next(iter(find(filled, Filter()))).day == "2026-02-01"


def test_a_site_gives_its_own_codes(filled: Store, tmp_path: Path) -> None:
    codes = tmp_path / "codes.csv"
    codes.write_text(
        f"kind,name,code\noperator,{OPERATOR},A7\nstation,{STATION},R1\nroom,x,R2\n"
        "operator,Other^One,Other Person with a long name\n"
    )
    count, problems = take_codes(Acquisitions(filled), codes)
    assert (count, len(problems)) == (2, 2)
    assert "Other" not in str(problems[1])
    found = list(find(filled, Filter(operator=("A7",))))
    assert [(one.reading, one.operator, one.station) for one in found] == [
        (1, "A7", "R1"),
        (2, "A7", None),
    ]
    assert [one.reading for one in find(filled, Filter(station=(STATION,)))] == [1]


@pytest.mark.parametrize("text", ["path,operator,patient\n", "operator\n", "path\n", "\xff\xfe"])
def test_a_table_that_cannot_be_taken(filled: Store, tmp_path: Path, text: str) -> None:
    table = tmp_path / "made.csv"
    table.write_bytes(text.encode("latin-1"))
    with pytest.raises(Problem, match=r"made\.csv"):
        take_table(Acquisitions(filled), table)


def test_notes_of_rejection_are_taken_in(filled: Store, films: list[dict], tmp_path: Path) -> None:
    uids = [row["film"]["sop_instance"] for row in films[:3]]
    for name, listed, title, cause in (
        ("a.dcm", uids[:1], "113001", CAUSES["motion"]),
        ("b.dcm", [uids[1], "2.25.99"], "113037", None),
        ("c.dcm", uids[2:], "113004", CAUSES["motion"]),  # for teaching
    ):
        key_object(tmp_path / name, listed, title, cause)
    found = dict(pair for name in "abc" for pair in rejected_films(tmp_path / f"{name}.dcm"))
    assert found == {uids[0]: "motion", uids[1]: "unknown", "2.25.99": "unknown"}
    assert list(rejected_films(Path(films[0]["film"]["source"]))) == []
    assert list(rejected_films(tmp_path / "nowhere")) == []
    assert Acquisitions(filled).reject(found) == 2
    assert [one.reject for one in find(filled, Filter())] == ["motion", "unknown", None, None]


def test_a_copy_takes_all_of_it(filled: Store, tmp_path: Path) -> None:
    Acquisitions(filled).give_code("operator", OPERATOR, "A7")
    with copy_store(filled, str(tmp_path / "copy" / "store.sqlite")) as copy:
        assert list(find(copy, Filter())) == list(find(filled, Filter()))
        assert copy.verify() == []


@pytest.mark.parametrize(
    ("text", "first", "last"),
    [
        ("2026", "2026-01-01", "2026-12-31"),
        ("2024-02", "2024-02-01", "2024-02-29"),
        ("2025-12", "2025-12-01", "2025-12-31"),
        ("2026-03-05..2026-04", "2026-03-05", "2026-04-30"),
        ("..2026", None, "2026-12-31"),
        ("2026..", "2026-01-01", None),
    ],
)
def test_periods(text: str, first: str | None, last: str | None) -> None:
    assert [None if day is None else day.isoformat() for day in period(text)] == [first, last]


@pytest.mark.parametrize("text", ["26", "2026-13", "2026-02-30", "2026..2025", "March", "2026-1"])
def test_what_is_no_period(text: str) -> None:
    with pytest.raises(Problem, match="period"):
        period(text)


@pytest.fixture
def results(films: list[dict], tmp_path: Path) -> Path:
    with Store.open(str(tmp_path / "results" / "store.sqlite")) as store:
        store.add_readings(films)
    return tmp_path / "results"


def test_the_command_writes_tables_for_others(
    results: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    import pyarrow.parquet

    place = str(results)
    assert main(["facts", place]) == 0
    for name in ("found.csv", "found.parquet"):
        assert main(["find", place, "--off", "5..", "--out", str(tmp_path / name)]) == 0
    said = capsys.readouterr().out
    assert "3 readings; square: 3 yes" in said
    assert said.count(CAUTION) == 3
    with open(tmp_path / "found.csv", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    table = pyarrow.parquet.read_table(tmp_path / "found.parquet")
    assert table.column_names == list(rows[0])
    assert len(rows) == table.num_rows == 3
    for left, right in zip(rows, table.to_pylist(), strict=True):
        assert left == {name: "" if value is None else str(value) for name, value in right.items()}
    assert main(["find", place, "--operator", "nobody", "--out", str(tmp_path / "e.parquet")]) == 0
    assert pyarrow.parquet.read_table(tmp_path / "e.parquet").num_rows == 0
    assert "No reading answers that" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["--rotation", "5"], "is no range"),
        (["--rotation=5..3"], "is no range"),
        (["--off", "nan.."], "is no range"),
        (["--period", "soon"], "is no period"),
        (["--reject", "any", "--reject", "motion"], "stand alone"),
        (["--out", "found.xlsx"], "no kind of table"),
    ],
)
def test_a_question_that_cannot_be_asked(
    results: Path, words: list[str], says: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["find", str(results), *words]) == 2
    assert says in capsys.readouterr().err


def test_lines_that_were_not_taken_are_told(
    results: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    table = tmp_path / "made.csv"
    table.write_text("path,operator\nfilms/0.dcm,A7\nfilms/9.dcm,A7\n")
    assert main(["facts", str(results), "--table", str(table)]) == 1
    said = capsys.readouterr().out
    assert "1 film told about" in said
    assert "line 3: names no film of the store" in said
    assert KEY.decode() not in said
