"""The floor: the mean knee in the middle of the film, whatever the film shows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from models.baselines.averages import WIDTH_MM, at, averages, box_of, placed, to_right
from pipeline.knee.detection import Detection, DirectPose
from pipeline.knee.film import Film
from pipeline.knee.landmarks import View, names_of


@dataclass(frozen=True)
class MeanShape:
    """Looks at the header and never at the picture: the view and side that it claims, the mean
    shape of training knees at the film's centre, mean angles with their spread.

    Attributes:
        share: W as a share of the film's shorter side where the scale is unknown.
    """

    share: float = 0.4

    @property
    def weights(self) -> str:
        return "mean of training knees"

    def detect(self, film: Film) -> Sequence[Detection]:
        """One knee, upright."""
        view: View = "lateral" if film.header.view == "lateral" else "AP"
        scale = film.scale.mm_per_px_knee
        width = WIDTH_MM / scale if scale else self.share * min(film.rows, film.columns)
        centre = np.array([film.columns - 1.0, film.rows - 1.0]) / 2
        up = np.array([0.0, -1.0])
        mirror = view == "AP" and film.header.side == "left"
        mean = averages(view)
        spread = (mean.spread * width) ** 2 / 2
        return [
            Detection(
                box=box_of(centre, width),
                view=view,
                view_probability=0.5 if film.header.view is None else 0.99,
                lateral_to_right=to_right(up, mirror),
                lateral_to_right_probability=0.5,
                side="left" if mirror else "right",
                side_probability=0.5,
                names=names_of(view),
                xy=placed(view, at(centre, up, width, mirror)),
                covariance=spread[:, None, None] * np.eye(2),
                seen=np.full(len(mean.places), 0.5),
                direct=DirectPose(
                    *(
                        float(value)
                        for pair in zip(mean.angles, mean.angle_sd, strict=True)
                        for value in pair
                    )
                ),
            )
        ]
