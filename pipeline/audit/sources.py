"""The films of studies, from a folder that `squareon read` wrote or from the store."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from functools import lru_cache, partial
from pathlib import Path
from typing import Any

from pydicom.dataset import Dataset

from pipeline.audit.model import FilmRead
from pipeline.readers.dicom_acquisition import acquisition_of
from pipeline.readers.dicom_shot import Shot, shot_of
from pipeline.readers.dicom_tags import read_header
from pipeline.readers.files import sha256_of
from pipeline.records.jsonl import load_rows
from pipeline.records.overlay import short_name
from pipeline.records.store import Filter, Store, find
from pipeline.records.store.keys import code_of

Studies = dict[str, list[FilmRead]]
Code = Callable[[str], str]
"""From an operator's name as written to a code."""
Found = tuple[int, Mapping[str, Any], str, Sequence[Path]]
"""A reading: its number, the object of `readings.jsonl`, its state, where its film may lie."""
OPEN_HEADERS = 4
"""Headers kept while the frames of a run are gone through."""


def coded(key: bytes) -> Code:
    """Codes as a store under that key gives them."""
    return partial(code_of, key, "operator")


def of_results(folder: Path, code: Code | None) -> Studies:
    """Studies of a folder that `squareon read` wrote; films are looked up where they were.

    Without `code` nobody's code is given.
    """
    rows = enumerate(load_rows(folder), start=1)
    found = ((id, row, "proposed", [Path(row["film"]["source"])]) for id, row in rows)
    return _studies(film_reads(found, code))


def of_store(store: Store, code: Code | None) -> Studies:
    """Studies of the store, as people left the readings; of several of one knee the last.

    Where a film is gone, the operator's code is the one that the store holds.
    """
    rows = {row.reading: row for row in find(store, Filter(latest=True))}
    stored = (store.reading(id) for id in rows)
    films = film_reads(((one.id, one.current, one.state, one.paths) for one in stored), code)
    if code is None:
        return _studies(films)
    return _studies(
        film if film.operator else replace(film, operator=rows[film.id].operator) for film in films
    )


def _studies(films: Iterable[FilmRead]) -> Studies:
    studies: Studies = {}
    for film in films:
        studies.setdefault(study_key(film.row), []).append(film)
    return studies


def film_reads(found: Iterable[Found], code: Code | None = None) -> Iterator[FilmRead]:
    """Readings with what the headers of their films say, where those are as they were read."""
    header = lru_cache(OPEN_HEADERS)(_header)
    for id, row, state, paths in found:
        film = row["film"]
        path, dataset = header(tuple(paths), film["sha256"])
        shot = Shot() if dataset is None else shot_of(dataset, film["frame"])
        name = None if dataset is None else acquisition_of(dataset).operator
        operator = None if name is None or code is None else code(name)
        yield FilmRead(id, short_name(film["source"]), row, state, shot, path, operator)


def study_key(row: Mapping[str, Any]) -> str:
    """The study's digest; films without one belong to the folder that they lie in."""
    digest, folder = row["film"]["study_digest"], Path(row["film"]["source"]).parent
    if digest:
        return str(digest)
    return f"{folder.name}-{hashlib.sha256(os.fsencode(folder)).hexdigest()[:8]}"


def _header(paths: tuple[Path, ...], sha256: str) -> tuple[Path | None, Dataset | None]:
    """Where the film lies with the content that was read, and its header."""
    for path in paths:
        if path.is_file() and sha256_of(path) == sha256:
            return path, read_header(path)
    return None, None
