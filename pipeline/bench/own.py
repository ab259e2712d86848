"""The suite `own`: a folder of the user's films, and a file of marks that says what is true.

Marks have the form of predictions. Errors are in millimetres where the film's file or the marks
(`mm_per_px`) give the scale at the knee; without it a film counts for angles and views alone.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.bench.answers import Row, detection_of, stem_of
from pipeline.bench.formats import predictions_of, unmatched
from pipeline.knee.errors import Problem
from pipeline.knee.film import Film
from pipeline.knee.truth import KneeTruth, LabelledFilm
from pipeline.registry import build, names

NAN = float("nan")


@dataclass
class OwnFilms:
    """Films and marks of one folder.

    Attributes:
        names: films with marks, without ending, sorted.
        paths: where each lies.
        marks: rows by film.
        digest: of the marks and the films' names.
    """

    names: tuple[str, ...]
    paths: Mapping[str, Path]
    marks: Mapping[str, tuple[Row, ...]]
    digest: str
    _sizes: dict[str, Film] = field(default_factory=dict, repr=False)

    @property
    def key(self) -> str:
        """Name of its answers."""
        return f"own-{self.digest[:8]}"

    def subject(self, number: int) -> str:
        """Who is on a film: `subject` of its marks, else the film is a person of its own."""
        name = self.names[number]
        return str(self.marks[name][0].get("subject") or name)

    def labelled(self, number: int, black: bool = False) -> LabelledFilm:
        """Film and truth. `black`: the pixels are not needed."""
        name = self.names[number]
        if black and name in self._sizes:
            film = self._sizes[name]
        else:
            film = _read(self.paths[name])
            empty = np.broadcast_to(np.float32(0), film.pixels.shape)
            self._sizes[name] = _with_pixels(film, empty, name)
        shown = self._sizes[name] if black else _with_pixels(film, film.pixels, name)
        return LabelledFilm(shown, tuple(truth_of(row, shown) for row in self.marks[name]))

    def told(self) -> dict[str, Any]:
        """For the record."""
        return {
            "about": "the user's own films and marks",
            "version": 1,
            "beside": "",
            "films": len(self.names),
            "digest": self.digest,
            "state": "not published",
        }


def own_films(section: Mapping[str, Any]) -> OwnFilms:
    """From the settings `own`. Raises `Problem` with the first thing that is wrong."""
    for key, what in (("films", "a folder"), ("marks", "a file")):
        if not section.get(key):
            raise Problem(f"own.{key}", "is not set", f"name {what}")
    folder, marks = Path(section["films"]), Path(section["marks"])
    if not folder.is_dir():
        raise Problem(str(folder), "is no folder", "name the folder of your films")
    rows = predictions_of(marks)
    paths: dict[str, Path] = {}
    for path in sorted(p for p in folder.rglob("*") if p.is_file() and p != marks):
        if path.stem in paths:
            raise Problem(
                str(path), f"has the name of {paths[path.stem]}", "give each film a name of its own"
            )
        paths[path.stem] = path
    by_film: dict[str, list[Row]] = {}
    for row in rows:
        by_film.setdefault(stem_of(row["film"]), []).append(row)
    wrong = [f for f in unmatched(rows, [*paths]) if f.where]
    if wrong:
        raise Problem(str(marks), f"{wrong[0].where}: {wrong[0].what}", wrong[0].do)
    names = tuple(sorted(by_film))
    digest = hashlib.sha256(marks.read_bytes() + "\n".join(names).encode()).hexdigest()[:16]
    return OwnFilms(names, paths, {n: tuple(by_film[n]) for n in names}, digest)


def _read(path: Path) -> Film:
    from pipeline.readers.read import read_films  # decoders take a while to import

    readers = [build("reader", name, {}) for name in names("reader")]
    films = list(read_films(path, readers))
    if len(films) != 1:
        raise Problem(str(path), f"holds {len(films)} films", "give each film a file of its own")
    return films[0]


def _with_pixels(film: Film, pixels: Any, name: str) -> Film:
    return replace(film, pixels=pixels, source=name)


def truth_of(row: Row, film: Film) -> KneeTruth:
    """The truth that one row of marks states; what it does not say is NaN."""
    marked = detection_of(row, (film.columns, film.rows))
    known: NDArray[np.bool_] = np.asarray(np.isfinite(marked.xy).all(axis=1))
    box = np.array(marked.box).reshape(2, 2)
    scale = row.get("mm_per_px") or film.scale.mm_per_px_knee or NAN
    width = float(np.ptp(box[:, 0])) / 2
    return KneeTruth(
        view="other" if marked.view == "none" else marked.view,  # type: ignore[arg-type]
        side="right",
        lateral_to_right=bool(row.get("lateral_to_right", False)),
        names=marked.names,
        xy=marked.xy,
        normal=np.full_like(marked.xy, NAN),  # nobody marks outlines' directions
        seen=known,
        rotation_deg=float(row.get("rotation_deg", NAN)),
        tilt_deg=float(row.get("tilt_deg", NAN)),
        roll_deg=NAN,
        flexion_deg=float(row.get("flexion_deg", NAN)),
        off_centre_deg=(NAN, NAN),
        width_px=width,
        width_mm=width * scale if scale == scale else width,
        centre=box.mean(axis=0),
        up=np.array([0.0, -1.0]) if "lateral_to_right" in row else np.zeros(2),
        mm_per_px_knee=float(scale),
    )
