"""The store's key, kept outside the store, and what is computed with it."""

from __future__ import annotations

import hashlib
import hmac
import os
import secrets
import stat
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path

from pipeline.knee.errors import Problem

VARIABLE = "SQUAREON_STORE_KEY"
LEAST = 16
KINDS = {"operator": "op", "station": "st"}
"""Whose names become codes, and how these begin."""
CODE_LENGTH = 10


def keyed(key: bytes, purpose: str, text: str) -> str:
    """HMAC-SHA256 (RFC 2104) in hex; `purpose` keeps digests of different uses apart."""
    raw = f"{purpose}\0{text}".encode("utf-8", "surrogateescape")  # names of files need not be text
    return hmac.new(key, raw, hashlib.sha256).hexdigest()


def code_of(key: bytes, kind: str, name: str) -> str:
    """The code that stands for an operator's or a station's name, however it is written."""
    plain = " ".join(name.replace("^", " ").split()).upper()
    return f"{KINDS[kind]}-{keyed(key, kind, plain)[:CODE_LENGTH]}"


def key_file(store: Path) -> Path:
    """Where the key of a store in a file lies: beside it."""
    return store.with_name(store.name + ".key")


def find_key(store: Path | None, environment: Mapping[str, str] = os.environ) -> bytes:
    """The key: from the environment, else the file beside the store, made if the store is new.

    Raises `Problem` where there is none, it is too short, or others may read the file.
    """
    if given := environment.get(VARIABLE):
        return checked(given.strip().encode(), f"environment variable {VARIABLE}")
    if store is None:
        raise Problem(
            f"environment variable {VARIABLE}",
            "is not set, and a store on a database server has no file beside it",
            f"set it to the store's key, at least {LEAST} characters",
        )
    path = key_file(store)
    if not path.exists():
        if store.exists():
            raise Problem(
                str(path),
                "the store's key is gone",
                f"put the file back, or set {VARIABLE} to its content",
            )
        _make(path)
    if os.name == "posix" and stat.S_IMODE(path.stat().st_mode) & 0o077:
        raise Problem(str(path), "others may read the store's key", f"run chmod 600 {path.name}")
    return checked(path.read_bytes().strip(), str(path))


def checked(key: bytes, source: str) -> bytes:
    """The key; raises `Problem` where it is too short, naming the `source` that it came from."""
    if len(key) < LEAST:
        raise Problem(
            source, f"the key is shorter than {LEAST} characters", "give the store's own key"
        )
    return key


def _make(path: Path) -> None:
    """A new key file that only its owner may read; a file made meanwhile is left alone."""
    path.parent.mkdir(parents=True, exist_ok=True)
    part = path.with_name(f".{path.name}.{secrets.token_hex(4)}")
    handle = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    try:
        with os.fdopen(handle, "w") as file:
            file.write(secrets.token_hex(32) + "\n")
            file.flush()
            os.fsync(file.fileno())
        with suppress(FileExistsError):  # another process was first
            os.link(part, path)  # never half a file
    finally:
        part.unlink(missing_ok=True)
