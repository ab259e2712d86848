"""Planted names of a patient come out nowhere: not in a store, table, page, plot, log or error.

Films carry them in headers, in the names of files and folders, and burnt into the pixels. Every
command that makes something of an archive is run over them, then all that was written, said and
logged is searched, also inside Parquet, PDF, SQLite and pictures within pages.
"""

from __future__ import annotations

import base64
import gzip
import hashlib
import io
import logging
import re
from collections.abc import Iterator
from itertools import chain
from pathlib import Path

import cv2
import numpy as np
import pydicom
import pypdf
import pytest
from PIL import Image

from pipeline.cli import main
from pipeline.demo import PLAIN, Shot, write_shot
from pipeline.records.store import Acquisitions, Filter, Store, find
from pipeline.registry import build

WORDS = {
    "PatientName": "Quillonby^Persephone",
    "PatientID": "ID-4711-0815",
    "OtherPatientIDs": "OTHER-1234567",
    "PatientBirthDate": "19310203",
    "PatientAddress": "Threnody-Lane",
    "PatientComments": "Threnody-4",
    "AccessionNumber": "ACC-998877",
    "StudyID": "STUDY-556677",
    "StudyDescription": "Threnody-5",
    "SeriesDescription": "Threnody-6",
    "ReferringPhysicianName": "Referrer^Ramona",
    "PerformingPhysicianName": "Performer^Perpetua",
    "OperatorsName": "Handler^Hyacinth",
    "InstitutionName": "Marrowby Infirmary",
    "InstitutionAddress": "Infirmary-Road",
    "StationName": "INFIRMARYROOM9",
    "StudyInstanceUID": "2.25.1234567890123456789",
    "SeriesInstanceUID": "2.25.2345678901234567890",
}
"""Header values, all invented."""
FOLDER = "Quillonby^Persephone 19310203"
FILE = "ACC-998877 Persephone"
TEXT = "QUILLONBY P 19310203"
"""Burnt into the film."""


def searched() -> dict[str, bytes]:
    """What is looked for, by a name: words and their parts in lower case, and digests."""
    values = {*WORDS.values(), FOLDER, FILE, TEXT, "2.25.3456789012345678901"}
    parts = {part for value in values for part in re.split(r"[\^ ]", value) if len(part) > 6}
    found = {value: value.lower().encode() for value in values | parts}
    for value in values | parts:
        for name in ("md5", "sha1", "sha256"):
            digest = hashlib.new(name, value.encode()).hexdigest()
            found[f"{name} of {value}"] = digest[:16].encode()
        found[f"{value} in UTF-16"] = value.lower().encode("utf-16-le")
        found[f"{value} in base 64"] = base64.b64encode(value.encode())[:-4].lower()
    return found


def views_of(path: Path) -> Iterator[bytes]:
    """A file's bytes, and what stands packed in them."""
    raw = path.read_bytes()
    yield raw
    if path.suffix == ".parquet":
        import pyarrow.parquet

        yield repr(pyarrow.parquet.read_table(path).to_pydict()).encode()
    elif path.suffix == ".pdf":
        document = pypdf.PdfReader(io.BytesIO(raw))
        yield repr(document.metadata).encode()
        for page in document.pages:
            yield page.extract_text().encode()
            for image in page.images:
                yield repr(image.name).encode()
    elif path.suffix == ".html":
        for packed in re.findall(rb"base64,([A-Za-z0-9+/=]+)", raw):
            inside = base64.b64decode(packed)
            yield gzip.decompress(inside) if inside[:2] == b"\x1f\x8b" else inside
            if inside.startswith(b"\x89PNG"):
                yield repr(Image.open(io.BytesIO(inside)).info).encode()


def leaks(contents: Iterator[tuple[str, bytes]]) -> list[str]:
    """Where a planted word stands."""
    wanted = searched()
    return [
        f"{word} in {where}"
        for where, content in contents
        for word, value in wanted.items()
        if value in content.lower()
    ]


def all_files(*folders: Path) -> Iterator[tuple[str, bytes]]:
    for folder in folders:
        for path in sorted(folder.rglob("*")):
            yield f"the name of {path.name}", str(path.relative_to(folder)).encode()
            if path.is_file():
                for content in views_of(path):
                    yield str(path), content


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Films of an invented patient: one that is read, others that go wrong in several ways."""
    top = tmp_path_factory.mktemp("archive")
    folder = top / FOLDER
    options = {
        **PLAIN,
        "styles": ("radiography",),
        "views": ("AP",),
        "knee_seed": 9019,
        "side": "right",
        "rotation_deg": 1.0,
        "tilt_deg": -1.0,
    }
    shot = Shot("film.dcm", "study", 9111, options)
    write_shot(folder / "film.dcm", shot, build("scenario", "knee_films", options).make(9111), 1)
    film = pydicom.dcmread(folder / "film.dcm")
    (folder / "film.dcm").unlink()
    for keyword, value in WORDS.items():
        setattr(film, keyword, value)
    film.AcquisitionDate, film.AcquisitionTime = "20260105", "101112"
    film.BurnedInAnnotation = "YES"
    pixels = film.pixel_array.copy()
    burnt = np.zeros(pixels.shape, np.uint8)
    cv2.putText(burnt, TEXT, (20, 60), cv2.FONT_HERSHEY_SIMPLEX, 1.2, 255, 3)
    pixels[burnt > 0] = pixels.max()
    film.PixelData = pixels.tobytes()

    def write(name: str, **changes: object) -> Path:
        film.SOPInstanceUID = f"2.25.345678901234567890{len(list(folder.iterdir())) + 1}"
        film.file_meta.MediaStorageSOPInstanceUID = film.SOPInstanceUID
        for keyword, value in changes.items():
            setattr(film, keyword, value)
        film.save_as(folder / name, enforce_file_format=True)
        return folder / name

    whole = write(f"{FILE}.dcm")
    odd = np.zeros_like(pixels)
    (folder / f"{FILE} cut.dcm").write_bytes(whole.read_bytes()[:5000])
    write(f"{FILE} part.dcm", BodyPartExamined="PERSEPHONE Q")
    write(
        f"{FILE} date.dcm", BodyPartExamined="KNEE", PatientAge="Persephone", Modality="QUILLONBY"
    )
    write(f"{FILE} none.dcm", Modality="DX", PixelData=odd.tobytes(), PatientAge="095Y")
    (folder / f"{FILE}.png").write_bytes(b"\x89PNG\r\n\x1a\n Persephone")
    (folder / f"{FILE}.jpg").write_text("Quillonby is no picture")
    return top


@pytest.fixture(scope="module")
def made(archive: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    """What all commands wrote into one folder, and what they said and logged."""
    out = tmp_path_factory.mktemp("made")
    store = str(out / "store.sqlite")
    table, codes = out.parent / "private.csv", out.parent / "codes.csv"
    table.write_text(
        f"path,operator,reject\n{archive / FOLDER / FILE}.dcm,{WORDS['PatientName']},motion\n"
        f"{archive / FOLDER / FILE} part.dcm,A7,{WORDS['PatientID']}\n{FILE}.dcm,A7,motion\n"
    )
    codes.write_text(f"kind,name,code\noperator,{WORDS['OperatorsName']},A7\noperator,,A8\n")
    log = io.StringIO()
    handler = logging.StreamHandler(log)
    root = logging.getLogger()
    before = root.level
    root.addHandler(handler)
    root.setLevel(logging.DEBUG)
    said = []
    capture = pytest.MonkeyPatch()
    stream = io.StringIO()
    capture.setattr("sys.stdout", stream)
    capture.setattr("sys.stderr", stream)
    try:
        for words in (
            ["archive", str(archive), "--store", store, "workers=1"],
            ["archive", str(archive), "--store", store, "workers=1", "--again"],
            ["archive", str(archive), "--store", store, "--dry-run"],
            ["facts", store, "--table", str(table)],
            ["facts", store, "--codes", str(codes)],
            ["facts", store, "--rejected", str(archive)],
            ["find", store, "--out", str(out / "found.csv")],
            ["find", store, "--operator", WORDS["OperatorsName"], "--out", f"{out}/found.parquet"],
            ["find", store, "--station", WORDS["StationName"]],
            ["drift", store, "--out", str(out / "drift"), "operators=true"],
            ["verify", store],
            ["copy", store, str(out / "copy" / "store.sqlite")],
        ):
            status = main(words)
            said.append(f"{words[0]} {status}")
        with Store.open(store) as opened:
            for row in opened.readings():
                revision = opened.reading(row.id).revision
                opened.decide(row.id, expected_revision=revision, kind="accept", reviewer="A")
        said.append(f"export {main(['export', store, str(out / 'shared'), 'deidentify=true'])}")
    finally:
        capture.undo()
        root.removeHandler(handler)
        root.setLevel(before)
    return out, "\n".join([*said, stream.getvalue(), log.getvalue()])


def test_the_search_finds_what_is_there(archive: Path) -> None:
    found = leaks(all_files(archive))
    for word in (FOLDER, "ID-4711-0815", "19310203", "Persephone"):
        assert any(one.startswith(f"{word} in ") for one in found), word


def test_the_work_was_done(made: tuple[Path, str]) -> None:
    out, said = made
    assert said.startswith("archive 1\narchive 1\narchive 0\nfacts 1\nfacts 1\nfacts 0\nfind 0")
    assert (out / "drift" / "drift.pdf").stat().st_size > 10_000
    with Store.open(str(out / "store.sqlite")) as store:
        rows = list(find(store, Filter()))
        assert {one.operator for one in rows} == {"A7"}
        assert {one.day for one in rows} == {"2026-01-05"}
        assert any(one.verdict for one in rows)
        assert any(one.refused for one in rows)
        assert all(FOLDER in row.source for row in store.readings())  # to those who have the key
        assert Acquisitions(store).counts()["station"] > 0


def test_nothing_planted_is_in_any_file(made: tuple[Path, str]) -> None:
    out, _ = made
    # What a person must look at before it is shared lies apart, as the films have it.
    kept_back = [path for path in out.iterdir() if path.name == "shared-to-look-at"]
    assert leaks(all_files(*kept_back)) != []
    others = [path for path in out.iterdir() if path not in kept_back]
    folders = [path for path in others if path.is_dir()]
    contents = ((str(path), view) for path in others if path.is_file() for view in views_of(path))
    assert leaks(chain(all_files(*folders), contents)) == []
    assert len(folders) == 3


def test_nothing_planted_is_said_or_logged(made: tuple[Path, str]) -> None:
    out, said = made
    aside = re.sub(re.escape(str(out)), "", said)
    assert leaks(iter([("what was said", aside.encode())])) == []


def test_no_film_is_in_what_is_shared_until_somebody_looked(made: tuple[Path, str]) -> None:
    """Burnt-in text: no shared file holds pixels of the film."""
    out, _ = made
    for path in (out / "shared").rglob("*.dcm"):
        assert "PixelData" not in pydicom.dcmread(path), path
    assert not list((out / "drift").rglob("*.png"))


def test_what_read_leaves_behind(archive: Path, tmp_path: Path) -> None:
    """`squareon read` names files as they are called, and nothing of their headers."""
    results = tmp_path / "results"
    assert main(["read", str(archive), "--out", str(results), "writer=tables", "workers=1"]) == 1
    for path in results.iterdir():
        said = path.read_bytes()
        for source in sorted(archive.rglob("*"), key=lambda one: -len(str(one))):
            said = said.replace(str(source).encode(), b"")
        for keyword, value in WORDS.items():
            assert value.lower().encode() not in said.lower(), (path.name, keyword)
            for word in value.split("^") if "^" in value else ():
                assert word.lower().encode() not in said.lower(), (path.name, keyword)
    assert main(["find", str(results), "--out", str(tmp_path / "found.csv")]) == 0
    names = ("store.sqlite", "store.sqlite-wal", "store.sqlite-shm")
    written = [results / name for name in names if (results / name).exists()]
    files = [(path.name, path.read_bytes()) for path in [*written, tmp_path / "found.csv"]]
    assert leaks(iter(files)) == []
