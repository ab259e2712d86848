"""Where the original film lies, and whether it is still the film that was read."""

from __future__ import annotations

import os
from pathlib import Path, PurePosixPath

from pipeline.knee.errors import Problem
from pipeline.readers.files import sha256_of
from pipeline.records.store.model import StoredReading


def location_of(source: str, folder: Path | None) -> str:
    """How the store writes down a film's place.

    Relative to the store's folder, so that both can be moved together; absolute where the store
    has no folder or the film is on another drive.
    """
    absolute = os.path.abspath(source)
    if folder is None:
        return absolute
    try:
        return PurePosixPath(Path(os.path.relpath(absolute, folder))).as_posix()
    except ValueError:  # another drive
        return absolute


def places(location: str, source: str, folder: Path | None) -> tuple[Path, ...]:
    """Where to look for a film, best first."""
    first = Path(location) if folder is None else folder / location
    return (Path(os.path.normpath(first)), Path(os.path.abspath(source)))


def open_original(stored: StoredReading) -> Path:
    """The path of the film, checked to be there and unchanged; raises `Problem` otherwise."""
    there = [path for path in dict.fromkeys(stored.paths) if path.is_file()]
    if not there:
        raise Problem(
            str(stored.paths[0]),
            "the original film is gone",
            "put it back where it was, or read it again from its new place",
        )
    for path in there:
        try:
            digest = sha256_of(path)
        except OSError as error:
            raise Problem(
                str(path),
                f"the original film cannot be read ({error.strerror or error})",
                "check the file and its permissions",
            ) from error
        if digest == stored.film_sha256:
            return path
    raise Problem(
        str(there[0]),
        "the file has changed since it was read",
        "put the original back, or read the new film and review that",
    )
