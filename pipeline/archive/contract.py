"""What the engine and a source of films agree on.

A source is made anew in every process that fetches from it: it must survive pickling, and opens
its connections when it is first used. It holds no password; credentials are read from the
environment where they are needed.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Protocol, runtime_checkable

from pipeline.knee.errors import Problem


class GoneError(Problem):
    """The source itself cannot be reached: the engine waits and asks again.

    A film that alone cannot be had is a plain `Problem` yielded by `Source.fetch`.
    """


@dataclass(frozen=True)
class Wanted:
    """Which films to read; an empty field asks for nothing in particular.

    Attributes:
        since, until: first and last day of acquisition, both included; where a film does not
            say when it was taken, the study's date counts.
        body_part: Body Part Examined, upper case, e.g. ("KNEE", "LEG").
        modality: DICOM modality, upper case, e.g. ("DX", "CR").
        station: Station Name as written, any case of letters.
        unknown: films whose header is silent about what is asked for are wanted too. True by
            default: no film is lost because its header is poor.
    """

    since: date | None = None
    until: date | None = None
    body_part: tuple[str, ...] = ()
    modality: tuple[str, ...] = ()
    station: tuple[str, ...] = ()
    unknown: bool = True

    def __post_init__(self) -> None:
        if self.since and self.until and self.since > self.until:
            raise Problem("since", f"{self.since} is after {self.until}", "exchange the two")

    @property
    def everything(self) -> bool:
        """Whether no film is left out, so that headers need not be looked at."""
        return not (self.since or self.until or self.body_part or self.modality or self.station)

    def takes(
        self,
        *,
        day: date | None = None,
        body_part: str | None = None,
        modality: str | None = None,
        station: str | None = None,
    ) -> bool:
        """Whether a film with such a header is wanted; None = its header is silent."""
        if day is None:
            if (self.since or self.until) and not self.unknown:
                return False
        elif (self.since and day < self.since) or (self.until and day > self.until):
            return False
        for asked, said in (
            (self.body_part, body_part),
            (self.modality, modality),
            (self.station, station),
        ):
            if not asked:
                continue
            if not said:
                if not self.unknown:
                    return False
            elif said.strip().upper() not in {word.strip().upper() for word in asked}:
                return False
        return True


@dataclass(frozen=True)
class Listed:
    """One file or instance that a source holds.

    Attributes:
        name: how the source finds it again: a path, or `study/series/instance` UIDs. Never
            written down as it is: the store holds its keyed digest.
        study: what its pictures are grouped by, so that AP and lateral meet; "" where unknown.
        bytes: its size where the source knows it, else None.
        stamp: changes when the content does (time of change in ns, a version); None where the
            source cannot tell, as for an instance, whose UID stands for its content.
        frames: number of pictures in it where known.
    """

    name: str
    study: str = ""
    bytes: int | None = None
    stamp: int | None = None
    frames: int | None = None


@runtime_checkable
class Source(Protocol):
    """Where films come from."""

    @property
    def address(self) -> str:
        """As the user gave it, without any password; names the source in messages."""
        ...

    @property
    def stays(self) -> bool:
        """Whether `fetch` gives paths that stay (a folder's own files).

        Otherwise the engine removes what was fetched once it is read.
        """
        ...

    def list(self, wanted: Wanted) -> Iterator[Listed | Problem]:
        """Everything that is wanted, the same order each time, films of a study together.

        One after the other, never all in memory. A part that cannot be listed (a folder that
        may not be opened) is a `Problem` in between. Raises `GoneError`.
        """
        ...

    def fetch(
        self, listed: Sequence[Listed], folder: Path
    ) -> Iterator[tuple[Listed, Path | Problem]]:
        """The files of what was listed, each once, in any order; new files go into `folder`.

        Each is complete when it is yielded. A film that cannot be had alone is a `Problem`.
        Raises `GoneError` where the source cannot be reached; what was yielded before counts.
        """
        ...
