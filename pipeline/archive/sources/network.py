"""How servers are talked to: options, TLS, and credentials that come from the environment only."""

from __future__ import annotations

import ipaddress
import os
import ssl
from dataclasses import dataclass

from pipeline.knee.errors import Problem

USER = "SQUAREON_SERVER_USER"
PASSWORD = "SQUAREON_SERVER_PASSWORD"
TOKEN = "SQUAREON_SERVER_TOKEN"
KEY_PASSWORD = "SQUAREON_KEY_PASSWORD"
"""Names of environment variables. What they hold is looked up when a connection is made and kept
in no object that is written out, sent to another process or shown."""

MEGABYTE = 1_000_000


@dataclass(frozen=True)
class Network:
    """Options for reading from a server; no secrets are among them.

    Attributes:
        ca_file: certificates (PEM) of the authorities to believe; empty = those of the system.
        certificate, key: this program's own certificate and its key (PEM), where the server asks
            for one; a key that is locked is opened with the environment's SQUAREON_KEY_PASSWORD.
        plain: talk to the server without TLS although it is another computer.
        title: this program's own AE title.
        fetch_by: `get` (C-GET) or `move` (C-MOVE).
        move_title, move_port: how the server knows the receiver of a C-MOVE: its AE title and the
            port at which this program listens meanwhile.
        move_host: address at which it listens.
        connections: how many are used at once.
        timeout_s: how long one answer may take, seconds.
        attempts: how often is tried what may go better next time.
        backoff_s: pause before the second attempt; each one after is twice as long, 30 s at most.
        page: studies asked for at once.
        max_megabytes: larger films are not fetched.
    """

    ca_file: str = ""
    certificate: str = ""
    key: str = ""
    plain: bool = False
    title: str = "SQUAREON"
    fetch_by: str = "get"
    move_title: str = ""
    move_port: int = 0
    move_host: str = "127.0.0.1"
    connections: int = 2
    timeout_s: float = 60.0
    attempts: int = 5
    backoff_s: float = 0.5
    page: int = 200
    max_megabytes: int = 2000

    def __post_init__(self) -> None:
        for name in ("connections", "attempts", "page", "max_megabytes"):
            if getattr(self, name) < 1:
                raise Problem(f"network.{name}", "is less than 1", "give 1 or more")
        if not self.timeout_s > 0 or not self.backoff_s >= 0:
            raise Problem("network", "a time is not above zero", "give seconds above 0")
        if self.fetch_by not in ("get", "move"):
            what = f"{self.fetch_by} is no way to fetch"
            raise Problem("network.fetch_by", what, "give get or move")
        if self.fetch_by == "move" and not (self.move_port and self.move_title):
            raise Problem(
                "network.fetch_by",
                "a C-MOVE needs an address that the server knows",
                "give network.move_title and network.move_port as they are set up on the server",
            )
        check_title(self.title, "network.title")
        if bool(self.key) and not self.certificate:
            raise Problem("network.key", "there is no certificate to it", "give certificate too")


def check_title(title: str, where: str) -> None:
    """Raises `Problem` unless it is an AE title: 1 to 16 characters, no backslash, no control
    characters, not only spaces (PS3.5 table 6.2-1)."""
    good = 0 < len(title.strip()) <= 16 and title.isascii() and title.isprintable()
    if not good or "\\" in title:
        raise Problem(where, "is no AE title", "give 1 to 16 plain characters")


def is_near(host: str) -> bool:
    """Whether `host` is this computer itself, by name or address."""
    bare = host.strip("[]").lower()
    if bare == "localhost":
        return True
    try:
        return ipaddress.ip_address(bare).is_loopback
    except ValueError:
        return False


def check_plain(host: str, where: str, network: Network) -> None:
    """Raises `Problem` where films or credentials would cross a network in the clear."""
    if is_near(host):
        return
    if not network.plain:
        raise Problem(
            where,
            "would be talked to without encryption",
            "use its TLS address, or network.plain=true where the network itself is protected",
        )
    if any(os.environ.get(name) for name in (USER, PASSWORD, TOKEN)):
        raise Problem(
            where,
            "credentials would be sent without encryption",
            f"use its TLS address, or unset {USER}, {PASSWORD} and {TOKEN}",
        )


def client_tls(network: Network) -> ssl.SSLContext:
    """TLS 1.2 or newer; the server's certificate and host name are always checked."""
    try:
        context = ssl.create_default_context(cafile=network.ca_file or None)
    except (OSError, ssl.SSLError):
        raise _unusable("network.ca_file", network.ca_file) from None
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    load_own(context, network.certificate, network.key, "network.certificate")
    return context


def server_tls(certificate: str, key: str, ca_file: str, where: str) -> ssl.SSLContext:
    """TLS of a listener; with `ca_file`, callers must show a certificate that it vouches for."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    load_own(context, certificate, key, f"{where}certificate")
    if ca_file:
        try:
            context.load_verify_locations(cafile=ca_file)
        except (OSError, ssl.SSLError):
            raise _unusable(f"{where}ca_file", ca_file) from None
        context.verify_mode = ssl.CERT_REQUIRED
    return context


def load_own(context: ssl.SSLContext, certificate: str, key: str, where: str) -> None:
    """Adds the program's own certificate, if it has one. Raises `Problem`."""
    if not certificate:
        return
    try:
        # A function, so that a locked key without the variable never asks at the terminal.
        context.load_cert_chain(
            certificate, key or None, password=lambda: os.environ.get(KEY_PASSWORD, "")
        )
    except (OSError, ssl.SSLError, ValueError):
        raise Problem(
            where,
            f"{certificate} and its key cannot be used",
            f"give PEM files that belong together; {KEY_PASSWORD} opens a locked key",
        ) from None


def too_large(address: str, network: Network) -> Problem:
    """For a film above the limit."""
    return Problem(
        address,
        f"sends a film of more than {network.max_megabytes} MB",
        "raise network.max_megabytes if there are such films",
    )


def _unusable(where: str, path: str) -> Problem:
    return Problem(where, f"{path} holds no certificates", "give a file in PEM form")
