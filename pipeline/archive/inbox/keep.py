"""The inbox: films looked at, written whole, and only then acknowledged.

A film's name is the SHA-256 of its bytes, so that nothing from outside becomes part of a path, a
film that is pushed twice is one file, and no name of a patient is seen in a folder.
"""

from __future__ import annotations

import hashlib
import json
import os
import secrets
import shutil
import threading
import time
import warnings
from collections import Counter
from datetime import UTC, datetime
from pathlib import Path

from pipeline.archive.sources.association import STORED, SYNTAXES, silence
from pipeline.archive.sources.network import MEGABYTE
from pipeline.archive.sources.storage_scp import NO_ROOM, WRONG
from pipeline.records.files import StopError, append_lines, disk_errors

GIGABYTE = 1_000_000_000
MEASURE_S = 5.0
"""A full inbox is looked through again at most that often."""

INCOMING = ".incoming"
REJECTED = ".rejected.jsonl"
"""Hidden from those who look for films in the folder."""

NOT_A_KIND = 0x0122
NO_MATCH = 0xA900
FAILED = 0x0110
"""Status codes: SOP class not supported, dataset does not match SOP class, processing failure
(PS3.4 table B.2-1, PS3.7 annex C)."""


class RefusalError(Exception):
    """A film that is not kept.

    Attributes:
        why: one word for the log.
        status: C-STORE status, also the Failure Reason of STOW-RS.
        kind, instance: SOP class and instance, where known.
    """

    def __init__(self, why: str, status: int, kind: str = "", instance: str = "") -> None:
        super().__init__(why)
        self.why = why
        self.status = status
        self.kind = kind
        self.instance = instance


class Inbox:
    """A folder of films that were pushed.

    Args:
        folder: made where it is missing.
        max_megabytes: of one film.
        max_gigabytes: of all.
        min_free_gigabytes: room that the disk must have left.
    """

    def __init__(
        self,
        folder: Path,
        max_megabytes: int = 500,
        max_gigabytes: float = 100.0,
        min_free_gigabytes: float = 2.0,
    ) -> None:
        self.folder = folder
        self.most_bytes = max_megabytes * MEGABYTE
        self.most_all = max_gigabytes * GIGABYTE
        self.least_free = min_free_gigabytes * GIGABYTE
        self.lock = threading.Lock()
        self.kept = self.doubles = 0
        self.rejections = Rejections(folder / REJECTED)
        with disk_errors(folder):
            (folder / INCOMING).mkdir(parents=True, exist_ok=True)
        for part in (folder / INCOMING).iterdir():
            part.unlink()  # from a run that was killed; nobody was told that it was kept
        self.used = self._measured()
        self.measured = time.monotonic()

    def _measured(self) -> int:
        return sum(each.stat().st_size for each in self.folder.glob("*/*.dcm"))

    def begin(self) -> Path:
        """A new file to write into. Raises `RefusalError` where there is no room."""
        with self.lock:
            if self.used > self.most_all and time.monotonic() - self.measured > MEASURE_S:
                self.used = self._measured()  # what was read may have been taken away
                self.measured = time.monotonic()
            full = self.used > self.most_all
        if full or shutil.disk_usage(self.folder).free < self.least_free:
            raise RefusalError("room", NO_ROOM)
        return self.folder / INCOMING / f"{secrets.token_hex(16)}.part"

    def take(self, raw: bytes, kind: str, instance: str) -> Path:
        """Keeps a film that came as a whole. Raises `RefusalError`."""
        if len(raw) > self.most_bytes:
            raise RefusalError("size", NO_ROOM, kind, instance)
        part = self.begin()
        try:
            with disk_errors(part), open(part, "xb") as file:
                file.write(raw)
            return self.finish(part, (kind, instance))[0]
        finally:
            part.unlink(missing_ok=True)

    def finish(self, part: Path, said: tuple[str, str] | None = None) -> tuple[Path, str, str]:
        """Looks at a written file, makes it a film of the inbox; its path, SOP class, instance.

        When this returns, film and name are on the disk (fsync of both).

        Args:
            said: SOP class and instance that the sender named, which must be those of the file.

        Raises `RefusalError`, or `StopError` where the disk fails.
        """
        kind, instance = examine(part)
        if said is not None and said != (kind, instance):
            raise RefusalError("mismatch", NO_MATCH, *said)
        with disk_errors(part), open(part, "r+b") as file:
            digest = hashlib.file_digest(file, "sha256").hexdigest()
            final = self.folder / digest[:2] / f"{digest}.dcm"
            new, size = not final.exists(), os.fstat(file.fileno()).st_size
            if new:
                os.fsync(file.fileno())
                final.parent.mkdir(exist_ok=True)
                os.replace(part, final)
            for folder in (final.parent, self.folder):
                _sync_folder(folder)
        with self.lock:
            self.kept += new
            self.doubles += not new
            self.used += size if new else 0
        return final, kind, instance


def examine(path: Path) -> tuple[str, str]:
    """SOP class and instance of a file that may be hostile. Raises `RefusalError`.

    Only what is a film by its class, in a transfer syntax that is read, and whose meta
    information and dataset agree, passes. Pixels are not decoded here.
    """
    import pydicom

    silence()
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            # The meta information comes first: a deflated dataset would be unpacked at once.
            meta = pydicom.filereader.read_file_meta_info(path)
            kind = str(meta.MediaStorageSOPClassUID)
            instance = str(meta.MediaStorageSOPInstanceUID)
            syntax = str(meta.TransferSyntaxUID)
            if kind not in STORED:
                raise RefusalError("kind", NOT_A_KIND, kind, instance)
            if syntax not in SYNTAXES:
                raise RefusalError("syntax", NOT_A_KIND, kind, instance)
            header = pydicom.dcmread(
                path, stop_before_pixels=True, specific_tags=["SOPClassUID", "SOPInstanceUID"]
            )
            found = str(header.get("SOPClassUID")), str(header.get("SOPInstanceUID"))
    except RefusalError:
        raise
    except Exception:  # pydicom raises anything on damaged bytes
        raise RefusalError("damaged", WRONG) from None
    if found != (kind, instance):
        raise RefusalError("mismatch", NO_MATCH, kind, instance)
    return kind, instance


class Rejections:
    """What was turned away, by reason and hour of day; nothing about whom or what.

    One line a minute at most for each reason, with a count, so that nobody fills the disk by
    being refused.
    """

    EVERY_S = 60.0

    def __init__(self, path: Path) -> None:
        self.path = path
        self.lock = threading.Lock()
        self.waiting: Counter[tuple[str, str]] = Counter()
        self.written: dict[tuple[str, str], float] = {}
        self.count = 0

    def note(self, door: str, why: str) -> None:
        """One more at a door: `store` or `web`."""
        with self.lock:
            self.count += 1
            self.waiting[door, why] += 1
            last = self.written.get((door, why))
            if last is None or time.monotonic() - last > self.EVERY_S:
                self._write([(door, why)])

    def flush(self) -> None:
        """Writes what is still only counted."""
        with self.lock:
            self._write(list(self.waiting))

    def _write(self, keys: list[tuple[str, str]]) -> None:
        now = datetime.now(UTC).isoformat(timespec="seconds")
        lines = [
            json.dumps({"time": now, "door": door, "why": why, "count": self.waiting[door, why]})
            for door, why in keys
        ]
        try:
            append_lines(self.path, lines)
        except StopError:
            return  # still counted: a log that cannot be written stops nobody
        for key in keys:
            del self.waiting[key]
        self.written.update(dict.fromkeys(keys, time.monotonic()))


def _sync_folder(folder: Path) -> None:
    """Makes a new name last (POSIX: a folder is synced like a file)."""
    if os.name != "posix":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
