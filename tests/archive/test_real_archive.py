"""Films listed and fetched from a real archive server (Orthanc), over every protocol."""

from __future__ import annotations

import urllib.request
from collections.abc import Callable, Iterator
from datetime import date
from pathlib import Path

import numpy as np
import pydicom
import pytest
from invented_archive import PATIENT, PATIENT_ID, Kept, film, small_archive, write
from invented_certificates import make_certificates
from pydicom.uid import JPEGLSLossless, RLELossless
from real_archive import Archive, send, serving_archive

from pipeline import cli
from pipeline.archive.contract import Listed, Source, Wanted
from pipeline.archive.sources.association import association, film_contexts, place_of
from pipeline.archive.sources.dicomweb import DicomwebSource
from pipeline.archive.sources.dimse import DimseSource
from pipeline.archive.sources.network import Network
from pipeline.demo import PLAIN, Shot, write_shot
from pipeline.knee.errors import Problem
from pipeline.records.store import open_store
from pipeline.registry import build


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> list[Kept]:
    """The small archive, and films that are compressed."""
    folder = tmp_path_factory.mktemp("kept")
    made = small_archive(folder)
    for number, syntax in enumerate((JPEGLSLossless, RLELossless), start=1):
        compressed = film(4, number, 1)
        compressed.compress(syntax, generate_instance_uid=False)
        made.append(write(folder, compressed))
    return made


@pytest.fixture(scope="module")
def archive(kept: list[Kept], tmp_path_factory: pytest.TempPathFactory) -> Iterator[Archive]:
    with serving_archive(tmp_path_factory.mktemp("archive")) as archive:
        send(archive, [each.path for each in kept])
        yield archive


def by_web(archive: Archive, **options) -> Source:
    return DicomwebSource(f"{archive.web}/dicom-web", Network(**options))


def by_get(archive: Archive, **options) -> Source:
    return DimseSource(f"dicom://ARCHIVE@127.0.0.1:{archive.port}", Network(**options))


def by_move(archive: Archive, **options) -> Source:
    moving = {"fetch_by": "move", "move_title": "INBOX", "move_port": archive.inbox_port}
    return by_get(archive, **moving, **options)


Make = Callable[..., Source]
ALL = pytest.mark.parametrize("make", [by_web, by_get, by_move], ids=["web", "get", "move"])
LISTS = pytest.mark.parametrize("make", [by_web, by_get], ids=["web", "find"])


def films(kept: list[Kept]) -> list[Kept]:
    return [each for each in kept if each.dataset.Modality != "SR"]


@LISTS
def test_lists_every_film_once_and_no_report(archive: Archive, kept, make: Make) -> None:
    found = list(make(archive, page=2).list(Wanted()))
    assert sorted(each.name for each in found) == sorted(each.name for each in films(kept))
    studies = [each.study for each in found]
    assert studies == sorted(studies, key=studies.index)  # films of a study together


@LISTS
@pytest.mark.parametrize(
    ("wanted", "which"),
    [
        (Wanted(since=date(2020, 1, 1)), [0, 1, 2, 4, 6, 7]),
        (Wanted(until=date(2019, 5, 5)), [3]),
        (Wanted(since=date(2019, 5, 5), until=date(2019, 5, 5)), [3]),
        (Wanted(body_part=("KNEE",), unknown=False), [0, 1, 2, 6, 7]),
        (Wanted(body_part=("KNEE",)), [0, 1, 2, 4, 6, 7]),
        (Wanted(modality=("CR",), unknown=False), [2]),
        (Wanted(modality=("CR",)), [2]),
        (Wanted(station=("room2",), unknown=False), [3]),
    ],
)
def test_filters(archive: Archive, kept, make: Make, wanted: Wanted, which: list[int]) -> None:
    found = [each.name for each in make(archive).list(wanted) if isinstance(each, Listed)]
    assert sorted(found) == sorted(kept[number].name for number in which)


@ALL
def test_films_come_as_they_are_stored(archive: Archive, kept, make: Make, tmp_path: Path) -> None:
    source = make(archive)
    listed = [each for each in source.list(Wanted()) if isinstance(each, Listed)]
    got = {each.name: path for each, path in source.fetch(listed, tmp_path)}
    assert set(got) == {each.name for each in films(kept)}
    for each in films(kept):
        path = got[each.name]
        assert isinstance(path, Path), path
        fetched = pydicom.dcmread(path)
        assert fetched == each.dataset  # every attribute and every byte of the pixels
        syntax = fetched.file_meta.TransferSyntaxUID
        assert syntax == each.dataset.file_meta.TransferSyntaxUID
        np.testing.assert_array_equal(fetched.pixel_array, pydicom.dcmread(each.path).pixel_array)


def test_dicomweb_gives_the_very_bytes(archive: Archive, kept, tmp_path: Path) -> None:
    """The server keeps the file that was sent; its own copy is what comes."""
    import json

    source = by_web(archive)
    listed = [each for each in source.list(Wanted()) if isinstance(each, Listed)]
    got = {path.read_bytes() for _, path in source.fetch(listed, tmp_path)}
    ids = json.loads(urllib.request.urlopen(f"{archive.web}/instances", timeout=60).read())
    own = {
        urllib.request.urlopen(f"{archive.web}/instances/{each}/file", timeout=60).read()
        for each in ids
    }
    assert len(got) == len(films(kept))
    assert got <= own


@ALL
def test_a_film_that_is_gone_meanwhile(archive: Archive, make: Make, tmp_path: Path) -> None:
    listed = Listed("1.2.3/1.2.3.4/1.2.3.4.5")
    ((one, problem),) = make(archive, attempts=1).fetch([listed], tmp_path)
    assert one == listed
    assert isinstance(problem, Problem)


def test_a_caller_that_the_server_does_not_know(archive: Archive, tmp_path: Path) -> None:
    with pytest.raises(Problem):
        list(by_get(archive, title="STRANGER", attempts=1).list(Wanted()))


def test_films_of_a_server_are_read_into_a_store(
    archive: Archive, tmp_path: Path, capfd: pytest.CaptureFixture
) -> None:
    """End to end by every protocol: the same reading as from a folder, once, nothing left over."""
    path = tmp_path / "films" / "lateral.dcm"
    options = {**PLAIN, "styles": ("radiography",), "views": ("lateral",), "side": "right"}
    shot = Shot("lateral.dcm", "study-x", 9122, options)
    write_shot(path, shot, build("scenario", "knee_films", options).make(shot.seed), 1)
    drawn = pydicom.dcmread(path)
    drawn.StationName, drawn.PatientName, drawn.PatientID = "ROOM9", PATIENT, PATIENT_ID
    drawn.save_as(path)
    send(archive, [path])
    spool = tmp_path / "spool"
    spool.mkdir()
    only = ["station=[ROOM9]", "unknown=false", "workers=1", "detector.threads=1", f"spool={spool}"]
    move = ["network.fetch_by=move", "network.move_title=INBOX",
            f"network.move_port={archive.inbox_port}"]  # fmt: skip
    node = f"dicom://ARCHIVE@127.0.0.1:{archive.port}"
    found = []
    for number, (source, more) in enumerate(
        [(str(path.parent), []), (f"{archive.web}/dicom-web", []), (node, []), (node, move)]
    ):
        store = tmp_path / f"{number}.sqlite"
        words = ["archive", source, "--store", str(store), *only, *more]
        assert cli.main(words) == 0
        if source.startswith("http"):
            assert cli.main(words) == 0  # known by its name, so not fetched again
        with open_store(str(store)) as opened:
            (row,) = opened.readings()
            reading = opened.reading(row.id)
        found.append(reading.original["alignment"])
    assert found[0] is not None
    assert all(each == found[0] for each in found)
    assert list(spool.iterdir()) == []
    shown = capfd.readouterr()
    left = b"".join(each.read_bytes() for each in tmp_path.glob("*.sqlite*"))
    left += (shown.out + shown.err).encode()
    for word in (PATIENT, PATIENT.split("^")[0], PATIENT_ID, drawn.SOPInstanceUID):
        assert word.encode() not in left


def test_over_tls_with_certificates_and_a_password(
    kept: list[Kept],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The server asks for a client certificate on its DICOM port and for a password on the web.

    (Its web port stays plain: with Debian's build a TLS handshake ends the server, curl's too.
    DICOMweb over TLS is tested with a server of Python's own in test_dicomweb_source.py.)
    """
    made = make_certificates(tmp_path)
    safe = {
        "AuthenticationEnabled": True,
        "RegisteredUsers": {"reader": "s3cret-invented"},
        "DicomTlsEnabled": True,
        "DicomTlsCertificate": made.server,
        "DicomTlsPrivateKey": made.server_key,
        "DicomTlsTrustedCertificates": made.ca,
        "DicomTlsRemoteCertificateRequired": True,
    }
    own = Network(
        ca_file=made.ca, certificate=made.client, key=made.client_key, attempts=2, backoff_s=0.1
    )
    other = Network(
        ca_file=made.ca, certificate=made.other_client, key=made.other_client_key, attempts=1
    )
    with serving_archive(tmp_path / "server", **safe) as there:
        address = f"dicom-tls://ARCHIVE@127.0.0.1:{there.port}"
        with association(place_of(address, own), own, film_contexts()) as talk:
            assert talk.send_c_store(kept[0].dataset).Status == 0
        web = DicomwebSource(f"{there.web}/dicom-web", own)
        with pytest.raises(Problem, match="SQUAREON_SERVER_USER"):
            list(web.list(Wanted()))
        monkeypatch.setenv("SQUAREON_SERVER_USER", "reader")
        monkeypatch.setenv("SQUAREON_SERVER_PASSWORD", "s3cret-invented")
        for number, source in enumerate((web, DimseSource(address, own))):
            folder = tmp_path / str(number)
            folder.mkdir()
            ((_, path),) = source.fetch(list(source.list(Wanted())), folder)
            assert pydicom.dcmread(path) == kept[0].dataset
        with pytest.raises(Problem, match="certificate"):
            list(DimseSource(address, other).list(Wanted()))
