"""Finds the files that may be films, and the study that a file belongs to."""

from __future__ import annotations

import os
import warnings
from collections.abc import Iterable, Iterator
from pathlib import Path

from pipeline.knee.errors import Problem
from pipeline.readers.files import first_bytes, has_preamble, list_folder, uid_digest

OWN_TABLE = "readings.jsonl"
"""A folder with this file holds results of ours; `OWN` in it is no film."""

OWN = frozenset(
    {
        "overlays",
        "explanations",
        "footprints",
        OWN_TABLE,
        "journal.jsonl",
        "summary.csv",
        "problems.csv",
        "index.html",
    }
)

_DOCUMENTS = (
    ".bat .cfg .css .csv .db .doc .docx .exe .gz .htm .html .inf .ini .jar .js .json .jsonl .key "
    ".lnk .log .md .pdf .ppt .pptx .ps1 .py .pyc .rst .rtf .sh .sqlite .tar .toml .tsv .txt .xls "
    ".xlsx .xml .yaml .yml .zip"
)
NOT_FILMS = frozenset(_DOCUMENTS.split())
"""Suffixes of documents that lie about in folders of films. Named by hand, such a file is tried
all the same."""

DATA_OF = {".raw": (".mhd", ".nhdr"), ".zraw": (".mhd",), ".img": (".hdr",)}
"""Suffixes of files that hold the pixels of a neighbour with one of these suffixes."""


def find_films(
    paths: Iterable[Path | str], problems: list[Problem] | None = None
) -> Iterator[Path]:
    """Files that may be films: those named, and those in folders named, each once.

    Folders are walked in sorted order, links to folders included, none twice. Left out of a
    folder: hidden entries, DICOMDIR, results of ours, documents (`NOT_FILMS`), the pixel half of
    a two-file picture. A folder that cannot be opened becomes a `Problem` in `problems`; without
    that list it is yielded itself, so that reading it raises the same `Problem`.
    """
    given = [Path(path) for path in paths]
    files: set[str] | None = set() if len(given) > 1 else None
    folders: set[tuple[int, int]] = set()
    for path in given:
        found = _walk(path, folders, problems) if os.path.isdir(path) else iter((path,))
        for each in found:
            if files is not None:
                key = os.path.abspath(each)
                if key in files:
                    continue
                files.add(key)
            yield each


def _walk(
    folder: Path, seen: set[tuple[int, int]], problems: list[Problem] | None
) -> Iterator[Path]:
    try:
        status = folder.stat()
        if (status.st_dev, status.st_ino) in seen:
            return
        seen.add((status.st_dev, status.st_ino))
        entries = list_folder(folder)
    except OSError:
        return  # gone between listing and opening
    except Problem as problem:
        if problems is None:
            yield folder
        else:
            problems.append(problem)
        return
    names = {entry.name.lower() for entry in entries}
    for entry in entries:
        if _left_out(entry, names):
            continue
        if os.path.isdir(entry):
            yield from _walk(entry, seen, problems)
        else:
            yield entry


def _left_out(entry: Path, names: set[str]) -> bool:
    name = entry.name.lower()
    if name.startswith((".", "$")) or name in ("dicomdir", "thumbs.db", "__macosx"):
        return True
    if OWN_TABLE in names and name in OWN:
        return True
    stem, suffix = os.path.splitext(name)
    if any(stem + other in names for other in DATA_OF.get(suffix, ())):
        return True
    return suffix in NOT_FILMS and not name.endswith(".nii.gz") and not os.path.isdir(entry)


def study_of(path: Path) -> str | None:
    """Digest of the file's Study Instance UID (`Film.study_digest`), or None; never raises."""
    try:
        # A named pipe would be waited for without end.
        if not path.is_file() or not has_preamble(first_bytes(path)):
            return None
        import pydicom

        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            header = pydicom.dcmread(
                path, stop_before_pixels=True, specific_tags=["StudyInstanceUID"]
            )
            return uid_digest(header.get("StudyInstanceUID"))
    except Exception:  # whatever is wrong with the file is said when it is read
        return None
