"""How a local page is served: its address, its token, its files, until it is interrupted."""

from __future__ import annotations

import errno
import html
import secrets
import socket
import webbrowser
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import uvicorn
from fastapi import Response
from fastapi.staticfiles import StaticFiles

from pipeline.knee.errors import Problem
from pipeline.review.guard import Guard, host_names, is_loopback
from pipeline.review.settings import ServedSettings

PAGE = Path(__file__).parent / "page"
MEMORY = {"cache-control": "no-cache"}


class PageFiles(StaticFiles):
    """A page's own files, asked for anew each time so that an update is never half old."""

    def file_response(self, *arguments: Any, **words: Any) -> Response:
        response = super().file_response(*arguments, **words)
        response.headers["cache-control"] = MEMORY["cache-control"]
        return response


def index_of(page: Path, token: str) -> str:
    """A page's first file, with the token that it hands back; "" for none."""
    index = (page / "index.html").read_text(encoding="utf-8")
    return index.replace("{{token}}", html.escape(token, quote=True))


def told(error: Problem) -> dict[str, str]:
    """The sentence; of a path only the last two names, others need not see the rest."""
    source = "/".join(Path(error.source).parts[-2:]) if "/" in error.source else error.source
    return {"source": source, "what": error.what, "do": error.do}


@dataclass(frozen=True)
class Entrance:
    """Who may come in, and where.

    Attributes:
        token: that every call carries.
        hand_out: whether the page itself brings the token along (on loopback); otherwise it
            comes with the printed address.
        hosts: Host headers that are answered.
        address: to print.
    """

    token: str
    hand_out: bool
    hosts: frozenset[str]
    address: str


def entrance(settings: ServedSettings, port: int) -> Entrance:
    """The entrance that the settings ask for, at the port that was found free."""
    made = settings.token in ("", "new")
    token = secrets.token_urlsafe(32) if made else settings.token
    hand_out = settings.token == ""
    hosts = host_names(settings.host, port, tuple(settings.names))
    shown = settings.names[0] if settings.host in ("0.0.0.0", "::") else settings.host
    name = shown if shown.rpartition(":")[2].isdigit() else f"{shown}:{port}"
    # The part after # stays in the browser: no log and no referrer ever holds it.
    address = f"http://{name}/" + ("" if hand_out else f"#token={token}")
    return Entrance(token, hand_out, hosts, address)


def listen(host: str, port: int) -> socket.socket:
    """A listening socket. Raises `Problem` where the port is taken."""
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    wanted = host.strip("[]")
    made = socket.socket(family, socket.SOCK_STREAM)
    made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        made.bind((wanted, port))
    except OSError as error:
        made.close()
        taken = error.errno == errno.EADDRINUSE
        what = "is in use" if taken else f"cannot be listened at ({error.strerror or error})"
        raise Problem(f"{host}:{port}", what, "give another port, or port=0 for any") from None
    return made


def run(
    guard: Guard,
    made: socket.socket,
    settings: ServedSettings,
    words: str,
    *,
    say: Callable[[str], None],
    browser: bool,
) -> None:
    """Says `words`, opens the browser where asked to, serves until interrupted."""
    say(words)
    config = uvicorn.Config(
        guard, log_level="warning", access_log=False, server_header=False, lifespan="off"
    )
    server = uvicorn.Server(config)
    if browser and is_loopback(settings.host):
        webbrowser.open(words.rpartition(" ")[2])
    server.run(sockets=[made])
