"""Opens the doors through which films are pushed, and keeps them open until interrupted."""

from __future__ import annotations

import hashlib
import ipaddress
import socket
import ssl
import threading
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

from pipeline.archive.inbox.keep import Inbox, RefusalError
from pipeline.archive.inbox.settings import ReceiveSettings
from pipeline.archive.sources.network import server_tls
from pipeline.archive.sources.storage_scp import NO_ROOM, SUCCESS, Door, Pushed, storage_scp
from pipeline.knee.errors import Problem
from pipeline.records.files import StopError


@contextmanager
def open_doors(
    folder: Path, settings: ReceiveSettings, say: Callable[[str], None]
) -> Iterator[Inbox]:
    """Listens while open; both doors have threads of their own. Raises `Problem`."""
    tls = None
    if settings.certificate:
        tls = server_tls(settings.certificate, settings.key, settings.ca_file, "")
    inbox = Inbox(
        folder, settings.max_megabytes, settings.max_gigabytes, settings.min_free_gigabytes
    )
    with ExitStack() as stack:
        stack.callback(inbox.rejections.flush)
        if settings.port >= 0:
            port = stack.enter_context(_store_door(inbox, settings, tls))
            how = "TLS" if tls else "plain"
            say(f"C-STORE: {settings.title} at {settings.host}:{port} ({how})")
        if settings.web_port >= 0:
            address = stack.enter_context(_web_door(inbox, settings, tls))
            say(f"STOW-RS: {address}")
        yield inbox


def _accepted(settings: ReceiveSettings) -> Callable[[bytes | None], bool]:
    known = settings.known_fingerprints()

    def may(certificate: bytes | None) -> bool:
        if not known:
            return True  # TLS has checked it where one is asked for
        return certificate is not None and hashlib.sha256(certificate).hexdigest() in known

    return may


def _store_door(inbox: Inbox, settings: ReceiveSettings, tls: ssl.SSLContext | None) -> Any:
    senders = settings.known_senders()
    addresses = {address for _, address in senders}

    def take(pushed: Pushed) -> int:
        try:
            inbox.take(pushed.raw, pushed.kind, pushed.instance)
        except RefusalError as refusal:
            inbox.rejections.note("store", refusal.why)
            return refusal.status
        except StopError:
            inbox.rejections.note("store", "disk")
            return NO_ROOM
        return SUCCESS

    door = Door(
        host=settings.host,
        port=settings.port,
        title=settings.title,
        address_may=lambda address: _plain(address) in addresses,
        caller_may=lambda title, address: (title, _plain(address)) in senders,
        tls=tls,
        certificate_may=_accepted(settings),
        most_bytes=inbox.most_bytes,
        most_callers=settings.callers,
        timeout_s=settings.timeout_s,
    )
    return storage_scp(door, take, lambda why: inbox.rejections.note("store", why))


def _plain(address: str) -> str:
    """An IP address in one spelling; IPv4 that came over an IPv6 socket as IPv4."""
    found = ipaddress.ip_address(address.partition("%")[0])
    mapped = found.ipv4_mapped if isinstance(found, ipaddress.IPv6Address) else None
    return str(mapped or found)


@contextmanager
def _web_door(inbox: Inbox, settings: ReceiveSettings, tls: ssl.SSLContext | None) -> Iterator[str]:
    import uvicorn

    from pipeline.archive.inbox.web import ROOT, create_app

    app = create_app(inbox, settings.known_tokens(), settings.timeout_s)
    config = uvicorn.Config(
        app,
        http=_protocol(settings, lambda why: inbox.rejections.note("web", why)),
        log_level="critical",
        access_log=False,
        server_header=False,
        lifespan="off",
        limit_concurrency=4 * settings.callers,
        timeout_keep_alive=int(max(1, min(30, settings.timeout_s))),
        timeout_graceful_shutdown=5,
    )
    config.load()
    config.ssl = tls
    server = uvicorn.Server(config)
    server.install_signal_handlers = lambda: None  # type: ignore[method-assign,attr-defined]
    listening = _listen(settings.host, settings.web_port)
    port = listening.getsockname()[1]
    thread = threading.Thread(target=server.run, args=([listening],), daemon=True)
    thread.start()
    host = f"[{settings.host}]" if ":" in settings.host else settings.host
    try:
        yield f"{'https' if tls else 'http'}://{host}:{port}{ROOT}"
    finally:
        server.should_exit = True
        thread.join()
        listening.close()


def _protocol(settings: ReceiveSettings, rejected: Callable[[str], None]) -> type:
    from uvicorn.protocols.http.h11_impl import H11Protocol

    accepted = _accepted(settings)

    class Checked(H11Protocol):
        def connection_made(self, transport: Any) -> None:
            super().connection_made(transport)
            safe = transport.get_extra_info("ssl_object")
            if not accepted(safe.getpeercert(binary_form=True) if safe else None):
                rejected("certificate")
                transport.abort()
                return
            # Whoever connects and asks for nothing is not waited for.
            self.loop.call_later(settings.timeout_s, self._still_silent)

        def _still_silent(self) -> None:
            if self.cycle is None and not self.transport.is_closing():
                rejected("slow")
                self.transport.abort()

    return Checked


def _listen(host: str, port: int) -> socket.socket:
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    made = socket.socket(family, socket.SOCK_STREAM)
    made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        made.bind((host.strip("[]"), port))
        made.listen(64)
    except OSError as error:
        made.close()
        raise Problem(
            f"{host}:{port}",
            f"cannot be listened at ({error.strerror or error})",
            "give another port",
        ) from None
    return made
