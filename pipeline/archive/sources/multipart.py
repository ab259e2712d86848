"""Multipart messages, taken apart as they arrive (RFC 2046 section 5.1; DICOM PS3.18 section 8.6).

Both directions use it: answers of a server and films that are pushed to this program. Nothing is
held but the piece at hand, however large a part is.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from email.message import Message

MOST_HEADER = 16_384
"""Bytes of header lines in one part; more is taken for an attack or an accident."""


class BrokenError(ValueError):
    """What came is no multipart message, or it ended too early."""


@dataclass(frozen=True)
class Begin:
    """A part begins; header names in lower case."""

    headers: dict[str, str]


@dataclass(frozen=True)
class Data:
    """Some bytes of the part."""

    raw: bytes


@dataclass(frozen=True)
class End:
    """The part is complete."""


Event = Begin | Data | End


def media_type(text: str) -> tuple[str, dict[str, str]]:
    """A Content-Type as its type, lower case, and its parameters."""
    message = Message()
    message["Content-Type"] = re.sub(r"[\r\n]", " ", text)
    got = message.get_params(failobj=[("", "")])
    return got[0][0].strip().lower(), {key.lower(): value for key, value in got[1:]}


class Multipart:
    """Bytes in with `feed`, events out; `finish` at the end.

    Args:
        boundary: the parameter of the Content-Type.
    """

    def __init__(self, boundary: str) -> None:
        if not 0 < len(boundary) <= 70 or not boundary.isascii():
            raise BrokenError("no boundary")
        self._mark = b"\r\n--" + boundary.encode("ascii")
        # The first boundary may stand at the very beginning, without a line before it.
        self._held = bytearray(b"\r\n")
        self._state = "preamble"

    def feed(self, raw: bytes) -> Iterator[Event]:
        """What has become known with these bytes. Raises `BrokenError`."""
        if self._state == "epilogue":
            return
        self._held += raw
        while True:
            before = (self._state, len(self._held))
            if self._state in ("preamble", "body"):
                yield from self._to_mark()
            elif self._state == "after mark":
                self._after_mark()
            elif self._state == "header":
                yield from self._header()
            elif self._state == "body begins":
                self._body_begins()
            if self._state == "epilogue":
                self._held.clear()
                return
            if before == (self._state, len(self._held)):
                return

    def finish(self) -> None:
        """Raises `BrokenError` where the closing boundary has not come."""
        if self._state != "epilogue":
            raise BrokenError("ended too early")

    def _to_mark(self) -> Iterator[Event]:
        at = self._held.find(self._mark)
        keep = len(self._mark) - 1
        end = at if at >= 0 else max(0, len(self._held) - keep)
        if self._state == "preamble":
            if at < 0 and len(self._held) > MOST_HEADER:
                raise BrokenError("no boundary")
        elif end:
            yield Data(bytes(self._held[:end]))
        if self._state == "body" or at >= 0:
            del self._held[:end]
        if at >= 0:
            del self._held[: len(self._mark)]
            if self._state == "body":
                yield End()
            self._state = "after mark"

    def _after_mark(self) -> None:
        line = self._held.find(b"\n")
        if self._held[:2] == b"--":
            self._state = "epilogue"
        elif line >= 0:
            if self._held[:line].strip(b" \t\r"):
                raise BrokenError("a boundary is followed by other text")
            del self._held[: line + 1]
            self._state = "header"
        elif len(self._held) > 256:
            raise BrokenError("a boundary is followed by other text")

    def _header(self) -> Iterator[Event]:
        if self._held[:2] == b"\r\n":
            end, length = 0, 2
        else:
            end, length = self._held.find(b"\r\n\r\n"), 4
        if end < 0 and len(self._held) <= MOST_HEADER:
            return
        if not 0 <= end <= MOST_HEADER:
            raise BrokenError("a part's header is too long")
        headers = {}
        for line in bytes(self._held[:end]).decode("latin-1").split("\r\n"):
            name, colon, value = line.partition(":")
            if colon:
                headers[name.strip().lower()] = value.strip()
        # The line end before a body is kept: an empty body is followed by its mark at once.
        del self._held[: end + length - 2]
        self._state = "body begins"
        yield Begin(headers)

    def _body_begins(self) -> None:
        if self._held.startswith(self._mark):
            self._state = "body"
        elif not self._mark.startswith(self._held):
            del self._held[:2]
            self._state = "body"
