"""De-identified copies: nothing that may tell who somebody is survives."""

from __future__ import annotations

import copy
import importlib.util
import io
import re
from pathlib import Path
from types import ModuleType

import numpy as np
import pydicom
import pytest
from export_cases import CITY, DX, NAME, film_dataset, reading_of, record, save
from pydicom.datadict import dictionary_VR, keyword_for_tag
from pydicom.dataset import Dataset, FileDataset

from pipeline.knee.errors import Problem
from pipeline.records.export.deidentify import KEPT, clean_film, clean_record, new_uid
from pipeline.records.export.source import open_film

KEY, OTHER = b"k" * 32, b"o" * 32
SECRET = {
    "DA": "19440506", "TM": "112233.445566", "DT": "19440506112233", "AS": "077Y",
    "UI": "1.2.826.0.1.77777", "DS": "777777.5", "IS": "1777777777", "CS": "SECRETCODE",
}  # fmt: skip
TEXTS = ("AE", "LO", "LT", "PN", "SH", "ST", "UC", "UR", "UT")


@pytest.fixture(scope="module")
def table() -> ModuleType:
    """The table of PS3.15 Annex E as another library carries it, loaded without its package."""
    spec = importlib.util.find_spec("dicomanonymizer")
    if spec is None or not spec.submodule_search_locations:
        pytest.skip("dicom-anonymizer is not installed (pip install squareon[test])")
    folder = Path(spec.submodule_search_locations[0]) / "dicom_anonymization_databases"
    newest = sorted(folder.glob("dicomfields_*.py"))[-1]
    loaded = importlib.util.spec_from_file_location("profile_table", newest)
    assert loaded is not None
    assert loaded.loader is not None
    module = importlib.util.module_from_spec(loaded)
    loaded.loader.exec_module(module)
    return module


def listed(table: ModuleType) -> list[tuple[int, int]]:
    """Tags of the profile's table that name one attribute."""
    lists = [value for name, value in vars(table).items() if name.endswith("_TAGS")]
    return sorted({tuple(tag[:2]) for tags in lists for tag in tags if len(tag) == 2})


def written(dataset: FileDataset) -> bytes:
    buffer = io.BytesIO()
    dataset.save_as(buffer, enforce_file_format=True)
    return buffer.getvalue()


def cleaned(film: FileDataset, key: bytes = KEY, **options: object) -> FileDataset:
    return clean_film(film, key, **options)  # type: ignore[arg-type]


def test_no_kept_attribute_is_in_the_profiles_table(table: ModuleType) -> None:
    names = {keyword_for_tag(tag) for tag in listed(table)}
    assert len(names) > 400
    assert not KEPT & names


def test_nothing_listed_survives(table: ModuleType) -> None:
    film = film_dataset()
    stuffed = 0
    for tag in listed(table):
        keyword = keyword_for_tag(tag)
        if not keyword or tag[0] <= 0x0002 or keyword in ("SOPClassUID", "PixelData"):
            continue
        vr = dictionary_VR(tag)
        value = "SECRET" if vr in TEXTS else SECRET.get(vr)
        if vr == "SQ":
            item = Dataset()
            item.PatientComments = "SECRET"
            value = [item]
        if value is None or keyword in ("StudyInstanceUID", "SeriesInstanceUID"):
            continue
        film.add_new(tag, vr, value)
        stuffed += 1
    assert stuffed > 350
    film.add_new(0x00091001, "LO", "SECRET")  # private
    film.add_new(0x60003000, "OW", b"SECRET")  # an overlay
    film.ViewCodeSequence[0].add_new(0x00080104, "LO", "antero-posterior")
    film.ViewCodeSequence[0].PatientComments = "SECRET"
    data = written(cleaned(film))
    for secret in (b"SECRET", *(value.encode() for value in SECRET.values())):
        assert secret not in data
    for value in ("SECRET", *SECRET.values()):
        assert value.encode() in written(film)  # it was there


def test_what_a_picture_needs_stays() -> None:
    film = film_dataset()
    clean = cleaned(film)
    for keyword in ("Rows", "ImagerPixelSpacing", "ImageLaterality", "PatientOrientation",
                    "BodyPartExamined", "WindowCenter", "PhotometricInterpretation"):  # fmt: skip
        assert clean[keyword].value == film[keyword].value
    assert clean.ViewCodeSequence[0].CodeValue == "399348003"
    assert np.array_equal(clean.pixel_array, film.pixel_array)


def test_it_says_what_was_done() -> None:
    clean = cleaned(film_dataset())
    assert clean.PatientIdentityRemoved == "YES"
    assert [item.CodeValue for item in clean.DeidentificationMethodCodeSequence] == ["113100"]
    assert len(clean.DeidentificationMethod) <= 64


def test_uids_and_patients_are_replaced_alike_under_one_key() -> None:
    first, second = film_dataset(number=1), film_dataset(number=2)
    one, two = cleaned(first), cleaned(second)
    assert one.StudyInstanceUID == two.StudyInstanceUID != first.StudyInstanceUID
    assert one.PatientID == two.PatientID
    assert one.SOPInstanceUID != two.SOPInstanceUID
    assert one.SOPInstanceUID == one.file_meta.MediaStorageSOPInstanceUID
    assert one.SOPInstanceUID == new_uid(KEY, first.SOPInstanceUID)
    assert one.StudyInstanceUID.is_valid
    third = cleaned(first, OTHER)
    assert third.StudyInstanceUID != one.StudyInstanceUID
    assert third.PatientID != one.PatientID
    another = film_dataset(PatientID="INVENTED-2")
    assert cleaned(another).PatientID != one.PatientID


def test_bits_beyond_the_stored_ones_are_cleared() -> None:
    film = film_dataset()
    hidden = film.pixel_array.astype("<u2") | 0x8000  # old films keep overlays up there
    film.PixelData = hidden.tobytes()
    clean = cleaned(film)
    stored = np.frombuffer(clean.PixelData, "<u2")
    assert stored.max() <= 0x0FFF
    assert np.array_equal(stored, hidden.ravel() & 0x0FFF)


@pytest.mark.parametrize("photometric", ["MONOCHROME1", "MONOCHROME2"])
def test_boxes_are_blackened(photometric: str) -> None:
    film = film_dataset(PhotometricInterpretation=photometric)
    clean = cleaned(film, boxes=[(10, 20, 40, 30)])
    before, after = film.pixel_array, clean.pixel_array
    dark = after[20:30, 10:40]
    assert np.all(dark == (before.min() if photometric == "MONOCHROME2" else before.max()))
    rest = np.ones(before.shape, bool)
    rest[20:30, 10:40] = False
    assert np.array_equal(after[rest], before[rest])
    assert "113101" in [item.CodeValue for item in clean.DeidentificationMethodCodeSequence]


def test_codes_of_private_schemes_go() -> None:
    film = film_dataset()
    code = copy.deepcopy(film.ViewCodeSequence[0])
    code.CodingSchemeDesignator, code.CodeMeaning = "99HERE", "view for SECRET"
    film.ViewCodeSequence.append(code)
    assert [item.CodeValue for item in cleaned(film).ViewCodeSequence] == ["399348003"]


def test_an_enhanced_film_is_told(tmp_path: Path) -> None:
    film = film_dataset(DX, SOPClassUID="1.2.840.10008.5.1.4.1.1.12.1.1")
    with pytest.raises(Problem, match="enhanced"):
        cleaned(film)


def test_a_record_loses_who_when_and_where(tmp_path: Path) -> None:
    path = save(film_dataset(), tmp_path / "INVENTED_NAME.dcm")
    one = record(reading_of(path), reason="Mrs. SECRET moved")
    clean = clean_record(one, KEY)
    told = repr(clean)
    for secret in ("INVENTED_NAME", str(tmp_path), "SECRET", "Example Reviewer", "2026",
                   one.original["film"]["sha256"]):  # fmt: skip
        assert secret not in told
    assert clean.reviewer == clean_record(one, KEY).reviewer != clean_record(one, OTHER).reviewer
    assert clean.original["landmarks"] == one.original["landmarks"]
    assert clean.original["alignment"] == one.original["alignment"]


def test_compressed_films_come_out_uncompressed(tmp_path: Path) -> None:
    film = film_dataset()
    before = film.pixel_array.copy()
    film.compress(pydicom.uid.RLELossless)
    path = save(film, tmp_path / "film.dcm")
    reading = reading_of(path)
    opened = open_film(path, reading["film"]["sha256"], pixels=True)
    clean = pydicom.dcmread(io.BytesIO(written(cleaned(opened))))
    assert not clean.file_meta.TransferSyntaxUID.is_compressed
    assert np.array_equal(clean.pixel_array, before)


def test_names_of_the_case_are_gone_from_the_file() -> None:
    data = written(cleaned(film_dataset()))
    for word in (NAME, CITY, "INVENTED-1", "Referrer", "Operator", "20200102", "19500203"):
        assert word.encode("latin-1") not in data
    assert re.search(rb"SUBJECT-[0-9a-f]{12}", data)
