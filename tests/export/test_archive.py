"""The whole way through a real archive server (Orthanc, Debian's packages), on loopback only."""

from __future__ import annotations

import json
import urllib.request
from collections.abc import Iterator
from pathlib import Path

import pydicom
import pytest
from export_cases import groups, items
from pydicom.dataset import Dataset
from real_archive import Archive, send, serving_archive

from pipeline import cli
from pipeline.demo import PLAIN, Shot, write_shot
from pipeline.records.store import open_store
from pipeline.registry import build

ROTATION = -9.0
SETTINGS = ["detector.threads=1", "workers=1", "writer=tables"]


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Archive]:
    with serving_archive(tmp_path_factory.mktemp("archive")) as archive:
        yield archive


def fetch(archive: Archive, like: Dataset) -> Dataset:
    """WADO-RS, as a viewer asks."""
    from dicomweb_client.api import DICOMwebClient

    client = DICOMwebClient(f"{archive.web}/dicom-web")
    return client.retrieve_instance(
        like.StudyInstanceUID, like.SeriesInstanceUID, like.SOPInstanceUID
    )


def test_film_to_archive_to_reading_to_review_to_archive(archive: Archive, tmp_path: Path) -> None:
    made = tmp_path / "made" / "lateral.dcm"
    options = {**PLAIN, "styles": ("radiography",), "views": ("lateral",), "side": "right",
               "knee_seed": 9019, "rotation_deg": ROTATION, "tilt_deg": 2.0}  # fmt: skip
    shot = Shot("lateral.dcm", "study-x", 9122, options)
    write_shot(made, shot, build("scenario", "knee_films", options).make(shot.seed), 1)

    send(archive, [made])
    film = fetch(archive, pydicom.dcmread(made))
    assert film == pydicom.dcmread(made)  # every attribute and pixel
    films, read, out = tmp_path / "films", tmp_path / "read", tmp_path / "out"
    films.mkdir()
    film.save_as(films / "film.dcm", enforce_file_format=True)

    assert cli.main(["read", str(films), "--out", str(read), *SETTINGS]) == 0
    with open_store(str(read)) as store:
        (row,) = store.readings()
        store.decide(
            row.id,
            expected_revision=row.revision,
            kind="accept",
            reviewer="Example Reviewer A",
            final=None,
        )
    what = "what=[report,presentation]"
    assert cli.main(["export", str(read), str(out), what, "organization=Example site"]) == 0
    files = sorted(out.rglob("*.dcm"))
    assert [path.name.rsplit("-", 1)[1] for path in files] == ["report.dcm", "state.dcm"]

    send(archive, files)
    for path in files:
        assert fetch(archive, pydicom.dcmread(path)) == pydicom.dcmread(path)
    study = json.loads(urllib.request.urlopen(f"{archive.web}/studies", timeout=60).read())
    assert len(study) == 1  # film, report and state are filed under one study
    found = urllib.request.urlopen(f"{archive.web}/studies/{study[0]}/series", timeout=60).read()
    modalities = {each["MainDicomTags"]["Modality"] for each in json.loads(found)}
    assert modalities == {"DX", "SR", "PR"}

    report = fetch(archive, pydicom.dcmread(files[0]))
    (rotation,) = [
        float(item.MeasuredValueSequence[0].NumericValue)
        for item in items(report)
        if item.ValueType == "NUM" and item.ConceptNameCodeSequence[0].CodeValue == "SQ-020"
    ]
    assert rotation == pytest.approx(ROTATION, abs=4.0)  # the sign of the truth
    assert report.VerificationFlag == "VERIFIED"
    assert_condyles_lie_as_the_sign_says(report, film)


def assert_condyles_lie_as_the_sign_says(report: Dataset, film: Dataset) -> None:
    """A negative lateral rotation: the lateral condyle lies in front of the medial one."""
    at = {}
    for group in groups(report):
        parts = {item.ConceptNameCodeSequence[0].CodeValue: item for item in group.ContentSequence}
        if "111030" in parts:
            at[parts["112039"].TextValue] = parts["111030"].GraphicData
    front = 1.0 if film.PatientOrientation[0] == "A" else -1.0
    ahead = front * (at["lateral condyle posterior"][0] - at["medial condyle posterior"][0])
    assert ahead > 2.0  # pixels
