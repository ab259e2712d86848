"""Associations with a DICOM server: opened with a plain reason where that fails (PS3.8, PS3.7)."""

from __future__ import annotations

import logging
import os
import socket
import ssl
import warnings
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any
from urllib.parse import unquote, urlsplit

from pipeline.archive.sources.network import (
    PASSWORD,
    USER,
    Network,
    check_plain,
    check_title,
    client_tls,
)
from pipeline.archive.sources.patience import PassingError
from pipeline.knee.errors import Problem
from pipeline.readers.dicom import FILMS

PLAIN_PORT, TLS_PORT = 104, 2762
"""PS3.8 section 9.1.1 and PS3.15 annex B.1; many servers listen at 11112 or elsewhere."""

FIND = "1.2.840.10008.5.1.4.1.2.2.1"
MOVE = "1.2.840.10008.5.1.4.1.2.2.2"
GET = "1.2.840.10008.5.1.4.1.2.2.3"
ECHO = "1.2.840.10008.1.1"

ONE_BIT = "1.2.840.10008.5.1.4.1.1.7.1"
STORED = tuple(sorted(FILMS - {ONE_BIT}))
"""SOP classes to fetch and to accept: films, but pictures of single bits."""

SYNTAXES = (
    "1.2.840.10008.1.2.1",  # explicit, little endian
    "1.2.840.10008.1.2",  # implicit, little endian
    "1.2.840.10008.1.2.4.50",  # JPEG, 8 bit
    "1.2.840.10008.1.2.4.51",  # JPEG, 12 bit
    "1.2.840.10008.1.2.4.57",  # JPEG, lossless
    "1.2.840.10008.1.2.4.70",  # JPEG, lossless, first-order prediction
    "1.2.840.10008.1.2.4.80",  # JPEG-LS, lossless
    "1.2.840.10008.1.2.4.81",  # JPEG-LS
    "1.2.840.10008.1.2.4.90",  # JPEG 2000, lossless
    "1.2.840.10008.1.2.4.91",  # JPEG 2000
    "1.2.840.10008.1.2.5",  # RLE
)
"""Transfer syntaxes that are fetched and accepted as they are stored. A deflated dataset is not
among them: a small file could swell to fill the memory. 11 of 11 SOP classes keep an association
below its 128 presentation contexts."""


OUR_PDU = 131_072
"""Bytes of one protocol data unit that may be sent to us; films come in fewer pieces than with the
library's 16 KB."""


@dataclass(frozen=True)
class Place:
    """Where a DICOM server is."""

    title: str
    host: str
    port: int
    tls: bool

    @property
    def address(self) -> str:
        """As given by the user; names the server in messages."""
        scheme = "dicom-tls" if self.tls else "dicom"
        host = f"[{self.host}]" if ":" in self.host else self.host
        return f"{scheme}://{self.title}@{host}:{self.port}"


def place_of(address: str, network: Network) -> Place:
    """dicom://TITLE@HOST:PORT or dicom-tls://TITLE@HOST:PORT. Raises `Problem`."""
    parts = urlsplit(address)
    if parts.password is not None:
        raise Problem(
            f"{parts.scheme}://{parts.hostname}",
            "the address holds a password, which would be written down",
            f"take it out and set {USER} and {PASSWORD} in the environment",
        )
    try:
        port = parts.port
    except ValueError:
        port = -1
    title = unquote(parts.username or "")
    if port == -1 or not parts.hostname or not title or parts.path.strip("/") or parts.query:
        raise Problem(address, "is no address of a DICOM server", "give dicom://TITLE@HOST:PORT")
    check_title(title, address)
    tls = parts.scheme == "dicom-tls"
    place = Place(title, parts.hostname, port or (TLS_PORT if tls else PLAIN_PORT), tls)
    if not tls:
        check_plain(place.host, place.address, network)
    return place


def library() -> Any:
    """pynetdicom, told to keep to itself what it sees. Raises `Problem` where it is missing."""
    try:
        import pynetdicom
        from pynetdicom import _config
    except ImportError:
        raise Problem(
            "DICOM server",
            "the package that talks to it is not installed",
            "install squareon[archive]",
        ) from None
    silence()
    _config.LOG_HANDLER_LEVEL = "none"
    _config.LOG_RESPONSE_IDENTIFIERS = _config.LOG_REQUEST_IDENTIFIERS = False
    return pynetdicom


def silence() -> None:
    """Keeps the libraries' own logs and warnings, which quote headers and queries, to themselves.

    For the whole process: their threads decode what comes.
    """
    for name in ("pynetdicom", "pydicom"):
        logging.getLogger(name).setLevel(logging.CRITICAL + 1)
    warnings.filterwarnings("ignore", module=r"pydicom\b")


def film_contexts() -> list[Any]:
    """One presentation context for each kind of film and transfer syntax.

    With one syntax in each, the sender need not write a film in another syntax than it is stored.
    """
    build = library().build_context
    return [build(kind, syntax) for kind in STORED for syntax in SYNTAXES]


@contextmanager
def association(
    place: Place,
    network: Network,
    contexts: Sequence[Any],
    *,
    roles: Sequence[Any] = (),
    handlers: Sequence[tuple[Any, Callable[..., Any]]] = (),
) -> Iterator[Any]:
    """An open association, released at the end. Raises `PassingError` and `Problem`."""
    pynetdicom = library()
    entity = pynetdicom.AE(ae_title=network.title)
    entity.acse_timeout = entity.dimse_timeout = network.timeout_s
    entity.connection_timeout = entity.network_timeout = network.timeout_s
    opened: list[bool] = []
    made = entity.associate(
        _numeric(place),
        place.port,
        contexts=list(contexts),
        ae_title=place.title,
        max_pdu=OUR_PDU,
        ext_neg=[*roles, *_who()],
        tls_args=(client_tls(network), place.host) if place.tls else None,
        evt_handlers=[(pynetdicom.evt.EVT_CONN_OPEN, lambda _: opened.append(True)), *handlers],
    )
    if not made.is_established:
        raise _why_not(place, network, made, bool(opened))
    # A question goes in two pieces; the second is not to wait until the first is acknowledged.
    made.dul.socket.socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    try:
        yield made
    finally:
        if made.is_established:
            made.release()


def _numeric(place: Place) -> str:
    """The host's address: the library takes a name of IPv6 for one of IPv4."""
    try:
        found = socket.getaddrinfo(place.host, place.port, type=socket.SOCK_STREAM)
    except OSError:
        raise PassingError(
            place.address, "is a name that no computer is known by", "check the address"
        ) from None
    found.sort(key=lambda each: each[0] != socket.AF_INET)
    return str(found[0][4][0])


def _who() -> list[Any]:
    """User identity (PS3.7 annex D.3.3.7) from the environment, where it names one."""
    user = os.environ.get(USER)
    if not user:
        return []
    from pynetdicom.pdu_primitives import UserIdentityNegotiation

    who = UserIdentityNegotiation()
    who.user_identity_type = 2
    who.primary_field = user.encode()
    who.secondary_field = os.environ.get(PASSWORD, "").encode()
    return [who]


REASONS = {
    (1, 3): ("does not know our AE title", "set network.title to one that the server accepts"),
    (1, 7): ("is called by another AE title", "correct the title in the address"),
    (2, 1): ("does not let us in", f"set {USER} and {PASSWORD} in the environment"),
}
"""Source and diagnostic of a rejection (PS3.8 table 9-21)."""


def _why_not(place: Place, network: Network, made: Any, opened: bool) -> Problem:
    if made.is_rejected:
        answer = made.acceptor.primitive
        known = REASONS.get((answer.result_source, answer.diagnostic))
        if known is not None and answer.result == 1:
            return Problem(place.address, *known)
        if answer.result == 2 or answer.result_source == 3:
            return PassingError(place.address, "is busy", "try again later")
        return Problem(
            place.address,
            "refuses the association",
            "ask whoever runs the server whether our AE title and address are set up there",
        )
    if place.tls and (wrong := _tls_objection(place, network)):
        return wrong
    if opened:
        return PassingError(
            place.address,
            "does not answer as a DICOM server does",
            "check the port, and whether the server wants TLS (dicom-tls://)",
        )
    return PassingError(
        place.address, "cannot be reached", "check the address, and that the server runs"
    )


def _tls_objection(place: Place, network: Network) -> Problem | None:
    """Whether it is the certificates; the library does not tell."""
    try:
        with (
            socket.create_connection((place.host, place.port), network.timeout_s) as wire,
            client_tls(network).wrap_socket(wire, server_hostname=place.host) as safe,
        ):
            # TLS 1.3: that our certificate is refused comes only after the handshake.
            safe.settimeout(min(1.0, network.timeout_s))
            safe.recv(1)
    except ssl.SSLError:
        return Problem(
            place.address,
            "shows a certificate that cannot be trusted, or refuses ours",
            "give network.ca_file, network.certificate and the name that the certificate has",
        )
    except OSError:
        return None
    return None
