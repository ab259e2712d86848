"""The hash chain: each row of the history holds the hash of the row before it."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from typing import Any

START = "0" * 64
HASHED = (
    "sequence",
    "reading_id",
    "revision",
    "kind",
    "outcome",
    "role",
    "who",
    "at",
    "program",
    "weights",
    "config_sha256",
    "reason",
    "payload",
    "previous",
)


def row_hash(row: Mapping[str, Any]) -> str:
    """SHA-256 (hex) of a row of the history: its columns `HASHED` as one JSON array."""
    text = json.dumps([row[name] for name in HASHED], separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()


def dump(value: Any) -> str:
    """JSON as it stands in the store: plain ASCII, no NaN."""
    return json.dumps(value, allow_nan=False, separators=(",", ":"))
