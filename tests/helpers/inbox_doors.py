"""An inbox with its doors open, and two ways of pushing films at them."""

from __future__ import annotations

import json
import urllib.error
import urllib.request
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from pydicom.dataset import Dataset

from pipeline.archive.inbox.doors import open_doors
from pipeline.archive.inbox.keep import REJECTED, Inbox
from pipeline.archive.inbox.settings import ReceiveSettings
from pipeline.archive.sources.association import film_contexts, library

TOKEN = "an-invented-token-0123"


class Doors:
    """An inbox with its doors open."""

    def __init__(self, inbox: Inbox, said: list[str]) -> None:
        self.inbox = inbox
        self.folder = inbox.folder
        lines = dict(line.split(": ", 1) for line in said)
        self.port = int(lines["C-STORE"].split(":")[-1].split()[0]) if "C-STORE" in lines else 0
        self.web = lines.get("STOW-RS", "")

    def films(self) -> list[Path]:
        return sorted(self.folder.glob("*/*.dcm"))

    def why(self) -> set[str]:
        self.inbox.rejections.flush()
        path = self.folder / REJECTED
        lines = path.read_text().splitlines() if path.exists() else []
        return {json.loads(line)["why"] for line in lines}


@contextmanager
def doors(folder: Path, **options: Any) -> Iterator[Doors]:
    said: list[str] = []
    settings = {
        "senders": ["ROOM1@127.0.0.1"], "tokens": ["ROOM1"], "port": 0, "web_port": 0,
        "min_free_gigabytes": 0.0, "timeout_s": 5.0, **options,
    }  # fmt: skip
    with open_doors(folder, ReceiveSettings(**settings), said.append) as inbox:
        yield Doors(inbox, said)


def push(
    port: int, films: Sequence[Dataset], title: str = "ROOM1", called: str = "SQUAREON", tls=None
) -> list[int] | None:
    """C-STORE statuses; None where there is no association."""
    entity = library().AE(ae_title=title)
    entity.acse_timeout = entity.dimse_timeout = 5
    options = {} if tls is None else {"tls_args": (tls, "127.0.0.1")}
    talk = entity.associate("127.0.0.1", port, contexts=film_contexts(), ae_title=called, **options)
    if not talk.is_established:
        return None
    statuses = [talk.send_c_store(each).get("Status", -1) for each in films]
    if talk.is_established:
        talk.release()
    return statuses


def stow(
    web: str, files: Sequence[bytes], token: str | None = TOKEN, tls=None, **headers: str
) -> tuple[int, dict]:
    """Status and answer of one request."""
    body = b"".join(
        b"--b\r\nContent-Type: application/dicom\r\n\r\n" + each + b"\r\n" for each in files
    )
    said = {"Content-Type": 'multipart/related; type="application/dicom"; boundary=b', **headers}
    if token is not None:
        said["Authorization"] = f"Bearer {token}"
    request = urllib.request.Request(web + "/studies", body + b"--b--\r\n", said)
    try:
        with urllib.request.urlopen(request, timeout=10, context=tls) as answer:
            return answer.status, json.loads(answer.read())
    except urllib.error.HTTPError as error:
        raw = error.read()
        return error.code, json.loads(raw) if raw.startswith(b"{") else {}


def reasons(answer: dict) -> list[int]:
    return [item["00081197"]["Value"][0] for item in answer["00081198"]["Value"]]
