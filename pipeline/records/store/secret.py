"""Text that only the store's key opens: the paths of films, which may carry a patient's name.

AES-SIV (RFC 5297): the same text always gives the same letters, so that rows can be compared and
checked without the key, and a changed letter is noticed. How long a path is can be seen.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
from collections.abc import Mapping
from functools import lru_cache
from typing import TYPE_CHECKING, Any

from pipeline.knee.errors import Problem

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.ciphers.aead import AESSIV

MARK = "closed:"
"""Begins what was closed; stores of earlier versions hold paths as they are."""


def close(key: bytes, text: str) -> str:
    """`text` as it is stored."""
    raw = _cipher(key).encrypt(text.encode("utf-8", "surrogateescape"), None)
    return MARK + base64.urlsafe_b64encode(raw).decode()


def reopen(key: bytes, text: str) -> str:
    """What was closed; other text as it is. Raises `Problem` where it was tampered with."""
    if not text.startswith(MARK):
        return text
    from cryptography.exceptions import InvalidTag

    try:
        raw = _cipher(key).decrypt(base64.urlsafe_b64decode(text.removeprefix(MARK)), None)
    except (InvalidTag, ValueError) as error:
        raise Problem(
            "the store", "holds a path that its key does not open", "run squareon verify"
        ) from error
    return raw.decode("utf-8", "surrogateescape")


def close_film(key: bytes, reading: Mapping[str, Any]) -> dict[str, Any]:
    """An object of `readings.jsonl` with the path of its film closed."""
    film = reading["film"]
    return {**reading, "film": {**film, "source": close(key, film["source"])}}


def reopen_film(key: bytes, reading: Mapping[str, Any]) -> dict[str, Any]:
    """An object of `readings.jsonl` with the path of its film opened again."""
    film = reading["film"]
    return {**reading, "film": {**film, "source": reopen(key, film["source"])}}


@lru_cache(maxsize=8)
def _cipher(key: bytes) -> AESSIV:
    from cryptography.hazmat.primitives.ciphers.aead import AESSIV

    return AESSIV(hmac.new(key, b"path", hashlib.sha512).digest())
