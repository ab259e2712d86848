"""A scenario, a detector and a pose estimator for the benchmark, without anatomy or networks.

A toy film is noise; its first two pixels hold its seed, so that a toy detector knows the truth and
errs from it by as much as it is told to.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from pipeline.knee.detection import Detection, DirectPose, Hypothesis, Pose
from pipeline.knee.errors import Problem
from pipeline.knee.film import Film, HeaderHints, Scale
from pipeline.knee.landmarks import BY_NAME, names_of
from pipeline.knee.truth import KneeTruth, LabelledFilm

SIDE, MM = 96, 0.5
DATA_VERSION = "1"


@dataclass
class ToyFilms:
    """Attributes: `films_per_knee` as in the real scenario; `turn_deg` turns every knee more."""

    films_per_knee: int = 1
    turn_deg: float = 0.0

    def make(self, seed: int) -> LabelledFilm:
        rng = np.random.default_rng([seed, 1])
        view = "AP" if (seed // self.films_per_knee) % 2 else "lateral"
        names = names_of(view)
        xy = rng.uniform(30, 66, (len(names), 2))
        contour = np.array([BY_NAME[name].kind == "contour" for name in names])
        angle = rng.uniform(0, 2 * np.pi, len(names))
        normal = np.stack([np.cos(angle), np.sin(angle)], axis=1) * contour[:, None]
        pixels = rng.random((SIDE, SIDE)).astype(np.float32)
        pixels[0, :2] = np.array([seed // 65536, seed % 65536]) / np.float32(65535)
        seen = np.ones(len(names), dtype=bool)
        seen[0] = False
        truth = KneeTruth(
            view=view,
            side="right",
            lateral_to_right=bool(seed % 3),
            names=names,
            xy=xy,
            normal=normal,
            seen=seen,
            rotation_deg=float(rng.uniform(-10, 10)) + self.turn_deg,
            tilt_deg=float(rng.uniform(-10, 10)),
            roll_deg=0.0,
            flexion_deg=5.0,
            off_centre_deg=(0.0, 0.0),
            width_px=60.0,
            width_mm=60.0 * MM,
            centre=np.array([48.0, 48.0]),
            up=np.array([0.0, -1.0]),
            mm_per_px_knee=MM,
        )
        film = Film(
            pixels,
            f"toy {seed}",
            hashlib.sha256(pixels.tobytes()).hexdigest(),
            scale=Scale(MM, MM, "toy"),
            header=HeaderHints(view=view, central_ray=(1.0, 2.0)),
        )
        return LabelledFilm(film, (truth,))


def seed_of(film: Film) -> int:
    high, low = np.rint(film.pixels[0, :2] * 65535).astype(int)
    return int(high) * 65536 + int(low)


@dataclass
class ToyDetector:
    """Attributes: `sigma_mm` of isotropic errors, `angle_sd` of the angles; misses every
    `miss`-th film (0: none); breaks on every `breaks`-th."""

    sigma_mm: float = 1.0
    angle_sd: float = 1.0
    miss: int = 0
    breaks: int = 0
    number: int = 1

    @property
    def weights(self) -> str:
        return f"toy {self.number}"

    def detect(self, film: Film) -> Sequence[Detection]:
        seed = seed_of(film)
        if log := os.environ.get("TOY_EXAM_LOG"):
            with open(log, "a") as file:
                file.write(f"{seed}\n")
        if self.breaks and seed % self.breaks == 0:
            raise RuntimeError("the toy broke")
        if self.miss and seed % self.miss == 0:
            return []
        truth = ToyFilms().make(seed).knees[0]
        view = truth.view if film.header.view is None else film.header.view
        if view != truth.view:  # two films a person: the view comes with the person
            truth = replace(ToyFilms(films_per_knee=2).make(seed).knees[0])
        rng = np.random.default_rng([seed, 2, self.number])
        xy = truth.xy + rng.normal(0, self.sigma_mm / MM, truth.xy.shape)
        r, t = rng.normal([truth.rotation_deg, truth.tilt_deg], self.angle_sd)
        return [
            Detection(
                box=(18.0, 18.0, 78.0, 78.0),
                view=truth.view,
                view_probability=0.9,
                lateral_to_right=truth.lateral_to_right,
                lateral_to_right_probability=0.9,
                side="right",
                side_probability=0.9,
                names=truth.names,
                xy=xy,
                covariance=np.tile(np.eye(2), (len(xy), 1, 1)),
                seen=np.ones(len(xy)),
                direct=DirectPose(float(r), self.angle_sd, float(t), self.angle_sd, 5.0, 1.0),
            )
        ]


@dataclass
class ToyPose:
    """The angles that the toy detector gave; refuses every `refuse`-th film."""

    refuse: int = 0

    def estimate(self, film: Film, detection: Detection) -> Pose:
        if self.refuse and seed_of(film) % self.refuse == 0:
            raise Problem(film.source, "the toy refuses", "take another")
        d = detection.direct
        assert d is not None
        return Pose(
            (Hypothesis(d.rotation_deg, d.rotation_sd, d.tilt_deg, d.tilt_sd, 1.0),),
            0.0,
            5.0,
            None,
            60.0,
        )
