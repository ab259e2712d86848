"""Films in folders, read where they lie."""

from __future__ import annotations

import errno
import os
import stat
import warnings
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from pipeline.archive.contract import GoneError, Listed, Wanted
from pipeline.archive.sources.names import header_is_wanted
from pipeline.knee.errors import Problem
from pipeline.readers.files import first_bytes, has_preamble, uid_digest
from pipeline.readers.find import find_films

AWAY = (
    errno.EIO,
    errno.ENODEV,
    errno.ENXIO,
    errno.ESTALE,
    errno.ENOTCONN,
    errno.EHOSTDOWN,
    errno.EHOSTUNREACH,
    errno.ETIMEDOUT,
)
"""What an operating system says when a disk or a share is gone, and not one file."""

TAGS = (
    "StudyInstanceUID",
    "StudyDate",
    "SeriesDate",
    "AcquisitionDate",
    "BodyPartExamined",
    "Modality",
    "StationName",
)


@dataclass(frozen=True)
class FolderSource:
    """A folder with all its subfolders, or one file. No file is ever changed.

    Attributes:
        address: its path.
    """

    address: str
    stays: bool = field(default=True, init=False)

    def __post_init__(self) -> None:
        # The same film has the same name wherever the command is started.
        object.__setattr__(self, "address", os.path.abspath(self.address))

    def list(self, wanted: Wanted) -> Iterator[Listed | Problem]:
        """Files that may be films, in the order of their paths; see `Source.list`.

        Without a filter no file is opened and `study` is left to whoever reads the header.
        """
        root = Path(self.address)
        self._check()
        unopened: list[Problem] = []
        for path in find_films([root], unopened):
            yield from unopened
            unopened.clear()
            one = self._listed(path, wanted)
            if one is not None:
                yield one
        yield from unopened
        self._check()

    def fetch(
        self, listed: Sequence[Listed], folder: Path
    ) -> Iterator[tuple[Listed, Path | Problem]]:
        """The files themselves; `folder` stays empty."""
        for one in listed:
            path = Path(one.name)
            try:
                with open(path, "rb"):
                    pass
            except FileNotFoundError:
                self._check()
                yield one, Problem(one.name, "is no longer there", "put it back if it is needed")
            except OSError as error:
                if error.errno in AWAY:
                    raise self._gone() from error
                reason = error.strerror or type(error).__name__
                yield (
                    one,
                    Problem(one.name, f"cannot be opened ({reason})", "check its permissions"),
                )
            else:
                yield one, path

    def _check(self) -> None:
        """Raises `GoneError` where the folder is not there, or empty as an unmounted share is."""
        root = Path(self.address)
        try:
            if not root.is_dir():
                root.stat()
                return
            with os.scandir(root) as entries:
                if next(entries, None) is not None:
                    return
        except OSError as error:
            raise self._gone() from error
        raise self._gone()

    def _gone(self) -> GoneError:
        return GoneError(
            self.address, "is not there, or empty", "check the path, the disk or the connection"
        )

    def _listed(self, path: Path, wanted: Wanted) -> Listed | None:
        try:
            status = path.stat()
        except OSError:
            return Listed(str(path))  # what is wrong with it is said when it is fetched
        regular = stat.S_ISREG(status.st_mode)
        size, stamp = (status.st_size, status.st_mtime_ns) if regular else (None, None)
        if wanted.everything or not regular:
            return Listed(str(path), bytes=size, stamp=stamp)
        said = header_of(path)
        if not header_is_wanted(said, wanted):
            return None
        return Listed(str(path), uid_digest(said.get("StudyInstanceUID")) or "", size, stamp)


def header_of(path: Path) -> dict[str, str]:
    """What a file's header says of `TAGS`, as text; nothing for anything but DICOM. No raise."""
    try:
        if not has_preamble(first_bytes(path)):
            return {}
        import pydicom

        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # pydicom quotes header values
            header = pydicom.dcmread(path, stop_before_pixels=True, specific_tags=list(TAGS))
            return {name: str(header.get(name) or "") for name in TAGS}
    except Exception:  # whatever is wrong with the file is said when it is read
        return {}
