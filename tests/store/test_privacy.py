"""No name, no ID, no UID of a patient's films comes into the store's files."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pydicom
import pytest
from postgres_server import PostgresServer
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.uid import DigitalXRayImageStorageForPresentation, ExplicitVRLittleEndian
from squareon_fakes import reading_of_fake
from store_cases import KEY, moved

from pipeline.knee.reading import Reading
from pipeline.readers.dicom import DicomReader
from pipeline.readers.files import uid_digest
from pipeline.records.assemble import film_ref
from pipeline.records.store import Store

PLANTED = {
    "PatientName": "Quillonby^Persephone",
    "PatientID": "ID-4711-0815",
    "OtherPatientIDs": "OTHER-1234567",
    "PatientBirthDate": "19310203",
    "PatientAddress": "Invented Lane 99",
    "PatientComments": "planted comment",
    "AccessionNumber": "ACC-998877",
    "StudyID": "STUDY-556677",
    "StudyDescription": "planted description",
    "ReferringPhysicianName": "Referrer^Ramona",
    "InstitutionName": "Invented Infirmary",
    "StudyInstanceUID": "2.25.1234567890123456789",
    "SeriesInstanceUID": "2.25.2345678901234567890",
    "SOPInstanceUID": "2.25.3456789012345678901",
}
"""Invented, and found nowhere else."""


@pytest.fixture
def film(tmp_path: Path) -> Path:
    ds = Dataset()
    for keyword, value in PLANTED.items():
        setattr(ds, keyword, value)
    ds.file_meta = FileMetaDataset()
    ds.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    ds.SOPClassUID = DigitalXRayImageStorageForPresentation
    ds.file_meta.MediaStorageSOPClassUID = ds.SOPClassUID
    ds.file_meta.MediaStorageSOPInstanceUID = ds.SOPInstanceUID
    ds.Modality, ds.PhotometricInterpretation, ds.SamplesPerPixel = "DX", "MONOCHROME2", 1
    ds.Rows, ds.Columns, ds.PixelRepresentation = 300, 240, 0
    ds.BitsAllocated, ds.BitsStored, ds.HighBit = 16, 12, 11
    ds.PixelData = (np.arange(300 * 240) % 4096).astype(np.uint16).tobytes()
    path = tmp_path / "films" / "0.dcm"
    path.parent.mkdir()
    pydicom.dcmwrite(path, ds, enforce_file_format=True)
    return path


@pytest.fixture
def reading(film: Path) -> Reading:
    """A reading of that film, with all that a reading takes from a file."""
    (read,) = DicomReader().read(film)
    assert read.sop_instance == PLANTED["SOPInstanceUID"]
    return replace(reading_of_fake(), film=film_ref(read), cautions=read.cautions)


def looked_for() -> Iterator[tuple[str, bytes]]:
    """Each planted value, its plain and truncated digests, in any case of letters."""
    for keyword, value in PLANTED.items():
        digest = hashlib.sha256(value.encode())
        yield keyword, value.encode()
        yield f"digest of {keyword}", digest.hexdigest()[:16].encode()
        yield f"raw digest of {keyword}", digest.digest()[:16]
        yield f"md5 of {keyword}", hashlib.md5(value.encode()).hexdigest()[:16].encode()
        for word in value.split("^") if "^" in value else ():
            yield f"part of {keyword}", word.encode()


def work(store: Store, reading: Reading) -> None:
    """All that writes into a store."""
    id = store.add_reading(reading, tags=["teaching"])
    final = moved(store.reading(id).current, notch_apex=1.0)
    film = {**final["film"], "sop_instance": PLANTED["SOPInstanceUID"]}
    for sent in (final, {**final, "film": film}):  # a page may send back what it likes
        store.decide(
            id,
            expected_revision=store.reading(id).revision,
            kind="accept_with_changes",
            reviewer="A",
            final=sent,
        )
    store.tag(id, ["seen"], "A")
    store.decide(
        id, expected_revision=store.reading(id).revision, kind="reject", reviewer="B", reason="odd"
    )


def test_nothing_planted_is_in_the_files(film: Path, reading: Reading, tmp_path: Path) -> None:
    folder = tmp_path / "results"
    with Store.open(str(folder / "store.sqlite")) as store:
        work(store, reading)
        found = b"".join(path.read_bytes() for path in sorted(folder.iterdir())).lower()
        names = {path.name for path in folder.iterdir()}
    assert {"store.sqlite", "store.sqlite.key", "store.sqlite-wal"} <= names
    after = (folder / "store.sqlite").read_bytes().lower()
    assert b"persephone" in film.read_bytes().lower()
    for content in (found, after):
        assert reading.film.sha256.encode() in content  # what should be there is found this way
        assert not [name for name, value in looked_for() if value.lower() in content]


def test_nothing_planted_is_on_the_server(
    reading: Reading, postgres: PostgresServer, tmp_path: Path
) -> None:
    import psycopg

    with postgres.database() as address:
        with Store.open(address, KEY) as store:
            work(store, reading)
        rows = []
        plain = address.replace("+psycopg", "")
        with psycopg.connect(plain) as connection:
            tables = connection.execute(
                "SELECT table_name FROM information_schema.tables WHERE table_schema = 'public'"
            ).fetchall()
            assert len(tables) >= 6
            for (table,) in tables:
                rows += connection.execute(f'SELECT t::text FROM "{table}" t').fetchall()  # type: ignore[arg-type]
        content = repr(rows).encode().lower()
        assert reading.film.sha256.encode() in content
        assert not [name for name, value in looked_for() if value.lower() in content]


def test_the_key_is_not_in_the_store(reading: Reading, tmp_path: Path) -> None:
    with Store.open(str(tmp_path / "store.sqlite")) as store:
        work(store, reading)
    key = (tmp_path / "store.sqlite.key").read_bytes().strip()
    content = (tmp_path / "store.sqlite").read_bytes()
    assert key not in content
    assert bytes.fromhex(key.decode()) not in content


def test_films_of_one_study_still_belong_together(reading: Reading, tmp_path: Path) -> None:
    assert reading.film.study_digest == uid_digest(PLANTED["StudyInstanceUID"])
    other = replace(reading, film=replace(reading.film, sha256="0" * 64, sop_instance="2.25.9"))
    with Store.open(str(tmp_path / "store.sqlite")) as store:
        rows = [store.reading(id).original["film"] for id in store.add_readings([reading, other])]
    assert rows[0]["study_digest"] == rows[1]["study_digest"]
    assert rows[0]["sop_instance"] != rows[1]["sop_instance"]
    assert len({rows[0][name] for name in ("study_digest", "series_digest", "sop_instance")}) == 3
