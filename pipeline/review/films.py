"""Films of the store opened for review: pixels for the browser, detections behind readings."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.contracts import Detector, FilmReader
from pipeline.knee.detection import Detection
from pipeline.knee.errors import Problem
from pipeline.knee.film import Film
from pipeline.readers.read import read_films
from pipeline.records.deep import FULL
from pipeline.review.recompute import Base, behind, remembered


@dataclass(frozen=True)
class OpenFilm:
    """One picture with what the detector finds on it."""

    film: Film
    detections: tuple[Detection, ...]

    def levels(self) -> NDArray[np.uint16]:
        """(rows, columns) grey levels 0 to 65535: `Film.pixels` times 65535, rounded.

        Pixels of 16 bits or fewer keep their order and their differences: the film's range is
        stretched over all levels.
        """
        return np.rint(self.film.pixels * np.float32(FULL)).astype("<u2")


@dataclass
class FilmRoom:
    """Opens films and keeps the last few.

    Attributes:
        readers, detector: those that `squareon read` uses.
        most: films kept; 9 million pixels are 36 MB.
    """

    readers: Sequence[FilmReader]
    detector: Detector
    most: int = 4
    _kept: OrderedDict[tuple[str, int | None], OpenFilm] = field(default_factory=OrderedDict)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def open(self, path: Path, row: Mapping[str, Any]) -> OpenFilm:
        """The picture of a reading, `row`, whose film lies at `path`. Raises `Problem`."""
        key = (row["film"]["sha256"], row["film"]["frame"])
        with self._lock:
            if key in self._kept:
                self._kept.move_to_end(key)
                return self._kept[key]
            film = self._read(path, row["film"]["frame"])
            if film.sha256 != row["film"]["sha256"]:
                what = "the file has changed since it was read"
                raise Problem(str(path), what, "put the original back, or read the new film")
            film = replace(film, study_digest=row["film"]["study_digest"])
            opened = OpenFilm(film, tuple(self.detector.detect(film)))
            self._kept[key] = opened
            while len(self._kept) > self.most:
                self._kept.popitem(last=False)
            return opened

    def _read(self, path: Path, frame: int | None) -> Film:
        for film in read_films(path, self.readers):
            if film.frame == frame:
                return film
        raise Problem(str(path), f"has no frame {frame}", "read the film again")

    def base(self, path: Path, row: Mapping[str, Any]) -> tuple[Base, bool]:
        """What changes of `row` count from, and whether it is all that the network saw.

        The network is asked again; where it does not see what stands in the reading (other
        weights or settings), the reading alone is gone by.
        """
        opened = self.open(path, row)
        detection = behind(row, opened.detections)
        alone = len(opened.detections) == 1
        index = int(row["knee"]["index"])
        if detection is not None:
            return Base(opened.film, index, detection, alone), True
        return Base(opened.film, index, remembered(row, opened.film), alone), False
