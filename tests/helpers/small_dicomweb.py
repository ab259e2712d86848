"""A DICOMweb server in this process that can be made to misbehave."""

from __future__ import annotations

import base64
import json
import ssl
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any
from urllib.parse import parse_qs, urlsplit

from invented_archive import Kept

LEVELS = {
    "studies": ("StudyInstanceUID", "StudyDate"),
    "series": ("SeriesInstanceUID", "Modality", "BodyPartExamined", "StationName"),
    "instances": ("SOPInstanceUID", "SOPClassUID", "NumberOfFrames"),
}


class SmallServer(ThreadingHTTPServer):
    """Serves `kept` under /dicom-web; faults are set as attributes while it runs."""

    daemon_threads = True

    def __init__(self, kept: Sequence[Kept]) -> None:
        super().__init__(("127.0.0.1", 0), _Handler)
        self.kept = list(kept)
        self.asked: list[str] = []
        self.login: tuple[str, str] | None = None
        self.token = ""
        self.seen: list[str] = []
        self.busy = 0  # answers 503 that often
        self.busy_path = ""  # only where the path has this in it
        self.cut = 0  # breaks off that many retrievals in the middle
        self.crawl = False
        self.drop: set[str] = set()  # instances listed but not sent
        self.most = 1_000  # studies in one page
        self.no_pages = False
        self.first_page_only = False
        self.redirect = ""
        self.nonsense = False


class _Handler(BaseHTTPRequestHandler):
    protocol_version = "HTTP/1.1"
    server: SmallServer

    def log_message(self, *_: Any) -> None:
        pass

    def do_GET(self) -> None:
        server, parts = self.server, urlsplit(self.path)
        server.asked.append(self.path)
        server.seen.append(self.headers.get("Authorization", ""))
        if server.redirect:
            return self._say(302, b"", Location=server.redirect)
        if not self._may():
            return self._say(401, b"Inventedname^Testperson may not")
        if server.busy and server.busy_path in self.path:
            server.busy -= 1
            return self._say(503, b"later, Inventedname^Testperson", **{"Retry-After": "0"})
        if server.nonsense:
            return self._say(200, b"<html>hello</html>", **{"Content-Type": "text/html"})
        words = parts.path.removeprefix("/dicom-web/").split("/")
        query = {key: values[0] for key, values in parse_qs(parts.query).items()}
        if len(words) % 2:
            return self._list(words, query)
        return self._retrieve(words)

    def _may(self) -> bool:
        server, said = self.server, self.headers.get("Authorization", "")
        if server.token:
            return said == f"Bearer {server.token}"
        if server.login:
            return said == "Basic " + base64.b64encode(":".join(server.login).encode()).decode()
        return True

    def _say(self, status: int, body: bytes, **headers: str) -> None:
        self.send_response(status)
        for name, value in headers.items():
            self.send_header(name, value)
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)

    def _inside(self, words: list[str]) -> list[Kept]:
        keys = ("StudyInstanceUID", "SeriesInstanceUID", "SOPInstanceUID")
        asked = dict(zip(keys, words[1::2], strict=False))
        return [
            each
            for each in self.server.kept
            if all(each.dataset[key].value == uid for key, uid in asked.items())
        ]

    def _list(self, words: list[str], query: dict[str, str]) -> None:
        keywords = LEVELS[words[-1]]
        rows: dict[str, dict[str, Any]] = {}
        for each in self._inside(words[:-1]):
            row = {
                f"{each.dataset[key].tag:08X}": {
                    "vr": each.dataset[key].VR,
                    "Value": [each.dataset[key].value],
                }
                for key in keywords
                if key in each.dataset
            }
            rows.setdefault(str(each.dataset[keywords[0]].value), row)
        days = query.get("StudyDate", "")
        if days:
            low, _, high = days.partition("-")
            rows = {
                uid: row
                for uid, row in rows.items()
                if (low or "0") <= row["00080020"]["Value"][0] <= (high or "9")
            }
        page = list(rows.values())
        if words == ["studies"] and not self.server.no_pages:
            start = 0 if self.server.first_page_only else int(query.get("offset", 0))
            page = page[start : start + min(self.server.most, int(query.get("limit", 1_000)))]
        if not page:
            return self._say(204, b"")
        raw = json.dumps(page).encode()
        return self._say(200, raw, **{"Content-Type": "application/dicom+json"})

    def _retrieve(self, words: list[str]) -> None:
        found = [
            each
            for each in self._inside(words)
            if each.dataset.SOPInstanceUID not in self.server.drop
        ]
        if not found:
            return self._say(404, b"")
        self.send_response(200)
        kind = 'multipart/related; type="application/dicom"; boundary="a b-c"'
        self.send_header("Content-Type", kind)
        self.send_header("Transfer-Encoding", "chunked")
        self.end_headers()
        body = b"".join(
            b"\r\n--a b-c\r\nContent-Type: application/dicom\r\n\r\n" + each.path.read_bytes()
            for each in found
        )
        body += b"\r\n--a b-c--"
        if self.server.cut:
            self.server.cut -= 1
            self._chunk(body[: len(body) - 700])
            self.close_connection = True
            return None
        if self.server.crawl:
            for at in range(len(body)):
                self._chunk(body[at : at + 1])
                time.sleep(0.02)
        self._chunk(body)
        self.wfile.write(b"0\r\n\r\n")
        return None

    def _chunk(self, raw: bytes) -> None:
        self.wfile.write(f"{len(raw):x}\r\n".encode() + raw + b"\r\n")


@contextmanager
def serving_dicomweb(
    kept: Sequence[Kept], tls: ssl.SSLContext | None = None
) -> Iterator[tuple[SmallServer, str]]:
    """The server and its address."""
    server = SmallServer(kept)
    server.handle_error = lambda *_: None  # type: ignore[method-assign] - callers that hang up
    if tls is not None:
        server.socket = tls.wrap_socket(server.socket, server_side=True)
    thread = threading.Thread(target=server.serve_forever, args=(0.02,), daemon=True)
    thread.start()
    scheme = "https" if tls else "http"
    try:
        yield server, f"{scheme}://127.0.0.1:{server.server_address[1]}/dicom-web"
    finally:
        server.shutdown()
        server.server_close()
