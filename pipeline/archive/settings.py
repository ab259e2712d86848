"""What `squareon archive` can be told."""

from __future__ import annotations

from dataclasses import dataclass, field, fields
from datetime import date
from typing import Any

from pipeline.archive.contract import Wanted
from pipeline.batch.settings import ReadSettings
from pipeline.knee.errors import Problem

HERE, LOCAL = "processes", "local"
"""Engines without an address: processes of this computer, and a cluster started on it."""


@dataclass
class ArchiveSettings(ReadSettings):
    """Settings of `squareon archive`: those that decide a reading, what to read, and by whom.

    Attributes:
        since, until: first and last day of acquisition, YYYY-MM-DD; empty = no limit.
        body_part, modality, station: words of the header, e.g. `modality=[DX,CR]`.
        unknown: read films too whose header is silent about what is asked for.
        engine: `processes` of this computer, `local` for a dask cluster started here, or the
            address of a dask scheduler, e.g. `tcp://scheduler:8786`.
        task: films that go to a worker of a cluster at once.
        patience_s: how long a source or a scheduler that is gone is waited for.
        spool: folder for films that are fetched; empty = the system's own.
        network: options for servers (`pipeline.archive.sources.network.Network`).
    """

    since: str = ""
    until: str = ""
    body_part: list[str] = field(default_factory=list)
    modality: list[str] = field(default_factory=list)
    station: list[str] = field(default_factory=list)
    unknown: bool = True
    engine: str = HERE
    task: int = 200
    patience_s: float = 600.0
    spool: str = ""
    network: dict[str, Any] = field(default_factory=dict)

    def __post_init__(self) -> None:
        super().__post_init__()
        if self.writer:
            what = "squareon archive writes into a store and nothing else"
            raise Problem("writer", what, "leave it out, or use squareon read")
        if self.engine not in (HERE, LOCAL) and "://" not in self.engine:
            raise Problem(
                f"engine={self.engine}",
                "is no engine",
                f"give {HERE}, {LOCAL} or a scheduler's address as tcp://HOST:PORT",
            )
        if not 1 <= self.task <= 5000:
            raise Problem("task", f"{self.task} films are no sensible task", "give 100 to 500")
        if not self.patience_s >= 0:
            raise Problem("patience_s", "is below zero", "give seconds, 0 or more")
        self.wanted()

    def wanted(self) -> Wanted:
        """The filter. Raises `Problem`."""
        return Wanted(
            since=_day("since", self.since),
            until=_day("until", self.until),
            body_part=_words(self.body_part),
            modality=_words(self.modality),
            station=_words(self.station),
            unknown=self.unknown,
        )

    def read(self) -> ReadSettings:
        """The part that decides a reading."""
        return ReadSettings(
            **{each.name: getattr(self, each.name) for each in fields(ReadSettings)}
        )


def _day(name: str, text: str) -> date | None:
    if not text.strip():
        return None
    try:
        return date.fromisoformat(text.strip())
    except ValueError:
        raise Problem(f"{name}={text}", "is no day", "write YYYY-MM-DD") from None


def _words(words: list[str]) -> tuple[str, ...]:
    return tuple(word.strip().upper() for word in words if word.strip())
