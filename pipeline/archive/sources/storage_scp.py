"""A storage SCP (C-STORE) for callers from a list only; films arrive whole or not at all.

Written for hostile callers too: an address that is not on the list is hung up on before a byte
of it is looked at, a TLS handshake never holds up the others, lengths are bounded.
"""

from __future__ import annotations

import errno
import socket
import ssl
import struct
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from typing import Any

from pipeline.archive.sources.association import ECHO, OUR_PDU, STORED, SYNTAXES, library
from pipeline.knee.errors import Problem

MOST_PDU = 1 << 20
"""Bytes of one protocol data unit; we ask for less."""

SUCCESS = 0x0000
NO_ROOM = 0xA700
WRONG = 0xC000
"""C-STORE status: done; out of resources; cannot be understood (PS3.4 table B.2-1)."""


@dataclass(frozen=True)
class Pushed:
    """One film as it was sent.

    Attributes:
        kind, instance: SOP class and instance UID by the command, not yet compared.
        raw: the whole file: preamble, meta information, dataset.
    """

    kind: str
    instance: str
    raw: bytes


OURS = "2.25.285903911467213509217642088612137450231"
"""Implementation Class UID of files that are written here; never changed, so that a film that is
sent again is the same file to the byte."""


def pushed_of(event: Any) -> Pushed:
    """The film of a C-STORE request as a file (PS3.10 section 7.1).

    Its meta information holds the least that the standard asks for, nothing about who sent it.
    """
    from pydicom.dataset import FileMetaDataset
    from pydicom.filebase import DicomBytesIO
    from pydicom.filewriter import write_file_meta_info
    from pydicom.uid import UID

    request = event.request
    meta = FileMetaDataset()
    meta.FileMetaInformationVersion = b"\0\1"
    kind, instance = str(request.AffectedSOPClassUID), str(request.AffectedSOPInstanceUID)
    meta.MediaStorageSOPClassUID, meta.MediaStorageSOPInstanceUID = UID(kind), UID(instance)
    meta.TransferSyntaxUID, meta.ImplementationClassUID = event.context.transfer_syntax, UID(OURS)
    head = DicomBytesIO()
    head.write(b"\0" * 128 + b"DICM")
    write_file_meta_info(head, meta)
    dataset = event.encoded_dataset(include_meta=False)
    return Pushed(kind, instance, head.getvalue() + dataset)


@dataclass(frozen=True)
class Door:
    """Who may come in, and how.

    Attributes:
        host, port: where to listen; port 0 = any free one.
        title: our AE title; callers must use it.
        address_may: whether an IP address may connect.
        caller_may: whether an AE title may call from an address; None as title never may.
        tls: for TLS; None = plain.
        certificate_may: whether a caller's certificate (DER) is accepted, where TLS asks for one.
        most_bytes: of one film.
        most_callers: associations at once.
        timeout_s: how long a caller may be silent.
        wait_s: how long a port that is taken is waited for; other processes of ours may listen
            there for a few films.
    """

    host: str
    port: int
    title: str
    address_may: Callable[[str], bool]
    caller_may: Callable[[str, str], bool]
    most_bytes: int
    tls: ssl.SSLContext | None = None
    certificate_may: Callable[[bytes | None], bool] = lambda _: True
    most_callers: int = 8
    timeout_s: float = 60.0
    wait_s: float = 0.0


Rejected = Callable[[str], None]


@contextmanager
def storage_scp(
    door: Door, take: Callable[[Pushed], int], rejected: Rejected = lambda _: None
) -> Iterator[int]:
    """Listens while open; gives the port.

    Args:
        take: keeps a film and gives the status to answer with; called by several threads. Only
            when it has returned is the film acknowledged.
        rejected: told in one word why somebody was turned away, nothing about who.

    Raises `Problem` where the port is taken.
    """
    pynetdicom = library()
    evt = pynetdicom.evt
    entity = pynetdicom.AE(ae_title=door.title)
    entity.require_called_aet = True
    entity.maximum_associations = door.most_callers
    entity.maximum_pdu_size = OUR_PDU
    entity.acse_timeout = entity.dimse_timeout = entity.network_timeout = door.timeout_s
    for kind in STORED:
        entity.add_supported_context(kind, list(SYNTAXES))
    entity.add_supported_context(ECHO)
    held: Counter[int] = Counter()

    def requested(event: Any) -> None:
        caller = event.assoc.requestor
        if not door.caller_may(caller.primitive.calling_ae_title.strip(), caller.address):
            rejected("title")
            event.assoc.acse.send_reject(0x01, 0x01, 0x03)
            event.assoc.kill()

    def received(event: Any) -> None:
        held[id(event.assoc)] += len(event.data)
        if held[id(event.assoc)] > door.most_bytes + MOST_PDU:
            rejected("size")
            hang_up(event.assoc.dul.socket)

    def stored(event: Any) -> int:
        held[id(event.assoc)] = 0
        try:
            pushed = pushed_of(event)
        except Exception:  # whatever a caller sends may break it
            rejected("damaged")
            return WRONG
        return take(pushed)

    def closed(event: Any) -> None:
        held.pop(id(event.assoc), None)

    handlers = [
        (evt.EVT_REQUESTED, requested),
        (evt.EVT_DATA_RECV, received),
        (evt.EVT_C_STORE, stored),
        (evt.EVT_CONN_CLOSE, closed),
    ]
    made = _bound(entity, door, handlers, _classes(door, rejected))
    entity._servers.append(made)
    thread = threading.Thread(target=made.serve_forever, args=(0.1,), daemon=True)
    thread.start()
    try:
        yield int(made.server_address[1])
    finally:
        made.shutdown()
        entity.shutdown()
        thread.join()


def _bound(entity: Any, door: Door, handlers: list[Any], classes: tuple[type, type]) -> Any:
    """The server, bound to its port. Raises `Problem`."""
    until = time.monotonic() + door.wait_s
    server, handler = classes
    while True:
        try:
            return entity.make_server(
                (door.host, door.port),
                evt_handlers=handlers,
                server_class=server,
                request_handler=handler,
            )
        except OSError as error:
            if error.errno == errno.EADDRINUSE and time.monotonic() < until:
                time.sleep(0.1)
                continue
            raise Problem(
                f"{door.host}:{door.port}",
                f"cannot be listened at ({error.strerror or error})",
                "give another port",
            ) from None


def hang_up(wire: Any) -> None:
    """Ends a connection at once, so that what is still on its way is not waited for."""
    with suppress(OSError, AttributeError):  # the caller may have hung up already
        wire.socket.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
    wire.close()


def _classes(door: Door, rejected: Rejected) -> tuple[type, type]:
    from pynetdicom.transport import RequestHandler, ThreadedAssociationServer

    class Handler(RequestHandler):
        def _create_association(self) -> Any:
            made = super()._create_association()
            wire: Any = made.dul.socket
            whole = wire.recv

            def bounded(count: int) -> bytearray:
                if count > MOST_PDU:
                    rejected("size")
                    raise OSError("a data unit is too long")
                return whole(count)

            wire.recv = bounded
            return made

    class Server(ThreadedAssociationServer):
        daemon_threads = True
        block_on_close = False

        def verify_request(self, request: Any, client_address: Any) -> bool:
            allowed = door.address_may(str(client_address[0]))
            if not allowed:
                rejected("address")
            return allowed

        def process_request_thread(self, request: Any, client_address: Any) -> None:
            try:
                request.settimeout(door.timeout_s)
                if door.tls is not None:
                    request = door.tls.wrap_socket(request, server_side=True)
                    if not door.certificate_may(request.getpeercert(binary_form=True)):
                        rejected("certificate")
                        self.shutdown_request(request)
                        return
            except OSError:
                rejected("TLS")
                self.shutdown_request(request)
                return
            super().process_request_thread(request, client_address)

        def handle_error(self, request: Any, client_address: Any) -> None:
            rejected("error")  # and no traceback, which names the caller

    return Server, Handler
