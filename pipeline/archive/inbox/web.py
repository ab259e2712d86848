"""STOW-RS: films pushed over HTTP (DICOM PS3.18 section 10.5)."""

from __future__ import annotations

import asyncio
import hmac
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from fastapi import FastAPI, Request, Response
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import JSONResponse

from pipeline.archive.inbox.keep import FAILED, Inbox, RefusalError
from pipeline.archive.sources.multipart import (
    Begin,
    BrokenError,
    Data,
    Multipart,
    media_type,
)
from pipeline.archive.sources.storage_scp import NO_ROOM, WRONG
from pipeline.records.files import StopError, disk_errors

ROOT = "/dicom-web"
ANSWER = "application/dicom+json"


def create_app(inbox: Inbox, tokens: Sequence[bytes], timeout_s: float) -> FastAPI:
    """The application.

    Args:
        tokens: one of these must come as bearer token; none = certificates decide alone.
        timeout_s: how long a caller may be silent within a request.
    """
    app = FastAPI(openapi_url=None, docs_url=None, redoc_url=None)

    def may(request: Request) -> bool:
        if not tokens:
            return True
        scheme, _, said = request.headers.get("authorization", "").partition(" ")
        given = said.strip().encode("latin-1", "replace")
        # All are compared, so that the time taken tells nothing.
        fits = [hmac.compare_digest(given, token) for token in tokens]
        return scheme.lower() == "bearer" and any(fits)

    @app.post(ROOT + "/studies")
    @app.post(ROOT + "/studies/{study}")
    async def store(request: Request, study: str = "") -> Response:
        if not may(request):
            inbox.rejections.note("web", "token")
            return _words(401, "the token is missing or wrong")
        kind, parameters = media_type(request.headers.get("content-type", ""))
        wanted = parameters.get("type", "application/dicom").lower()
        if kind != "multipart/related" or wanted != "application/dicom":
            inbox.rejections.note("web", "form")
            return _words(415, "films come as multipart/related of application/dicom")
        receiver = _Receiver(inbox)
        try:
            await _receive(request, parameters.get("boundary", ""), receiver, timeout_s)
        except BrokenError:
            inbox.rejections.note("web", "form")
            if not receiver.kept:
                return _words(400, "the message is broken or ended too early")
            receiver.failed.append(RefusalError("form", FAILED))
        except TimeoutError:
            inbox.rejections.note("web", "slow")
            return _words(408, "nothing came for too long")
        finally:
            receiver.close()
        return receiver.answer()

    return app


async def _receive(request: Request, boundary: str, receiver: _Receiver, timeout_s: float) -> None:
    message = Multipart(boundary)
    pieces = aiter(request.stream())
    while True:
        try:
            raw = await asyncio.wait_for(anext(pieces), timeout_s)
        except StopAsyncIteration:
            message.finish()
            return
        events = list(message.feed(raw))
        if events:
            await run_in_threadpool(receiver.work, events)


class _Receiver:
    """Parts of one request on their way into the inbox."""

    def __init__(self, inbox: Inbox) -> None:
        self.inbox = inbox
        self.kept: list[tuple[str, str]] = []
        self.failed: list[RefusalError] = []
        self.part: Path | None = None
        self.file: Any = None
        self.size = 0

    def work(self, events: Sequence[Any]) -> None:
        """Takes events in order; a part that is refused is passed over, the rest goes on."""
        for event in events:
            try:
                if isinstance(event, Begin):
                    self._begin()
                elif isinstance(event, Data):
                    self._write(event.raw)
                else:
                    self._end()
            except RefusalError as refusal:
                self._refused(refusal)
            except StopError:
                self._refused(RefusalError("disk", NO_ROOM))

    def _begin(self) -> None:
        self.size = 0
        self.part = self.inbox.begin()
        with disk_errors(self.part):
            self.file = open(self.part, "xb")  # noqa: SIM115 - closed by close()

    def _write(self, raw: bytes) -> None:
        if self.file is None:
            return  # refused already
        self.size += len(raw)
        if self.size > self.inbox.most_bytes:
            raise RefusalError("size", NO_ROOM)
        assert self.part is not None
        with disk_errors(self.part):
            self.file.write(raw)

    def _end(self) -> None:
        if self.file is None or self.part is None:
            return
        with disk_errors(self.part):
            self.file.close()
        _, kind, instance = self.inbox.finish(self.part)
        self.kept.append((kind, instance))
        self.close()

    def _refused(self, refusal: RefusalError) -> None:
        self.inbox.rejections.note("web", refusal.why)
        self.failed.append(refusal)
        self.close()

    def close(self) -> None:
        """Removes what is half there."""
        if self.file is not None:
            self.file.close()
        if self.part is not None:
            self.part.unlink(missing_ok=True)
        self.file = self.part = None

    def answer(self) -> Response:
        """What became of each film (PS3.18 table 10.5.3-1 and section I.2)."""
        body: dict[str, Any] = {}
        if self.kept:
            body["00081199"] = {"vr": "SQ", "Value": [_named(*each) for each in self.kept]}
        if self.failed or not self.kept:
            failed = self.failed or [RefusalError("form", WRONG)]
            body["00081198"] = {
                "vr": "SQ",
                "Value": [
                    {
                        **_named(each.kind, each.instance),
                        "00081197": {"vr": "US", "Value": [each.status]},
                    }
                    for each in failed
                ],
            }
        status = 409 if not self.kept else 202 if self.failed else 200
        return JSONResponse(body, status, media_type=ANSWER)


def _named(kind: str, instance: str) -> dict[str, Any]:
    named = {}
    if kind:
        named["00081150"] = {"vr": "UI", "Value": [kind]}
    if instance:
        named["00081155"] = {"vr": "UI", "Value": [instance]}
    return named


def _words(status: int, words: str) -> Response:
    # The rest of what was sent is not read.
    return Response(words, status, {"connection": "close"}, media_type="text/plain")
