"""Settings of `squareon receive`, checked before anything listens."""

from __future__ import annotations

import ipaddress
import os
import re
from dataclasses import dataclass, field

from pipeline.archive.sources.network import check_title, is_near
from pipeline.knee.errors import Problem

TOKEN_PREFIX = "SQUAREON_TOKEN_"
LEAST_TOKEN = 16


@dataclass
class ReceiveSettings:
    """Who may push films, and where this program listens.

    Attributes:
        senders: who may push by C-STORE, each as TITLE@ADDRESS (an IP address): both must fit.
        tokens: names of those who may push by STOW-RS; the token of ROOM1 is taken from the
            environment, SQUAREON_TOKEN_ROOM1, and is at least 16 characters long.
        certificates: SHA-256 fingerprints of the callers' certificates that are accepted; empty =
            every one that `ca_file` vouches for.
        ca_file: authorities (PEM) whose certificates callers must show; empty = none is asked for.
        certificate, key: this program's own certificate and key (PEM), for TLS. A locked key is
            opened with the environment's SQUAREON_KEY_PASSWORD.
        plain: listen without TLS although other computers can reach it.
        title: this program's AE title.
        host: address to listen at.
        port: for C-STORE; -1 = not at all, 0 = any free one.
        web_port: for STOW-RS; -1 = not at all, 0 = any free one.
        max_megabytes: larger films are refused.
        max_gigabytes: the inbox takes no more when it holds this much.
        min_free_gigabytes: nor when the disk has less room than this.
        callers: associations at once; also requests at once.
        timeout_s: how long a caller may be silent, seconds.
    """

    senders: list[str] = field(default_factory=list)
    tokens: list[str] = field(default_factory=list)
    certificates: list[str] = field(default_factory=list)
    ca_file: str = ""
    certificate: str = ""
    key: str = ""
    plain: bool = False
    title: str = "SQUAREON"
    host: str = "127.0.0.1"
    port: int = 11112
    web_port: int = -1
    max_megabytes: int = 500
    max_gigabytes: float = 100.0
    min_free_gigabytes: float = 2.0
    callers: int = 8
    timeout_s: float = 60.0

    def __post_init__(self) -> None:
        check_title(self.title, "title")
        for name in ("port", "web_port"):
            if not -1 <= getattr(self, name) <= 65535:
                raise Problem(name, "is no port", "give a number from 0 to 65535, or -1 for none")
        if self.port < 0 and self.web_port < 0:
            raise Problem("port", "nothing would be listened at", "give port or web_port")
        for name in ("max_megabytes", "max_gigabytes", "callers", "timeout_s"):
            if not getattr(self, name) > 0:
                raise Problem(name, "is not above zero", "give more")
        if self.port >= 0 and not self.senders:
            raise Problem("senders", "nobody may push films", "name them as TITLE@ADDRESS")
        self.known_senders()
        self._check_tls()
        if self.web_port >= 0 and not self.tokens and not self.ca_file:
            raise Problem(
                "tokens",
                "anybody could push films by STOW-RS",
                "name tokens, or ask callers for a certificate with ca_file",
            )
        self.known_fingerprints()
        self.known_tokens()

    def _check_tls(self) -> None:
        if (self.ca_file or self.certificates) and not self.certificate:
            raise Problem(
                "certificate", "callers' certificates need TLS", "give certificate and key"
            )
        if self.certificates and not self.ca_file:
            raise Problem("ca_file", "is needed to ask callers for certificates", "give it")
        if not self.certificate and not is_near(self.host) and not self.plain:
            raise Problem(
                "host",
                f"{self.host} can be reached from other computers, and films would come in plain",
                "give certificate and key, or plain=true where the network itself is protected",
            )
        if self.plain and self.tokens and not self.certificate and not is_near(self.host):
            raise Problem(
                "plain", "tokens would be sent without encryption", "give certificate and key"
            )

    def known_senders(self) -> frozenset[tuple[str, str]]:
        """AE title and IP address of each sender. Raises `Problem`."""
        known = set()
        for each in self.senders:
            title, at, address = each.rpartition("@")
            try:
                plain_address = str(ipaddress.ip_address(address.strip("[] ")))
            except ValueError:
                at = ""
            if not at:
                raise Problem("senders", f"{each} is no sender", "write TITLE@ADDRESS")
            check_title(title, "senders")
            known.add((title.strip(), plain_address))
        return frozenset(known)

    def known_fingerprints(self) -> frozenset[str]:
        """SHA-256 in lower case hex without colons. Raises `Problem`."""
        known = {re.sub(r"[:\s]", "", each).lower() for each in self.certificates}
        if not all(re.fullmatch(r"[0-9a-f]{64}", each) for each in known):
            raise Problem(
                "certificates",
                "one is no SHA-256 fingerprint",
                "take it from openssl x509 -noout -fingerprint -sha256 -in FILE",
            )
        return frozenset(known)

    def known_tokens(self) -> tuple[bytes, ...]:
        """The tokens from the environment, in no order that tells names. Raises `Problem`."""
        known = []
        for name in self.tokens:
            variable = TOKEN_PREFIX + name.upper()
            value = os.environ.get(variable, "")
            if not re.fullmatch(r"\w+", name) or len(value) < LEAST_TOKEN:
                raise Problem(
                    variable,
                    f"holds no token of at least {LEAST_TOKEN} characters",
                    "set it in the environment",
                )
            known.append(value.encode())
        return tuple(known)
