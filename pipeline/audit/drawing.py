"""The fitted knee drawn on its film, and as the first film's advice would have shown it.

The prediction is a drawing: the knee fitted to the first film, turned to the advised angles in the
same beam. It is no film and shows no soft tissue.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.audit.model import FilmRead
from pipeline.audit.steps import poses
from pipeline.contracts import AlignmentCriterion, FilmReader, PoseEstimator, Sight
from pipeline.fit.landmark_fit import LandmarkFit
from pipeline.fit.turning import FittedKnee
from pipeline.knee.detection import Detection
from pipeline.knee.errors import Problem
from pipeline.knee.film import Film, Scale
from pipeline.knee.reading import CriterionRead
from pipeline.readers.read import read_films
from pipeline.records import canvas as c
from pipeline.records.canvas import Canvas
from pipeline.records.export.outlines import detection_of
from pipeline.records.overlay import Window, grey_levels

Array = NDArray[np.float64]

ROUND_BOX = 0.15
"""Margin about the knee's box, as a share of its size."""
DARKENED = 0.5
"""Brightness of a film under a drawing."""
GONE = 70
"""Grey level, 0 to 255, in place of a film that is gone."""
SEPARATIONS = (
    "condyle offset front to back",
    "condyle offset up and down",
    "medial plateau gap",
    "lateral plateau gap",
    "patella centring",
)
"""Rows of the criteria whose change with a turn is shown."""


@dataclass(frozen=True)
class Drawn:
    """What can be drawn of one film of a hunt.

    Attributes:
        film: with its pixels, or a blank one of its size.
        blank: whether the film itself is gone.
        knee: fitted; None where no knee fits.
    """

    read: FilmRead
    film: Film
    blank: bool
    detection: Detection | None
    knee: FittedKnee | None


@dataclass(frozen=True)
class Draughtsman:
    """Opens films and fits knees to what was read on them.

    Attributes:
        readers: of films.
        pose: the estimator of the readings; knees are fitted only by one that fits them.
        criteria: those of the readings.
        tolerance_deg, ap_rotation_zero: of the verdict.
    """

    readers: Sequence[FilmReader]
    pose: PoseEstimator
    criteria: Sequence[AlignmentCriterion]
    tolerance_deg: float
    ap_rotation_zero: float

    def open(self, read: FilmRead) -> Drawn:
        """The film of a reading with a knee fitted to its landmarks."""
        film, blank = self._film(read)
        detection = detection_of(read.row)
        knee = None
        if detection is not None and read.alignment is not None:
            try:
                if isinstance(self.pose, LandmarkFit):
                    knee = FittedKnee.of(film, detection, self.pose, poses(read.angles))
            except Problem:
                knee = None
        return Drawn(read, film, blank, detection, knee)

    def _film(self, read: FilmRead) -> tuple[Film, bool]:
        about = read.row["film"]
        if read.path is not None:
            try:
                for film in read_films(read.path, self.readers):
                    if film.frame == about["frame"]:
                        return film, False
            except Problem:
                pass  # told of when it was read
        scale = read.row.get("scale") or {}
        known = Scale(scale.get("mm_per_px_detector"), scale.get("mm_per_px_knee"))
        size = (about["rows"], about["columns"])
        return Film(np.zeros(size, np.float32), about["source"], about["sha256"], scale=known), True

    def separations(self, drawn: Drawn, knee: FittedKnee) -> tuple[CriterionRead, ...]:
        """What an expert would measure on the fitted knee: rows of the criteria.

        Landmarks are the fitted knee's own, not those of the film.
        """
        if drawn.detection is None:
            return ()
        unseen = replace(drawn.detection, seen=np.zeros(len(drawn.detection.names)))
        sight = Sight(
            film=drawn.film,
            detection=unseen,
            pose=knee.pose(),
            side=drawn.read.side,
            tolerance_deg=self.tolerance_deg,
            ap_rotation_zero=self.ap_rotation_zero,
        )
        rows = (row for criterion in self.criteria for row in criterion.judge(sight))
        return tuple(row for row in rows if row.name in SEPARATIONS)


def film_picture(drawn: Drawn, size: int, outline: bool = True) -> bytes:
    """PNG of the film about its knee with the fitted outline, `size` pixels high."""
    canvas, window = _ground(drawn, size)
    if outline and drawn.knee is not None:
        _knee(canvas, window, drawn.knee, c.SKY, 0.0)
    return canvas.png()


def turned_picture(drawn: Drawn, knee: FittedKnee, size: int) -> bytes:
    """PNG of the first film, darkened, the fitted knee thin and the turned one bright over it."""
    canvas, window = _ground(drawn, size, DARKENED)
    if drawn.knee is not None:
        _knee(canvas, window, drawn.knee, c.SKY, 0.0, condyles=False)
    _knee(canvas, window, knee, c.YELLOW, 7.0)
    return canvas.png()


def _ground(drawn: Drawn, size: int, share: float = 1.0) -> tuple[Canvas, Window]:
    """The film about its knee, darkened to a share, `size` pixels high; the whole film where no
    knee was found, plain grey where the film is gone."""
    film, box = drawn.film, drawn.read.row["knee"]["box"]
    x0, y0, x1, y1 = box or (0.0, 0.0, film.columns, film.rows)
    edge = ROUND_BOX * max(x1 - x0, y1 - y0)
    left, top = max(0, int(x0 - edge)), max(0, int(y0 - edge))
    right, bottom = min(film.columns, int(x1 + edge)), min(film.rows, int(y1 + edge))
    window = Window(left, top, size / max(bottom - top, 1))
    grey = grey_levels(film.pixels[top:bottom, left:right], window.scale)
    grey = np.full_like(grey, GONE) if drawn.blank else (grey * share).astype(np.uint8)
    return Canvas(np.repeat(grey[:, :, None], 3, axis=2)), window


def _knee(
    canvas: Canvas,
    window: Window,
    knee: FittedKnee,
    colour: c.Colour,
    dash: float,
    condyles: bool = True,
) -> None:
    """Outline of the bones; on a lateral film each condyle by itself, the lateral one dashed."""
    for polygon in knee.pose().outline.values():
        canvas.line(window(polygon), colour, 2 if dash else 1, closed=True, dash=dash)
    if condyles and knee.solution.model.view == "lateral":
        for side, polygon in knee.condyles().items():
            mark = c.ORANGE if side == "lateral" else c.WHITE
            canvas.line(window(polygon), mark, 2, closed=True, dash=5.0 if side == "lateral" else 0)
