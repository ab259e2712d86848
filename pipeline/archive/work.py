"""What happens to the films of one unit, in a process that may crash."""

from __future__ import annotations

import shutil
import tempfile
import time
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import cv2

from pipeline.archive.contract import GoneError, Listed, Source
from pipeline.batch.processes import Mark
from pipeline.batch.settings import ReadSettings, parts_of, readers_of
from pipeline.batch.worker import read_files, stamp_of
from pipeline.knee.errors import Problem
from pipeline.knee.reading import MadeBy, Reading
from pipeline.readers.dicom_acquisition import read_acquisition
from pipeline.readers.find import study_of
from pipeline.records.files import disk_errors, full_disk
from pipeline.records.journal import Trouble
from pipeline.records.rows import to_dict
from pipeline.records.store.films import FAILED, READ, REFUSED, FilmSeen, KnownContents

FETCH = "fetching"
PAUSE_S = 1.0
LONGEST_PAUSE_S = 60.0


@dataclass(frozen=True)
class Orders:
    """What a process needs to know once; goes from process to process.

    Attributes:
        source: to fetch from.
        settings: that decide a reading; no pictures are written.
        made_by: the model.
        threads: for the detector.
        store: address of the store whose known contents are asked for, "" = none is asked.
        spool: folder for films that are fetched, "" = the system's.
        keep: folder in which fetched films stay, named by content, "" = none stays.
        patience_s: how long a source that is gone is waited for.
    """

    source: Source
    settings: ReadSettings
    made_by: MadeBy
    threads: int = 1
    store: str = ""
    spool: str = ""
    keep: str = ""
    patience_s: float = 600.0


@dataclass
class _Content:
    """One content of a unit: where it lies, its names, and what comes of it."""

    path: Path
    stamp: tuple[int, int, str]
    listed: list[Listed] = field(default_factory=list)
    readings: list[Reading] = field(default_factory=list)


class FilmWork:
    """Fetches the films of a unit and reads those whose content is not known."""

    def __init__(self, orders: Orders) -> None:
        self._orders = orders
        cv2.setNumThreads(orders.threads)
        settings = replace(orders.settings, writer={})
        self._parts = replace(parts_of(settings, orders.threads), made_by=orders.made_by)
        self._readers = readers_of(settings)
        self._known: Callable[[Sequence[str]], Collection[str]] = (
            KnownContents(orders.store, orders.made_by) if orders.store else lambda contents: ()
        )

    def __call__(self, unit: Sequence[Listed], skip: Collection[str], mark: Mark) -> list[FilmSeen]:
        """One `FilmSeen` per name, whatever became of it. Raises `StopError` and `GoneError`."""
        if FETCH in skip:
            what = "fetching it ended the process that fetched it"
            return [FilmSeen(one.name, None, one.bytes, one.stamp, what=what) for one in unit]
        mark(FETCH)
        spool = self._orders.spool or None
        with disk_errors(Path(spool or tempfile.gettempdir())):
            folder = tempfile.TemporaryDirectory(prefix="squareon-", dir=spool)
        with folder:
            seen: list[FilmSeen] = []
            contents: dict[str, _Content] = {}
            for listed, got in self._fetch(unit, Path(folder.name)):
                if isinstance(got, Problem):
                    seen.append(_without(listed, got.what))
                    continue
                stamp = stamp_of(got)
                if not stamp[2]:
                    seen.append(_without(listed, "cannot be read as a file"))
                    continue
                content = contents.setdefault(stamp[2], _Content(got, stamp))
                content.listed.append(listed)
                if content.path != got and not self._orders.source.stays:
                    got.unlink(missing_ok=True)
            known = self._known(list(contents))
            fresh = {sha256: one for sha256, one in contents.items() if sha256 not in known}
            seen += self._read(fresh, skip, mark)
            for sha256, content in contents.items():
                if sha256 not in fresh:
                    seen += _names(content, sha256)
            return seen

    def _fetch(
        self, unit: Sequence[Listed], folder: Path
    ) -> Iterator[tuple[Listed, Path | Problem]]:
        """As `Source.fetch`; waits for a source that is gone, and says what did not come."""
        left = {one.name: one for one in unit}
        waited, pause = 0.0, PAUSE_S
        while left:
            try:
                with full_disk(str(folder)):
                    for listed, got in self._orders.source.fetch(list(left.values()), folder):
                        if left.pop(listed.name, None) is not None:
                            waited, pause = 0.0, PAUSE_S
                            yield listed, got
                break
            except GoneError:
                if waited >= self._orders.patience_s:
                    raise
                time.sleep(pause)
                waited += pause
                pause = min(2 * pause, LONGEST_PAUSE_S)
        address = self._orders.source.address
        for listed in left.values():
            yield listed, Problem(address, "did not give it", "ask again later")

    def _read(
        self, contents: Mapping[str, _Content], skip: Collection[str], mark: Mark
    ) -> list[FilmSeen]:
        """Reads contents study by study."""
        studies: dict[str, list[str]] = {}
        for sha256, content in contents.items():
            if self._orders.keep:
                self._keep(sha256, content)
            key = content.listed[0].study or study_of(content.path) or f"alone {sha256}"
            studies.setdefault(key, []).append(sha256)
        seen = []
        for study in studies.values():
            by_path = {str(contents[sha256].path): sha256 for sha256 in study}
            troubles: dict[str, list[Trouble]] = {path: [] for path in by_path}
            left_out = {path for path, sha256 in by_path.items() if sha256 in skip}

            def marked(path: str, names: Mapping[str, str] = by_path) -> None:
                mark(names[path])

            paths = list(map(Path, by_path))
            nowhere = Path()  # no writer is asked for
            for reading in read_files(
                paths, self._parts, self._readers, nowhere, troubles, left_out, marked
            ):
                contents[by_path[reading.film.source]].readings.append(reading)
            for path, sha256 in by_path.items():
                seen += self._seen(contents[sha256], sha256, troubles[path])
        return seen

    def _seen(self, content: _Content, sha256: str, troubles: Sequence[Trouble]) -> list[FilmSeen]:
        """What became of one content, with all its names."""
        rows = tuple(to_dict(reading) for reading in content.readings)
        changed = any(row["film"]["sha256"] != sha256 for row in rows)
        if changed or ((troubles or not rows) and stamp_of(content.path) != content.stamp):
            # A source that goes away makes films fail that are well.
            gone = "changed or went away while it was read"
            return [_without(one, gone) for one in content.listed]
        refused = [row["refused"] for row in rows if row["refused"]]
        state = FAILED if not rows else REFUSED if len(refused) == len(rows) else READ
        said = dict.fromkeys(trouble.what for trouble in troubles)
        what = "; ".join(said) or ("gave no reading" if state == FAILED else None)
        first, *others = _names(content, sha256)
        made = read_acquisition(content.path) if rows else None
        return [replace(first, state=state, rows=rows, what=what, acquisition=made), *others]

    def _keep(self, sha256: str, content: _Content) -> None:
        """Moves a fetched film to where it stays; one that is there already is left."""
        place = Path(self._orders.keep) / sha256[:2] / (sha256 + content.path.suffix.lower())
        if self._orders.source.stays or content.path == place:
            return
        with disk_errors(place):
            place.parent.mkdir(parents=True, exist_ok=True)
            part = place.with_suffix(".part")
            shutil.move(content.path, part)
            part.replace(place)
        content.path = place
        content.stamp = stamp_of(place)


def _names(content: _Content, sha256: str) -> list[FilmSeen]:
    return [FilmSeen(one.name, sha256, one.bytes, one.stamp) for one in content.listed]


def _without(listed: Listed, what: str) -> FilmSeen:
    return FilmSeen(listed.name, None, listed.bytes, listed.stamp, what=what)
