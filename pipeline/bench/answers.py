"""What an entry says about films, in the plain form in which predictions are handed in.

One row a knee; the fields are those of docs/guides/benchmark.md. A detector and pose estimator of
this program answer in the same form as anybody else, and every answer is scored in the same way:
`Answers` is a detector and a pose estimator that look up what was said.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import PurePosixPath
from typing import Any

import numpy as np

from pipeline.knee.detection import Detection, DirectPose, Hypothesis, Pose
from pipeline.knee.errors import Problem
from pipeline.knee.film import Film
from pipeline.knee.landmarks import names_of
from pipeline.records.truth_lines import PLACES

Row = dict[str, Any]
NAN = float("nan")


# ---- from this program's own types ---------------------------------------------------------------


def rows_of(
    film: str, detections: Sequence[Detection], poses: Sequence[Pose | str | None]
) -> list[Row]:
    """One row a detection; a pose that is text is why there is none."""
    rows = []
    for detection, pose in zip(detections, poses, strict=True):
        row: Row = {
            "film": film,
            "view": detection.view,
            "view_probability": _plain(detection.view_probability),
            "box": [_plain(v) for v in detection.box],
        }
        if detection.view in ("AP", "lateral"):
            row["lateral_to_right"] = bool(detection.lateral_to_right)
            row["landmarks"] = {
                name: [_plain(v) for v in xy]
                for name, xy in zip(detection.names, detection.xy, strict=True)
            }
        if len(detection.tips):
            row["tips"] = [[_plain(v) for v in tip] for tip in detection.tips]
        if detection.direct is not None:
            row["direct"] = [
                _plain(detection.direct.rotation_deg),
                _plain(detection.direct.tilt_deg),
            ]
        if isinstance(pose, str):
            row["failed"] = pose
        elif pose is not None:
            top = pose.hypotheses[0]
            row |= {
                "rotation_deg": _plain(top.rotation_deg),
                "rotation_sd": _plain(top.rotation_sd),
                "tilt_deg": _plain(top.tilt_deg),
                "tilt_sd": _plain(top.tilt_sd),
                "flexion_deg": _plain(pose.flexion_deg),
            }
            if len(pose.hypotheses) > 1:
                row["hypotheses"] = [
                    [
                        _plain(v)
                        for v in (
                            h.rotation_deg,
                            h.rotation_sd,
                            h.tilt_deg,
                            h.tilt_sd,
                            h.probability,
                        )
                    ]
                    for h in pose.hypotheses
                ]
        rows.append(row)
    return rows or [{"film": film, "view": "none", "view_probability": 1.0}]


def _plain(value: float | None) -> float | None:
    return None if value is None or not math.isfinite(value) else round(float(value), PLACES)


# ---- back ----------------------------------------------------------------------------------------


def detection_of(row: Mapping[str, Any], size: tuple[int, int]) -> Detection:
    """The detection that a row describes; `size`: columns and rows of the film.

    Landmarks that were not given are NaN and count as not answered.
    """
    view: Any = row.get("view") or "none"
    names = names_of(view) if view in ("AP", "lateral") else ()
    marks = row.get("landmarks") or {}
    xy = np.array([marks.get(name) or (NAN, NAN) for name in names], dtype=np.float64).reshape(
        -1, 2
    )
    known = np.isfinite(xy).all(axis=1)
    to_right = row.get("lateral_to_right")
    direct = row.get("direct")
    return Detection(
        box=_box(row.get("box"), xy[known], size),
        view=view,
        view_probability=float(row.get("view_probability") or 1.0),
        lateral_to_right=bool(to_right),
        lateral_to_right_probability=1.0 if to_right is not None else 0.5,
        side="left" if to_right else "right",
        side_probability=0.5,
        names=names,
        xy=xy,
        covariance=np.full((len(names), 2, 2), NAN),
        seen=np.asarray(known, dtype=np.float64),
        direct=None if direct is None else DirectPose(direct[0], NAN, direct[1], NAN, NAN, NAN),
        tips=np.array(row.get("tips") or np.zeros((0, 2)), dtype=np.float64).reshape(-1, 2),
    )


def _box(given: Any, points: Any, size: tuple[int, int]) -> tuple[float, float, float, float]:
    """The box as given, else about the middle of the landmarks, else the whole film."""
    if given:
        return tuple(float(v) for v in given)  # type: ignore[return-value]
    if len(points):
        # landmarks reach up and down the shafts: their median lies near the joint
        x, y = np.median(points, axis=0)
        half = float(np.ptp(points[:, 0])) or 1.0
        return x - half, y - half, x + half, y + half
    return 0.0, 0.0, size[0] - 1.0, size[1] - 1.0


def pose_of(row: Mapping[str, Any]) -> Pose | None:
    """The pose of a row; None where it gives no angles. No deviation: infinitely unsure."""
    if row.get("rotation_deg") is None or row.get("tilt_deg") is None:
        return None
    several = row.get("hypotheses")
    if not several:
        sds = [row.get(f"{angle}_sd") for angle in ("rotation", "tilt")]
        r_sd, t_sd = (NAN if sd is None else sd for sd in sds)
        several = [[row["rotation_deg"], r_sd, row["tilt_deg"], t_sd, 1.0]]
    return Pose(
        hypotheses=tuple(Hypothesis(*(float(v) for v in one)) for one in several),
        roll_deg=NAN,
        flexion_deg=row.get("flexion_deg"),
        off_centre_deg=None,
        width_px=NAN,
    )


def stem_of(name: str) -> str:
    """A film's name without folder and ending."""
    return PurePosixPath(str(name).replace("\\", "/")).stem


@dataclass
class Answers:
    """A detector and pose estimator that know the answers of one suite.

    Attributes:
        rows: one a knee, of any number of films.
        weights: what to call them in the record.
    """

    rows: Sequence[Row]
    weights: str = "predictions"
    _by_film: dict[str, list[Row]] = field(default_factory=dict, init=False, repr=False)
    _said: dict[int, Row] = field(default_factory=dict, init=False, repr=False)

    def __post_init__(self) -> None:
        for row in self.rows:
            self._by_film.setdefault(stem_of(row["film"]), []).append(row)

    def of(self, film: str) -> list[Row]:
        """The rows of a film."""
        return self._by_film.get(stem_of(film), [])

    def detect(self, film: Film) -> Sequence[Detection]:
        """What was said about the film."""
        self._said.clear()
        found = []
        for row in self.of(film.source):
            detection = detection_of(row, (film.columns, film.rows))
            self._said[id(detection)] = row
            found.append(detection)
        return found

    def estimate(self, film: Film, detection: Detection) -> Pose:
        """The angles said with it. Raises `Problem` where none were."""
        row = self._said[id(detection)]
        pose = pose_of(row)
        if pose is None:
            raise Problem(film.source, row.get("failed") or "no angles were given", "give them")
        return pose
