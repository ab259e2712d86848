"""Writing that survives a kill and a full disk: whole files replaced, lines appended safely."""

from __future__ import annotations

import errno
import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from pipeline.knee.errors import Problem

try:
    import fcntl
except ImportError:  # not on Windows; there the program appends from one process only
    fcntl = None  # type: ignore[assignment]


FULL = (errno.ENOSPC, errno.EDQUOT)
AGAIN = "run the same command again, it continues where it stopped"


class StopError(Problem):
    """The run cannot go on (a full or read-only disk); unlike one film's `Problem`."""


@contextmanager
def full_disk(path: str) -> Iterator[None]:
    """Turns a full disk met while working on `path` into `StopError`; leaves the rest alone."""
    try:
        yield
    except OSError as error:
        if error.errno not in FULL:
            raise
        raise StopError(path, "the disk is full", f"free some space and {AGAIN}") from error


@contextmanager
def disk_errors(path: Path) -> Iterator[None]:
    """Turns an operating system error while writing `path` into `StopError`."""
    try:
        with full_disk(str(path)):
            yield
    except OSError as error:
        what = f"cannot be written ({error.strerror or error})"
        do = f"check the folder and its permissions and {AGAIN}"
        raise StopError(str(path), what, do) from error


def make_folder(path: Path) -> None:
    """Makes a folder for what is to come; said before the work where that cannot be."""
    with disk_errors(path):
        path.mkdir(parents=True, exist_ok=True)


def write_atomic(path: Path, data: bytes | str) -> None:
    """Replaces `path` as a whole: a reader sees the old file or the new one, never a part."""
    # File names need not be valid text; what is not becomes a visible escape.
    raw = data.encode("utf-8", "backslashreplace") if isinstance(data, str) else data
    with whole_file(path) as part, open(part, "wb") as file:
        file.write(raw)
        file.flush()
        os.fsync(file.fileno())


@contextmanager
def whole_file(path: Path) -> Iterator[Path]:
    """A file beside `path` to write to, piece by piece; it takes `path`'s place at the end.

    After an error `path` is as it was.
    """
    with disk_errors(path):
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=".", suffix=".part")
        os.close(handle)
        try:
            yield Path(name)
            os.chmod(name, 0o666 & ~_umask())
            os.replace(name, path)
        except BaseException:
            Path(name).unlink(missing_ok=True)
            raise


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask


def append_lines(path: Path, lines: list[str]) -> None:
    """Appends whole lines and syncs them; a half line left by a killed writer is cut first.

    Several processes may append to the same file. After an error the file is as it was.
    """
    if not lines:
        return
    raw = "".join(line + "\n" for line in lines).encode("utf-8")
    with disk_errors(path):
        path.parent.mkdir(parents=True, exist_ok=True)
        with open(path, "a+b", buffering=0) as file:
            if fcntl is not None:
                fcntl.flock(file, fcntl.LOCK_EX)
            end = _end_of_whole_lines(file.seek(0, os.SEEK_END), file)
            file.truncate(end)
            try:
                view = memoryview(raw)
                while view:
                    view = view[file.write(view) :]
                os.fsync(file.fileno())
            except OSError:
                file.truncate(end)
                raise


def _end_of_whole_lines(size: int, file: object) -> int:
    """Position after the last newline of an open binary file of `size` bytes."""
    position, block = size, 1
    while position > 0:
        start = max(0, position - block)
        file.seek(start)  # type: ignore[attr-defined]
        found = file.read(position - start).rfind(b"\n")  # type: ignore[attr-defined]
        if found >= 0:
            return start + found + 1
        position, block = start, 65536
    return 0


def read_lines(path: Path) -> list[str]:
    """The whole lines of a text file; an unfinished last one is left out. [] if absent."""
    if not path.exists():
        return []
    # Cut before decoding: a kill may leave half a character.
    return [line.decode("utf-8") for line in path.read_bytes().split(b"\n")[:-1]]
