"""Tips of instruments from a table that a person wrote, in place of those the network found.

A detector around another one: everything else is as that one sees it.
"""

from __future__ import annotations

import csv
import hashlib
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.contracts import Detector
from pipeline.knee.detection import Detection
from pipeline.knee.errors import Problem
from pipeline.knee.film import Film
from pipeline.readers.files import cannot_open
from pipeline.registry import build

COLUMNS = ("film", "x", "y")
Key = tuple[str, int | None]


@dataclass
class MarkedTips:
    """Another detector's findings, with tips of instruments from a table.

    Attributes:
        base: the detector that finds everything else.
        tips: CSV file with the columns film, x, y and, for films of several frames, frame. film is
            the file's name or its SHA-256; x and y are pixels, the first pixel's centre at (0, 0).
            A film that is named has these tips and no others: none where x and y are empty. Films
            that are not named keep what the network found.
        threads: of the other detector, where it has such an option; 0 = its own choice.
    """

    base: str = "onnx"
    tips: str = ""
    threads: int = 0
    _inner: Detector = field(init=False, repr=False)

    def __post_init__(self) -> None:
        if self.base == "marked":
            raise Problem("base", "marked cannot stand on itself", "name another detector")
        self._inner = build(
            "detector", self.base, {"threads": self.threads} if self.threads else {}
        )

    @cached_property
    def _table(self) -> tuple[Mapping[Key, NDArray[np.float64]], str]:
        return marks_of(Path(self.tips)) if self.tips else ({}, "")

    @property
    def weights(self) -> str:
        """The other detector's, and the digest of the table. Raises `Problem` for a wrong one."""
        digest = self._table[1]
        own = f", tips marked in {digest[:12]}" if digest else ""
        return f"{self._inner.weights}{own}"

    def detect(self, film: Film) -> Sequence[Detection]:
        """What the other detector finds, each knee with the marked tips nearest to it."""
        found = list(self._inner.detect(film))
        tips = self._tips_of(film)
        if tips is None or not found:
            return found
        middles = np.array([[(d.box[0] + d.box[2]) / 2, (d.box[1] + d.box[3]) / 2] for d in found])
        nearest = np.linalg.norm(tips[:, None] - middles[None], axis=2).argmin(axis=1)
        return [replace(d, tips=tips[nearest == i]) for i, d in enumerate(found)]

    def detect_as(self, film: Film, box: Any, view: Any, to_right: Any) -> Detection:
        """As the other detector does where it can look again; tips as marked."""
        again: Detection = self._inner.detect_as(film, box, view, to_right)  # type: ignore[attr-defined]
        tips = self._tips_of(film)
        return again if tips is None else replace(again, tips=tips)

    def _tips_of(self, film: Film) -> NDArray[np.float64] | None:
        """(T, 2) tips marked on a film; None where it is not named. Raises `Problem`."""
        for name in (film.sha256, Path(film.source).name):
            for frame in dict.fromkeys((film.frame, None)):
                tips = self._table[0].get((name, frame))
                if tips is None:
                    continue
                size = np.array([film.columns, film.rows]) - 1
                if len(tips) and not ((tips >= 0) & (tips <= size)).all():
                    what = f"a tip marked on {name} lies outside the film"
                    raise Problem(self.tips, what, "correct x and y, counted in pixels from 0")
                return tips
        return None


def marks_of(path: Path) -> tuple[dict[Key, NDArray[np.float64]], str]:
    """Film and frame to its (T, 2) tips, and the table's digest. Raises `Problem` by line."""
    try:
        raw = path.read_bytes()
        text = raw.decode("utf-8-sig")
    except OSError as error:
        raise cannot_open(path, error) from None
    except UnicodeDecodeError:
        raise Problem(str(path), "cannot be read as a table", "give a CSV file in UTF-8") from None
    table = csv.DictReader(io.StringIO(text))
    missing = [name for name in COLUMNS if name not in (table.fieldnames or ())]
    if missing:
        raise Problem(str(path), f"has no column {missing[0]}", "begin it with film,frame,x,y")
    found: dict[Key, list[tuple[float, float]]] = {}
    for number, row in enumerate(table, 2):
        where = f"{path}, line {number}"
        film, frame = (row["film"] or "").strip(), (row.get("frame") or "").strip()
        if not film or (frame and not frame.isdecimal()):
            raise Problem(where, "names no film, or a frame that is no number", "correct the line")
        places = [(row[axis] or "").strip() for axis in ("x", "y")]
        own = found.setdefault((film, int(frame) if frame else None), [])
        if places == ["", ""]:
            continue
        try:
            x, y = (float(place) for place in places)
        except ValueError:
            raise Problem(
                where, "x or y is no number", "give pixels, or leave both empty"
            ) from None
        if not np.isfinite([x, y]).all():
            raise Problem(where, "x or y is no number", "give pixels, or leave both empty")
        own.append((x, y))
    tips = {key: np.array(own, dtype=np.float64).reshape(-1, 2) for key, own in found.items()}
    return tips, hashlib.sha256(raw).hexdigest()
