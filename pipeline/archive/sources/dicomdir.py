"""Films on a medium with a directory (DICOMDIR; DICOM PS3.10 section 8, PS3.3 annex F)."""

from __future__ import annotations

import warnings
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from pydicom.dataset import Dataset

from pipeline.archive.contract import GoneError, Listed, Wanted
from pipeline.archive.sources.folder import FolderSource, header_of
from pipeline.archive.sources.names import header_is_wanted
from pipeline.knee.errors import Problem
from pipeline.readers.dicom import DIRECTORY, FILMS
from pipeline.readers.files import uid_digest

FIRST = "OffsetOfTheFirstDirectoryRecordOfTheRootDirectoryEntity"
NEXT = "OffsetOfTheNextDirectoryRecord"
BELOW = "OffsetOfReferencedLowerLevelDirectoryEntity"


@dataclass(frozen=True)
class DicomdirSource:
    """The films that a DICOMDIR names, read where they lie.

    Attributes:
        address: path of the DICOMDIR file.
    """

    address: str
    stays: bool = field(default=True, init=False)

    def list(self, wanted: Wanted) -> Iterator[Listed | Problem]:
        """Films in the order of the directory; a file that it names in vain is a `Problem`.

        Raises `Problem` where the file is no directory, `GoneError` where the medium is not there.
        """
        root = Path(self.address).absolute().parent
        directory = self._records()
        for record, study in _in_order(directory):
            if record.get("DirectoryRecordType") != "IMAGE":
                continue
            kind = record.get("ReferencedSOPClassUIDInFile")
            if kind and kind not in FILMS:
                continue
            path = _file_of(record, root)
            if path is None:
                yield Problem(
                    self.address,
                    f"names a film that is not on the medium ({_number(record)})",
                    "copy the medium again, or give its folder instead",
                )
            elif wanted.everything or header_is_wanted(header_of(path), wanted):
                status = path.stat()
                yield Listed(str(path), uid_digest(study) or "", status.st_size, status.st_mtime_ns)

        if _points_nowhere(directory):
            yield Problem(
                self.address,
                "names records that it does not hold: it is cut short or damaged",
                "copy the medium again, or give its folder instead",
            )

    def fetch(
        self, listed: Sequence[Listed], folder: Path
    ) -> Iterator[tuple[Listed, Path | Problem]]:
        """The files themselves; `folder` stays empty."""
        yield from FolderSource(str(Path(self.address).absolute().parent)).fetch(listed, folder)

    def _records(self) -> Dataset:
        import pydicom

        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")  # pydicom quotes names
                directory = pydicom.dcmread(self.address)
                list(directory.DirectoryRecordSequence)
        except FileNotFoundError:
            raise GoneError(
                self.address, "is not there", "check the path, the disk or the connection"
            ) from None
        except OSError as error:
            if error.errno is not None:
                raise GoneError(
                    self.address,
                    f"cannot be opened ({error.strerror})",
                    "check the disk or the connection",
                ) from None
            raise self._broken() from None
        except Exception:  # pydicom raises anything on damaged bytes
            raise self._broken() from None
        if directory.file_meta.get("MediaStorageSOPClassUID") != DIRECTORY:
            raise self._broken()
        return directory

    def _broken(self) -> Problem:
        return Problem(
            self.address, "is no directory of a DICOM medium, or damaged", "give its folder instead"
        )


def _in_order(directory: Dataset) -> Iterator[tuple[Dataset, str]]:
    """Each record once, with the UID of the study it lies under; what hangs nowhere comes last.

    Records point to the next on their level and to the first one below by their offset in the
    file (PS3.3 F.3.2.2). A directory that points in circles ends all the same.
    """
    records = {int(each.seq_item_tell): each for each in directory.DirectoryRecordSequence}
    top = _offset(directory, FIRST)
    waiting = [(top, "")]
    while waiting:
        at, study = waiting.pop()
        record = records.pop(at, None)
        if record is None:
            continue
        waiting.append((_offset(record, NEXT), study))
        own = record.get("StudyInstanceUID") if _type(record) == "STUDY" else None
        below = _offset(record, BELOW)
        waiting.append((below, str(own or study)))
        yield record, study
    yield from ((record, "") for record in records.values())


def _points_nowhere(directory: Dataset) -> bool:
    """Whether a record points to one that is not in the file, so that films may be missing."""
    there = {0} | {int(each.seq_item_tell) for each in directory.DirectoryRecordSequence}
    pointed = {
        _offset(each, keyword)
        for each in directory.DirectoryRecordSequence
        for keyword in (NEXT, BELOW)
    }
    return not pointed | {_offset(directory, FIRST)} <= there


def _type(record: Dataset) -> Any:
    return record.get("DirectoryRecordType")


def _offset(record: Dataset, keyword: str) -> int:
    try:
        return int(record.get(keyword) or 0)
    except (TypeError, ValueError):
        return 0


def _file_of(record: Dataset, root: Path) -> Path | None:
    """The film's file; None where it is not there or would lie outside the medium.

    Names on a medium are upper case; a copy may have made them lower case.
    """
    value = record.get("ReferencedFileID")
    parts = [value] if isinstance(value, str) else [str(each) for each in value or ()]
    if not parts or any(part in ("", ".", "..") or set(part) & set("/\\:") for part in parts):
        return None
    home = root.resolve()
    for names in (parts, [part.lower() for part in parts]):
        path = root.joinpath(*names)
        if path.is_file() and path.resolve().is_relative_to(home):
            return path
    return None


def _number(record: Dataset) -> str:
    return f"record at byte {int(record.seq_item_tell)}"
