"""A site's own tables about its films: who made them, when, where, and which were rejected.

Cells are never quoted in what is said about a mistake: they may hold anything.
"""

from __future__ import annotations

import csv
import os
from collections.abc import Mapping
from datetime import date
from pathlib import Path

from pipeline.knee.acquisition import (
    CAUSES,
    MODALITIES,
    Acquisition,
    body_part_of,
    cause_of,
    modality_of,
)
from pipeline.knee.errors import Problem
from pipeline.readers.files import cannot_open
from pipeline.records.store.acquisitions import COLUMNS, Acquisitions, checked_label
from pipeline.records.store.keys import KINDS

FILM_COLUMNS = ("path", "sha256", "instance")
"""Columns of which one says which film a row is about."""
CODE_COLUMNS = ("kind", "name", "code")


def take_table(acquisitions: Acquisitions, path: Path) -> tuple[int, list[Problem]]:
    """Notes a table's rows; returns how many films they told about, and what was wrong.

    Columns: one of `FILM_COLUMNS`, and any of `COLUMNS`. Operators and stations are the site's
    codes. Raises `Problem` where the table cannot be read at all.
    """
    columns, rows = _rows(path)
    named = [name for name in FILM_COLUMNS if name in columns]
    told = [name for name in COLUMNS if name in columns]
    odd = sorted(set(columns) - {*FILM_COLUMNS, *COLUMNS})
    if odd or not named or not told:
        raise Problem(
            str(path),
            "has columns that are not known" if odd else "does not say which film or what about it",
            f"name films by {', '.join(FILM_COLUMNS)}; tell {', '.join(COLUMNS)}",
        )
    films = _by_name(acquisitions, path.parent)
    made: dict[str, Acquisition] = {}
    labels: dict[str, tuple[str, str]] = {}
    problems = []
    for where, row in rows:
        try:
            if uid := row.get("instance"):
                row["instance"] = acquisitions.instance(uid)
            sha256 = _film(row, named, films, where)
            made[sha256] = _acquisition(row, where).over(made.get(sha256, Acquisition()))
            for kind in KINDS:
                if label := row.get(kind):
                    labels[acquisitions.code(kind, label)] = (kind, label)
        except Problem as problem:
            problems.append(problem)
    acquisitions.note(made, prevails=True)
    acquisitions._labels(labels)
    return len(made), problems


def take_codes(acquisitions: Acquisitions, path: Path) -> tuple[int, list[Problem]]:
    """Gives names of headers the site's codes; columns `CODE_COLUMNS`. The names are not kept."""
    columns, rows = _rows(path)
    if set(columns) != set(CODE_COLUMNS):
        raise Problem(
            str(path), "is no table of codes", f"give the columns {', '.join(CODE_COLUMNS)}"
        )
    labels: dict[str, tuple[str, str]] = {}
    problems = []
    for where, row in rows:
        try:
            kind = row["kind"].lower()
            if kind not in KINDS or not row["name"]:
                raise Problem(where, "has no kind or no name", f"kind is {' or '.join(KINDS)}")
            labels[acquisitions.code(kind, row["name"])] = (kind, _label(row["code"], where))
        except Problem as problem:
            problems.append(problem)
    acquisitions._labels(labels)
    return len(labels), problems


def _rows(path: Path) -> tuple[list[str], list[tuple[str, dict[str, str]]]]:
    """Column names, and for each row where it is and its cells."""
    try:
        with open(path, encoding="utf-8-sig", newline="") as file:
            table = csv.DictReader(file)
            columns = [(name or "").strip().lower() for name in table.fieldnames or ()]
            table.fieldnames = columns
            rows = [
                (
                    f"{path} line {table.line_num}",
                    {k: (v or "").strip() for k, v in row.items() if isinstance(k, str)},
                )
                for row in table
            ]
    except OSError as error:
        raise cannot_open(path, error) from error
    except (UnicodeDecodeError, csv.Error) as error:
        raise Problem(str(path), "cannot be read as a table", "give a CSV file in UTF-8") from error
    return columns, rows


def _by_name(acquisitions: Acquisitions, folder: Path) -> dict[str, dict[str, str]]:
    """For each of `FILM_COLUMNS`: what a film may be called to its SHA-256."""
    found: dict[str, dict[str, str]] = {name: {} for name in FILM_COLUMNS}
    for film in acquisitions.films():
        found["sha256"][film.sha256] = film.sha256
        if film.instance is not None:
            found["instance"][film.instance] = film.sha256
        for path in (film.source, *map(str, film.paths)):
            found["path"][path] = film.sha256
            found["path"][os.path.abspath(path)] = film.sha256
            found["path"][os.path.relpath(os.path.abspath(path), folder)] = film.sha256
    return found


def _film(
    row: Mapping[str, str], named: list[str], films: Mapping[str, Mapping[str, str]], where: str
) -> str:
    for name in named:
        if value := row.get(name):
            digest = films[name].get(value)
            if digest is None and name == "path":
                digest = films[name].get(os.path.normpath(value))
            if digest is not None:
                return digest
    raise Problem(where, "names no film of the store", "correct it, or read that film first")


def _acquisition(row: Mapping[str, str], where: str) -> Acquisition:
    day, modality, reject = (row.get(name) for name in ("day", "modality", "reject"))
    if modality and modality_of(modality) is None:
        raise Problem(where, "has an unknown modality", f"write one of {', '.join(MODALITIES)}")
    if reject and cause_of(reject) is None:
        raise Problem(where, "has an unknown cause", f"write one of {', '.join(CAUSES)}")
    try:
        when = date.fromisoformat(day) if day else None
    except ValueError as error:
        raise Problem(where, "has no day that can be read", "write YYYY-MM-DD") from error
    return Acquisition(
        operator=_label(row.get("operator"), where) or None,
        station=_label(row.get("station"), where) or None,
        day=when,
        modality=modality_of(modality),
        body_part=body_part_of(row.get("body_part")),
        reject=cause_of(reject),
    )


def _label(text: str | None, where: str) -> str:
    if not text:
        return ""
    try:
        return checked_label(text)
    except Problem as problem:
        raise Problem(where, f"has a code that {problem.what}", problem.do) from None
