"""Opens a store, builds the review server, runs it until it is interrupted."""

from __future__ import annotations

import errno
import secrets
import socket
import webbrowser
from collections.abc import Callable

import uvicorn

from pipeline.batch import parts_of, readers_of
from pipeline.knee.errors import Problem
from pipeline.records.store import Store
from pipeline.review.app import Facts, create_app
from pipeline.review.desk import Desk
from pipeline.review.films import FilmRoom
from pipeline.review.guard import Guard, host_names, is_loopback
from pipeline.review.settings import ReviewSettings


def desk_of(store: Store, settings: ReviewSettings) -> Desk:
    """The desk with the stages that the settings name. Raises `Problem`."""
    read = settings.read()
    parts = parts_of(read)
    return Desk(store, FilmRoom(readers_of(read), parts.detector), parts)


def build(store: Store, settings: ReviewSettings, port: int, desk: Desk) -> tuple[Guard, str, str]:
    """The guarded application, the address to print, and the token."""
    made = settings.token in ("", "new")
    token = secrets.token_urlsafe(32) if made else settings.token
    hand_out = settings.token == ""
    facts = Facts(
        store=store.url.render_as_string(hide_password=True),
        reviewers=settings.reviewers,
        note=settings.note,
        tolerance_deg=desk.parts.align.tolerance_deg,
    )
    hosts = host_names(settings.host, port, tuple(settings.names))
    guard = create_app(desk, facts, token, hosts, hand_out)
    shown = settings.names[0] if settings.host in ("0.0.0.0", "::") else settings.host
    name = shown if shown.rpartition(":")[2].isdigit() else f"{shown}:{port}"
    # The part after # stays in the browser: no log and no referrer ever holds it.
    address = f"http://{name}/" + ("" if hand_out else f"#token={token}")
    return guard, address, token


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


def serve(
    store: Store,
    settings: ReviewSettings,
    *,
    say: Callable[[str], None] = print,
    browser: bool = True,
) -> None:
    """Serves until interrupted."""
    desk = desk_of(store, settings)
    made = listen(settings.host, settings.port)
    port = made.getsockname()[1]
    guard, address, _ = build(store, settings, port, desk)
    say(f"review page: {address}")
    config = uvicorn.Config(
        guard, log_level="warning", access_log=False, server_header=False, lifespan="off"
    )
    server = uvicorn.Server(config)
    if browser and is_loopback(settings.host):
        webbrowser.open(address)
    server.run(sockets=[made])
