"""Certificates made for one test run with the openssl command."""

from __future__ import annotations

import shutil
import ssl
import subprocess
from dataclasses import dataclass
from pathlib import Path

import pytest


@dataclass(frozen=True)
class Certificates:
    """PEM files. `other_*` come from another authority; `elsewhere` names another host."""

    ca: str
    server: str
    server_key: str
    client: str
    client_key: str
    other_client: str
    other_client_key: str
    elsewhere: str
    elsewhere_key: str


def make_certificates(folder: Path) -> Certificates:
    """Two authorities and their certificates. Skips where there is no openssl."""
    if shutil.which("openssl") is None:
        pytest.skip("the openssl command is not installed")
    for authority in ("ca", "other"):
        _openssl(
            folder, "req", "-x509", *NEW, "-keyout", f"{authority}.key", "-out",
            f"{authority}.pem", "-subj", f"/CN=Invented {authority}", "-days", "2",
            "-addext", "keyUsage=critical,keyCertSign",
        )  # fmt: skip
    here = "DNS:localhost,IP:127.0.0.1"
    _signed(folder, "server", "ca", here)
    _signed(folder, "elsewhere", "ca", "DNS:elsewhere.example")
    _signed(folder, "client", "ca", "DNS:client.example")
    _signed(folder, "stranger", "other", "DNS:client.example")
    at = {name: str(folder / name) for name in
          ("ca.pem", "server.pem", "server.key", "client.pem", "client.key", "stranger.pem",
           "stranger.key", "elsewhere.pem", "elsewhere.key")}  # fmt: skip
    return Certificates(*at.values())


def server_tls(
    certificates: Certificates, name: str = "server", ask: bool = False
) -> ssl.SSLContext:
    """A server's context with one of the certificates; `ask`: callers must show one too."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(getattr(certificates, name), getattr(certificates, f"{name}_key"))
    if ask:
        context.load_verify_locations(certificates.ca)
        context.verify_mode = ssl.CERT_REQUIRED
    return context


NEW = ("-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes")


def _signed(folder: Path, name: str, authority: str, names: str) -> None:
    _openssl(folder, "req", *NEW, "-keyout", f"{name}.key", "-out", f"{name}.csr", "-subj",
             f"/CN=Invented {name}")  # fmt: skip
    (folder / f"{name}.ext").write_text(f"subjectAltName={names}\n")
    _openssl(folder, "x509", "-req", "-in", f"{name}.csr", "-CA", f"{authority}.pem", "-CAkey",
             f"{authority}.key", "-CAcreateserial", "-out", f"{name}.pem", "-days", "2",
             "-extfile", f"{name}.ext")  # fmt: skip


def _openssl(folder: Path, *words: str) -> None:
    done = subprocess.run(["openssl", *words], cwd=folder, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
