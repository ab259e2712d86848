"""Entries made from rows of the history, and the worklist's columns made from entries."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import Any

from pipeline.records.store import gain
from pipeline.records.store.model import Entry
from pipeline.records.store.standing import UNDECIDED, stand


def entry_of(row: Mapping[str, Any]) -> Entry:
    """One row of the history as an entry."""
    payload = json.loads(row["payload"])
    if row["kind"] == "add":
        payload = payload["reading"]
    elif row["kind"] in ("tag", "untag", "move"):
        payload = None
    names = (
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
        "hash",
    )
    return Entry(**{name: row[name] for name in names}, final=payload)


def location_after(rows: Sequence[Mapping[str, Any]]) -> str:
    """Where a reading's film is, after all rows of its history."""
    moves = [row for row in rows if row["kind"] in ("add", "move")]
    return str(json.loads(moves[-1]["payload"])["location"])


def tags_after(rows: Sequence[Mapping[str, Any]]) -> set[str]:
    """A reading's tags after all rows of its history."""
    tags: set[str] = set()
    for row in rows:
        if row["kind"] == "tag":
            tags |= set(json.loads(row["payload"])["tags"])
        elif row["kind"] == "untag":
            tags -= set(json.loads(row["payload"])["tags"])
    return tags


def head_columns(entries: Sequence[Entry], location: str) -> dict[str, Any]:
    """The row of `heads` that belongs to a reading's whole history.

    While decisions are hidden from readers the columns are those of the original, so that the
    worklist gives nothing away.
    """
    original = entries[0].final
    assert original is not None
    standing = stand(entries)
    shown = original
    if standing.counts is not None and standing.counts.final is not None:
        shown = standing.counts.final
    return {
        "revision": entries[-1].revision,
        "state": standing.state,
        "decided": int(standing.state not in UNDECIDED),
        "source": original["film"]["source"],
        "location": location,
        "study": original["film"]["study_digest"],
        "changed_at": entries[-1].at,
        **gain.columns(shown),
    }
