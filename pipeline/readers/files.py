"""What all readers ask of a file: its first bytes, its kind, its digest, whether it is there."""

from __future__ import annotations

import hashlib
import stat
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path

from pipeline.knee.errors import Problem

HEAD = 256
"""Bytes that are enough to tell the kind of a file."""

DICOM_SUFFIXES = frozenset({".dcm", ".dicom", ".dic", ".ima"})

_PICTURES = (
    (b"\x89PNG\r\n\x1a\n", "PNG"),
    (b"\xff\xd8\xff", "JPEG"),
    (b"II*\x00", "TIFF"),
    (b"MM\x00*", "TIFF"),
    (b"II+\x00", "TIFF"),
    (b"MM\x00+", "TIFF"),
)


def first_bytes(path: Path, count: int = HEAD) -> bytes:
    """Up to `count` bytes from the start of the file. Raises `OSError`."""
    with open(path, "rb") as file:
        return file.read(count)


def picture_kind(head: bytes) -> str | None:
    """ "PNG", "JPEG" or "TIFF" by the first bytes of a file, or None."""
    if has_preamble(head):
        return None  # a DICOM preamble may pose as a TIFF header (PS3.10 section 7.1)
    return next((kind for magic, kind in _PICTURES if head.startswith(magic)), None)


def has_preamble(head: bytes) -> bool:
    """Whether the file says that it is DICOM (PS3.10 section 7.1: DICM after 128 bytes)."""
    return head[128:132] == b"DICM"


def starts_like_dataset(head: bytes) -> bool:
    """Whether the file may be a bare DICOM dataset: it starts with a tag of group 2 or 8.

    Such a tag has a small element number, and then a value length or representation that is
    not absurd.
    """
    if len(head) < 8:
        return False
    for order in ("little", "big"):
        group = int.from_bytes(head[0:2], order)  # type: ignore[arg-type]
        element = int.from_bytes(head[2:4], order)  # type: ignore[arg-type]
        length = int.from_bytes(head[4:8], order)  # type: ignore[arg-type]
        spelled = head[4:6].isalpha() and head[4:6].isupper()
        if group in (0x0002, 0x0008) and element <= 0x0070 and (spelled or length <= 1024):
            return True
    return False


def sha256_of(path: Path) -> str:
    """Hex SHA-256 of the file's bytes, read in pieces. Raises `OSError`."""
    with open(path, "rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


@contextmanager
def sha256_beside(path: Path) -> Iterator[Callable[[], str]]:
    """`sha256_of` the file, found in a thread while the caller decodes it; call for the result."""
    with ThreadPoolExecutor(1) as pool:
        yield pool.submit(sha256_of, path).result


def uid_digest(uid: object) -> str | None:
    """The first 16 hex digits of the SHA-256 of a UID; None where there is none."""
    text = str(uid or "").strip().strip("\0")
    return hashlib.sha256(text.encode()).hexdigest()[:16] if text else None


def check_file(path: Path) -> None:
    """Raises `Problem` where `path` is no file with something in it that may be read."""
    source = str(path)
    try:
        status = path.stat()
        if stat.S_ISDIR(status.st_mode):
            list_folder(path)
            raise Problem(
                source, "is a folder, not a film", "give the folder to the command instead"
            )
        if not stat.S_ISREG(status.st_mode):
            raise Problem(source, "is not an ordinary file", "remove it from the list")
        if status.st_size == 0:
            raise Problem(source, "is an empty file", "copy or export the film again")
        first_bytes(path, 1)
    except OSError as error:
        raise cannot_open(path, error) from None


def list_folder(path: Path) -> list[Path]:
    """The folder's entries, sorted by name. Raises `Problem` where it cannot be opened."""
    try:
        return sorted(path.iterdir(), key=lambda entry: entry.name)
    except OSError as error:
        raise cannot_open(path, error) from None


def cannot_open(path: Path, error: OSError) -> Problem:
    """The `Problem` for an error of the operating system."""
    source = str(path)
    if isinstance(error, FileNotFoundError):
        return Problem(source, "does not exist", "check the spelling of the path")
    if isinstance(error, IsADirectoryError):
        return Problem(source, "is a folder, not a file", "name a file in it")
    if isinstance(error, PermissionError):
        return Problem(source, "may not be opened", "ask for permission to read it")
    reason = error.strerror or type(error).__name__
    return Problem(source, f"cannot be opened ({reason})", "check the disk or the connection")
