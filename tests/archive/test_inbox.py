"""Films that others push: who may, what is kept, what hostile callers achieve (nothing)."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import signal
import socket
import ssl
import struct
import subprocess
import sys
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

import pydicom
import pytest
from invented_archive import PATIENT, PATIENT_ID, Kept, film
from invented_certificates import Certificates
from pydicom.dataset import Dataset
from pydicom.uid import DeflatedExplicitVRLittleEndian

pytest.importorskip("pynetdicom", reason="pynetdicom is not installed (squareon[archive])")

from inbox_doors import TOKEN, doors, push, reasons, stow

from pipeline.archive.contract import Listed, Wanted
from pipeline.archive.inbox import keep
from pipeline.archive.inbox.keep import REJECTED, Inbox, RefusalError
from pipeline.archive.inbox.settings import ReceiveSettings
from pipeline.archive.sources.association import film_contexts, library
from pipeline.archive.sources.choose import source_of
from pipeline.archive.sources.network import Network, client_tls
from pipeline.knee.errors import Problem


@pytest.fixture(autouse=True)
def token(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SQUAREON_TOKEN_ROOM1", TOKEN)


# ---- films that are kept ----------------------------------------------------------------------


def test_films_pushed_either_way_are_kept_whole(tmp_path: Path, kept: list[Kept]) -> None:
    with doors(tmp_path / "inbox") as open_:
        assert push(open_.port, [each.dataset for each in kept[:3]]) == [0, 0, 0]
        status, answer = stow(open_.web, [each.path.read_bytes() for each in kept[3:5]])
        assert status == 200
        named = {item["00081155"]["Value"][0] for item in answer["00081199"]["Value"]}
        assert named == {each.dataset.SOPInstanceUID for each in kept[3:5]}
        found = open_.films()
        assert len(found) == 5
        for path in found:
            assert path.stem == hashlib.sha256(path.read_bytes()).hexdigest()
        stored = [pydicom.dcmread(path) for path in found]
        for each in kept[:5]:
            assert each.dataset in stored
        raw = {path.read_bytes() for path in found}
        assert {each.path.read_bytes() for each in kept[3:5]} < raw  # STOW: the very bytes
        listed = list(source_of(str(open_.folder)).list(Wanted()))
        assert sorted(each.name for each in listed if isinstance(each, Listed)) == [
            str(path) for path in found
        ]


def test_a_film_pushed_twice_is_one_file(tmp_path: Path, kept: list[Kept]) -> None:
    with doors(tmp_path / "inbox") as open_:
        assert push(open_.port, [kept[0].dataset] * 2) == [0, 0]
        assert push(open_.port, [kept[0].dataset]) == [0]
        assert len(open_.films()) == 1
        assert (open_.inbox.kept, open_.inbox.doubles) == (1, 2)


def test_acknowledged_only_after_it_is_on_the_disk(
    tmp_path: Path, kept: list[Kept], monkeypatch: pytest.MonkeyPatch
) -> None:
    """File and both folders are synced, and under its final name, before anybody is told."""
    synced: list[str] = []
    real = os.fsync

    def noted(handle: int) -> None:
        synced.append(os.readlink(f"/proc/self/fd/{handle}"))
        real(handle)

    monkeypatch.setattr(os, "fsync", noted)
    with doors(tmp_path / "inbox") as open_:
        assert push(open_.port, [kept[0].dataset]) == [0]
        (path,) = open_.films()
        assert synced[0].endswith(".part")
        assert synced[1:] == [str(path.parent), str(open_.folder)]


def test_a_disk_that_fails_is_never_acknowledged(
    tmp_path: Path, kept: list[Kept], monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(handle: int) -> None:
        raise OSError(28, "No space left on device")

    with doors(tmp_path / "inbox") as open_:
        monkeypatch.setattr(os, "fsync", broken)
        (stored,) = push(open_.port, [kept[0].dataset]) or [0]
        status, answer = stow(open_.web, [kept[0].path.read_bytes()])
        monkeypatch.undo()
        assert stored != 0
        assert (status, reasons(answer)) == (409, [0xA700])
        assert open_.films() == []
        assert list((open_.folder / ".incoming").iterdir()) == []


def test_a_killed_run_leaves_whole_films_only(tmp_path: Path, kept: list[Kept]) -> None:
    """kill -9 while films arrive: what was acknowledged is there, whole; nothing else shows."""
    inbox = tmp_path / "inbox"
    words = ["receive", str(inbox), "senders=[ROOM1@127.0.0.1]", "port=0"]
    code = f"import sys; from pipeline.cli import main; sys.exit(main({words!r}))"
    films = [film(number, 1, 1, size=256) for number in range(1, 22)]
    with subprocess.Popen(
        [sys.executable, "-c", code], stdout=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        port = int(process.stdout.readline().split(":")[2].split()[0])
        entity = library().AE(ae_title="ROOM1")
        talk = entity.associate("127.0.0.1", port, contexts=film_contexts(), ae_title="SQUAREON")
        statuses = []
        for each in films[:20]:
            statuses.append(talk.send_c_store(each).get("Status", -1))
        os.kill(process.pid, signal.SIGKILL)
        with suppress(RuntimeError):
            talk.send_c_store(films[20])
        talk.abort()
    found = sorted(inbox.glob("*/*.dcm"))
    stored = {pydicom.dcmread(path).SOPInstanceUID for path in found}
    assert statuses == [0] * 20
    assert {each.SOPInstanceUID for each in films[:20]} <= stored
    for path in found:
        assert path.stem == hashlib.sha256(path.read_bytes()).hexdigest()
    (inbox / ".incoming" / "left.part").write_bytes(b"half")
    Inbox(inbox)
    assert list((inbox / ".incoming").iterdir()) == []


def test_the_command_says_what_it_did_when_it_is_stopped(tmp_path: Path, kept) -> None:
    words = ["receive", str(tmp_path / "inbox"), "senders=[ROOM1@127.0.0.1]", "port=0"]
    words += ["web_port=0", "tokens=[ROOM1]", "min_free_gigabytes=0"]
    code = f"import sys; from pipeline.cli import main; sys.exit(main({words!r}))"
    with subprocess.Popen(
        [sys.executable, "-c", code], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        port = int(process.stdout.readline().split(":")[2].split()[0])
        web = process.stdout.readline().split(": ")[1].strip()
        assert push(port, [kept[0].dataset, kept[0].dataset]) == [0, 0]
        assert stow(web, [kept[1].path.read_bytes()])[0] == 200
        assert stow(web, [], token="wrong")[0] == 401
        process.send_signal(signal.SIGTERM)
        said, complained = process.communicate(timeout=300)
    assert process.returncode == 0
    assert "2 films kept" in said
    assert "1 there already, 1 turned away" in said
    assert complained == ""
    assert TOKEN not in said


# ---- who may push -----------------------------------------------------------------------------


def test_only_senders_that_are_named(tmp_path: Path, kept: list[Kept]) -> None:
    films = [kept[0].dataset]
    with doors(tmp_path / "a") as open_:
        assert push(open_.port, films, title="STRANGER") is None
        assert push(open_.port, films, called="ANOTHER") is None
        assert stow(open_.web, [kept[0].path.read_bytes()], token=None)[0] == 401
        assert stow(open_.web, [kept[0].path.read_bytes()], token=TOKEN[:-1])[0] == 401
        assert open_.films() == []
        assert {"title", "token"} <= open_.why()
    with doors(tmp_path / "b", senders=["ROOM1@192.0.2.7"]) as open_:
        assert push(open_.port, films) is None
        assert open_.films() == []
        assert open_.why() == {"address"}
    senders = ["ROOM1@192.0.2.7", "ROOM2@127.0.0.1"]
    with doors(tmp_path / "c", senders=senders) as open_:
        assert push(open_.port, films) is None  # its title from another's address
        assert push(open_.port, films, title="ROOM2") == [0]


def fingerprint(path: str) -> str:
    return hashlib.sha256(ssl.PEM_cert_to_DER_cert(Path(path).read_text())).hexdigest()


def test_certificates_of_callers(
    tmp_path: Path, kept: list[Kept], certificates: Certificates
) -> None:
    own = {"certificate": certificates.server, "key": certificates.server_key}
    ours = Network(
        ca_file=certificates.ca, certificate=certificates.client, key=certificates.client_key
    )
    other = Network(
        ca_file=certificates.ca,
        certificate=certificates.other_client,
        key=certificates.other_client_key,
    )
    nobody = Network(ca_file=certificates.ca)
    films, raw = [kept[0].dataset], [kept[0].path.read_bytes()]
    with doors(tmp_path / "a", tokens=[], ca_file=certificates.ca, **own) as open_:
        assert push(open_.port, films, tls=client_tls(ours)) == [0]
        assert stow(open_.web, raw, token=None, tls=client_tls(ours))[0] == 200
        for stranger in (other, nobody):
            assert push(open_.port, films, tls=client_tls(stranger)) is None
            with pytest.raises(OSError):  # noqa: PT011 - each library words it differently
                stow(open_.web, raw, token=None, tls=client_tls(stranger))
        assert push(open_.port, films) is None  # without TLS
    known = {"certificates": [fingerprint(certificates.elsewhere)], "ca_file": certificates.ca}
    with doors(tmp_path / "b", tokens=[], **known, **own) as open_:
        assert push(open_.port, films, tls=client_tls(ours)) is None
        with pytest.raises(OSError):  # noqa: PT011
            stow(open_.web, raw, token=None, tls=client_tls(ours))
        assert open_.films() == []
        assert "certificate" in open_.why()


@pytest.mark.parametrize(
    ("options", "where"),
    [
        ({"senders": []}, "senders"),
        ({"senders": ["ROOM1"]}, "senders"),
        ({"senders": ["ROOM1@somewhere.example"]}, "senders"),
        ({"senders": ["MORE THAN SIXTEEN LETTERS@192.0.2.7"]}, "senders"),
        ({"tokens": [], "web_port": 0}, "tokens"),
        ({"tokens": ["ROOM9"], "web_port": 0}, "SQUAREON_TOKEN_ROOM9"),
        ({"host": "0.0.0.0"}, "host"),
        ({"host": "192.0.2.1", "plain": True, "web_port": 0}, "plain"),
        ({"ca_file": "ca.pem"}, "certificate"),
        ({"certificates": ["12"], "ca_file": "c", "certificate": "c"}, "certificates"),
        ({"port": -1, "web_port": -1}, "port"),
        ({"max_megabytes": 0}, "max_megabytes"),
    ],
)
def test_settings_are_checked_before_anything_listens(options: dict, where: str) -> None:
    with pytest.raises(Problem) as told:
        ReceiveSettings(**{"senders": ["ROOM1@127.0.0.1"], "tokens": ["ROOM1"], **options})
    assert told.value.source == where


def test_tokens_are_in_no_setting(kept: list[Kept]) -> None:
    settings = ReceiveSettings(senders=["ROOM1@127.0.0.1"], tokens=["ROOM1"], web_port=0)
    assert TOKEN not in repr(settings)


# ---- what is refused --------------------------------------------------------------------------


def test_what_is_no_film_is_refused_and_the_rest_kept(tmp_path: Path, kept: list[Kept]) -> None:
    good = kept[0].path.read_bytes()
    mixed = film(8, 1, 1)
    mixed.file_meta.MediaStorageSOPInstanceUID = "1.2.3"
    deflated = film(8, 1, 2)
    deflated.file_meta.TransferSyntaxUID = DeflatedExplicitVRLittleEndian
    bad = {
        "damaged": b"hello",
        "damaged too": good[:140],
        "kind": kept[5].path.read_bytes(),
        "mismatch": written(tmp_path, mixed),
        "syntax": written(tmp_path, deflated),
        "empty": b"",
        "deep": good[:132] + b"\x08\x00\x15\x11\xff\xff\xff\xff" * 20_000,
    }
    with doors(tmp_path / "inbox") as open_:
        status, answer = stow(open_.web, [*bad.values(), good])
        assert status == 202
        assert reasons(answer) == [0xC000, 0xC000, 0x0122, 0xA900, 0x0122, 0xC000, 0xC000]
        assert len(open_.films()) == 1
        assert open_.why() == {"damaged", "kind", "mismatch", "syntax"}
        assert list((open_.folder / ".incoming").iterdir()) == []
        assert stow(open_.web, [bad["kind"]])[0] == 409
        assert stow(open_.web, [])[0] == 409


def written(folder: Path, ds: Dataset) -> bytes:
    path = folder / "one.dcm"
    ds.preamble = b"\0" * 128
    pydicom.dcmwrite(path, ds, enforce_file_format=False)
    return path.read_bytes()


def test_a_command_that_names_another_film(tmp_path: Path, kept: list[Kept]) -> None:
    """C-STORE names the film twice; a sender that says two things is not believed."""
    inbox = Inbox(tmp_path, min_free_gigabytes=0)
    raw, kind = kept[0].path.read_bytes(), kept[0].dataset.SOPClassUID
    for said in ((kind, "1.2.3"), ("1.2.3", kept[0].dataset.SOPInstanceUID)):
        with pytest.raises(RefusalError, match="mismatch"):
            inbox.take(raw, *said)
    assert list(tmp_path.glob("*/*.dcm")) == []
    assert inbox.take(raw, kind, kept[0].dataset.SOPInstanceUID).is_file()


@pytest.mark.filterwarnings("ignore:Invalid value for VR UI")
def test_names_in_a_film_never_reach_a_path_or_the_log(
    tmp_path: Path, caplog: pytest.LogCaptureFixture, capfd: pytest.CaptureFixture
) -> None:
    evil = written(tmp_path, film(8, 1, 1, SOPInstanceUID="../../../../tmp/evil"))
    films = [film(8, 1, 2), film(8, 1, 3, PatientID="../evil")]
    caplog.set_level("DEBUG")
    with doors(tmp_path / "inbox") as open_:
        status, _ = stow(open_.web, [evil])
        push(open_.port, films)
        push(open_.port, [film(8, 1, 2)], title=PATIENT[:16])
        stow(open_.web, [b"nonsense " + PATIENT.encode()])
        names = [str(path.relative_to(open_.folder)) for path in open_.folder.rglob("*")]
        log = (open_.folder / REJECTED).read_text()
        open_.why()
    assert status in (200, 409)
    shown = capfd.readouterr()
    everything = " ".join(names) + log + caplog.text + shown.out + shown.err
    for word in (PATIENT, PATIENT.split("^")[0], PATIENT_ID, "evil", TOKEN):
        assert word not in everything
    assert not (tmp_path.parent / "evil").exists()


def test_a_film_above_the_limit(tmp_path: Path, kept: list[Kept]) -> None:
    large = film(8, 1, 1, size=800)  # 1.3 MB
    with doors(tmp_path / "inbox", max_megabytes=1) as open_:
        assert push(open_.port, [large]) == [0xA700]
        status, answer = stow(open_.web, [written(tmp_path, large), kept[0].path.read_bytes()])
        assert (status, reasons(answer)) == (202, [0xA700])
        assert len(open_.films()) == 1
        huge = film(8, 1, 2, size=2000)  # 8 MB: hung up on before it is held
        assert push(open_.port, [huge]) == [-1]
        assert len(open_.films()) == 1
        assert open_.why() == {"size"}
        assert push(open_.port, [kept[1].dataset]) == [0]


def test_a_full_inbox_takes_no_more_until_there_is_room(
    tmp_path: Path, kept: list[Kept], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(keep, "MEASURE_S", 0.0)
    with doors(tmp_path / "inbox", max_gigabytes=2e-6) as open_:  # 2,000 bytes
        assert push(open_.port, [kept[0].dataset]) == [0]
        assert push(open_.port, [kept[1].dataset]) == [0xA700]
        assert stow(open_.web, [kept[1].path.read_bytes()])[0] == 409
        for path in open_.films():
            path.unlink()
        assert push(open_.port, [kept[1].dataset]) == [0]
    with doors(tmp_path / "other", min_free_gigabytes=1e9) as open_:
        assert push(open_.port, [kept[0].dataset]) == [0xA700]


def raw_bytes(port: int, raw: bytes, wait: float = 0.0) -> None:
    with socket.create_connection(("127.0.0.1", port), timeout=5) as wire:
        wire.sendall(raw)
        time.sleep(wait)


def test_hostile_bytes_do_not_stop_the_doors(tmp_path: Path, kept: list[Kept]) -> None:
    with doors(tmp_path / "inbox", timeout_s=1.0) as open_:
        web_port = int(open_.web.split(":")[2].split("/")[0])
        attacks: list[Callable[[], None]] = [
            lambda: raw_bytes(open_.port, b"\x00" * 100),
            lambda: raw_bytes(open_.port, struct.pack(">BBL", 1, 0, 0xFFFFFFFF) + b"x" * 5000),
            lambda: raw_bytes(open_.port, os.urandom(4000)),
            lambda: raw_bytes(open_.port, b"GET / HTTP/1.1\r\n\r\n"),
            lambda: raw_bytes(web_port, os.urandom(4000)),
            lambda: raw_bytes(web_port, b"POST /dicom-web/studies HTTP/1.1\r\nHost: x\r\n"),
        ]
        for attack in attacks:
            attack()
        assert push(open_.port, [kept[0].dataset]) == [0]
        assert stow(open_.web, [kept[1].path.read_bytes()])[0] == 200
        assert stow(open_.web, [kept[2].path.read_bytes()], **{"Content-Type": "a/b"})[0] == 415
        boundary = {"Content-Type": 'multipart/related; type="application/dicom"; boundary=other'}
        assert stow(open_.web, [kept[2].path.read_bytes()], **boundary)[0] == 400
        assert len(open_.films()) == 2


def test_a_silent_tls_caller_holds_up_nobody(
    tmp_path: Path, kept: list[Kept], certificates: Certificates
) -> None:
    own = {"certificate": certificates.server, "key": certificates.server_key}
    trusting = client_tls(Network(ca_file=certificates.ca))
    with (
        doors(tmp_path / "inbox", **own) as open_,
        socket.create_connection(("127.0.0.1", open_.port)),
    ):
        assert push(open_.port, [kept[0].dataset], tls=trusting) == [0]


def test_a_caller_that_falls_silent_is_hung_up_on(tmp_path: Path) -> None:
    with doors(tmp_path / "inbox", timeout_s=0.4) as open_:
        web_port = int(open_.web.split(":")[2].split("/")[0])
        began = (
            b"POST /dicom-web/studies HTTP/1.1\r\nHost: x\r\nContent-Length: 9999\r\n"
            b"Authorization: Bearer " + TOKEN.encode() + b"\r\n"
            b"Content-Type: multipart/related; boundary=b\r\n\r\n--b\r\n\r\nhalf a film"
        )
        for raw in (b"", b"POST /dicom-web/stud", began):
            with socket.create_connection(("127.0.0.1", web_port), timeout=10) as wire:
                wire.sendall(raw)
                while wire.recv(1000):
                    pass  # an answer or nothing, but an end
        with socket.create_connection(("127.0.0.1", open_.port), timeout=10) as wire:
            assert wire.recv(1) == b""
        assert open_.films() == []
        assert list((open_.folder / ".incoming").iterdir()) == []


def test_refusals_do_not_fill_the_disk(tmp_path: Path) -> None:
    inbox = Inbox(tmp_path)
    for _ in range(5000):
        inbox.rejections.note("store", "address")
    inbox.rejections.flush()
    lines = [json.loads(line) for line in (tmp_path / REJECTED).read_text().splitlines()]
    assert len(lines) == 2
    assert sum(line["count"] for line in lines) == 5000
    assert set(lines[0]) == {"time", "door", "why", "count"}


# ---- peers ------------------------------------------------------------------------------------


def test_other_programs_push_too(tmp_path: Path, kept: list[Kept]) -> None:
    """Peers: dcmtk's storescu, and dicomweb-client's STOW-RS."""
    tool = shutil.which("storescu")
    if tool is None:
        pytest.skip("storescu is not installed (Debian package dcmtk)")
    client = pytest.importorskip("dicomweb_client.api", reason="dicomweb-client is not installed")
    import requests

    with doors(tmp_path / "inbox") as open_:
        words = [tool, "-aet", "ROOM1", "-aec", "SQUAREON", "127.0.0.1", str(open_.port)]
        done = subprocess.run(
            [*words, *(str(each.path) for each in kept[:2])], capture_output=True, text=True
        )
        assert done.returncode == 0, done.stderr
        session = requests.Session()
        session.headers["Authorization"] = f"Bearer {TOKEN}"
        peer = client.DICOMwebClient(open_.web, session=session)
        copies = [pydicom.dcmread(each.path) for each in kept[2:4]]
        peer.store_instances(copies)
        assert len(open_.films()) == 4
        stored = [pydicom.dcmread(path) for path in open_.films()]
        for each in kept[:4]:
            assert each.dataset in stored
