"""A real archive server (Orthanc, Debian's packages orthanc and orthanc-dicomweb), on loopback."""

from __future__ import annotations

import json
import shutil
import subprocess
import time
import urllib.error
import urllib.request
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pydicom
import pytest
from loopback import free_port

PLUGINS = Path("/usr/share/orthanc/plugins")


@dataclass(frozen=True)
class Archive:
    """Where the server listens. A C-MOVE to INBOX is sent to `inbox_port`."""

    web: str
    port: int
    inbox_port: int
    title: str = "ARCHIVE"


@contextmanager
def serving_archive(folder: Path, **more: Any) -> Iterator[Archive]:
    """The server, started anew with its files in `folder`. Skips where it is not installed."""
    for module in ("pynetdicom", "dicomweb_client"):
        pytest.importorskip(module, reason=f"{module} is not installed")
    server = shutil.which("Orthanc") or shutil.which("Orthanc", path="/usr/sbin")
    if server is None or not list(PLUGINS.glob("*DicomWeb*")):
        pytest.skip("no archive server (Debian packages orthanc and orthanc-dicomweb)")
    http, dicom, inbox = free_port(), free_port(), free_port()
    config = {
        "Name": "ARCHIVE",
        "StorageDirectory": str(folder / "storage"),
        "IndexDirectory": str(folder / "index"),
        "Plugins": [str(path) for path in sorted(PLUGINS.glob("*DicomWeb*"))],
        "HttpPort": http,
        "DicomPort": dicom,
        "DicomAet": "ARCHIVE",
        "RemoteAccessAllowed": False,
        "AuthenticationEnabled": False,
        "HttpCompressionEnabled": False,
        "DicomCheckModalityHost": True,
        "DicomAlwaysAllowStore": False,
        "DicomAlwaysAllowEcho": False,
        "DicomModalities": {
            "squareon": ["SQUAREON", "127.0.0.1", 1],
            "inbox": ["INBOX", "127.0.0.1", inbox],
        },
        "DicomWeb": {"Enable": True, "Root": "/dicom-web/"},
        "OverwriteInstances": False,
        **more,
    }
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "config.json").write_text(json.dumps(config))
    log = open(folder / "log.txt", "wb")  # noqa: SIM115 - the server writes into it
    process = subprocess.Popen([server, str(folder / "config.json")], stdout=log, stderr=log)
    web = f"http://127.0.0.1:{http}"
    try:
        for _ in range(600):
            try:
                urllib.request.urlopen(f"{web}/system", timeout=2).read()
                break
            except urllib.error.HTTPError:
                break  # it wants a password: it is there
            except OSError:
                if process.poll() is not None:
                    break
                time.sleep(0.2)
        else:
            pytest.fail("the archive server did not start")
        assert process.poll() is None, (folder / "log.txt").read_text(errors="replace")[-2000:]
        yield Archive(web, dicom, inbox)
    finally:
        process.terminate()
        try:
            process.wait(60)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
        log.close()


def send(archive: Archive, files: Sequence[Path]) -> None:
    """C-STORE, as a modality sends."""
    from pynetdicom import AE

    entity = AE(ae_title="SQUAREON")
    loaded = [pydicom.dcmread(path) for path in files]
    kinds = {(each.SOPClassUID, each.file_meta.TransferSyntaxUID) for each in loaded}
    for kind, syntax in sorted(kinds):
        entity.add_requested_context(kind, syntax)
    association = entity.associate("127.0.0.1", archive.port, ae_title=archive.title)
    assert association.is_established
    try:
        for dataset in loaded:
            assert association.send_c_store(dataset).Status == 0x0000
    finally:
        association.release()
