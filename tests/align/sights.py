"""Small sights for tests of the verdict."""

from __future__ import annotations

import numpy as np

from pipeline.contracts import Sight
from pipeline.knee.detection import Detection, Hypothesis, Pose
from pipeline.knee.film import Film, HeaderHints, Scale
from pipeline.knee.landmarks import names_of


def sight(
    view: str = "AP",
    hypotheses: tuple[tuple[float, float, float, float, float], ...] = ((0, 1, 0, 1, 1),),
    flexion: float | None = 5.0,
    off_centre: tuple[float, float] | None = None,
    header: HeaderHints | None = None,
    points: dict[str, tuple[float, float]] | None = None,
    mm_per_px: float | None = None,
    sd_px: float = 1.0,
    width_px: float = 500.0,
    roll: float = 0.0,
) -> Sight:
    """A sight whose landmarks are all unseen except `points`."""
    names = names_of(view)  # type: ignore[arg-type]
    points = points or {}
    xy = np.array([points.get(n, (0.0, 0.0)) for n in names], dtype=float)
    detection = Detection(
        box=(0, 0, 1000, 1000),
        view=view,  # type: ignore[arg-type]
        view_probability=1.0,
        lateral_to_right=False,
        lateral_to_right_probability=1.0,
        side="right",
        side_probability=1.0,
        names=names,
        xy=xy,
        covariance=np.repeat(np.eye(2)[None] * sd_px**2, len(names), axis=0),
        seen=np.array([float(n in points) for n in names]),
    )
    pose = Pose(
        hypotheses=tuple(Hypothesis(*h) for h in hypotheses),
        roll_deg=roll,
        flexion_deg=flexion,
        off_centre_deg=off_centre,
        width_px=width_px,
    )
    film = Film(
        np.zeros((8, 8), np.float32),
        "invented.png",
        "0" * 64,
        scale=Scale(mm_per_px, mm_per_px, "invented" if mm_per_px else "none"),
        header=header or HeaderHints(),
    )
    return Sight(film, detection, pose, "right", 5.0, 0.0)
