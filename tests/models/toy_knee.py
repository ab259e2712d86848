"""A drawn knee with exact truth: enough like a knee film to train and test on in seconds."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from pipeline.knee.film import Film
from pipeline.knee.landmarks import names_of
from pipeline.knee.truth import KneeTruth, LabelledFilm

_rng = np.random.default_rng(5)
BASE = {v: _rng.uniform(-1.0, 1.0, (len(names_of(v)), 2)) * [0.55, 1.1] for v in ("AP", "lateral")}
for _view, _left, _right in (
    ("AP", "lateral_epicondyle", "medial_epicondyle"),
    ("lateral", "trochlea_anterior", "medial_condyle_posterior"),
    ("lateral", "trochlea_anterior", "lateral_condyle_posterior"),
):
    BASE[_view][names_of(_view).index(_left), 0] = -0.5
    BASE[_view][names_of(_view).index(_right), 0] = 0.4


@dataclass(frozen=True)
class ToyScenario:
    """Knees whose landmarks are bright dots and blobs on a dim shaft.

    Rotation moves all landmarks sideways a little, tilt up and down, flexion stretches them, so
    that the angles can be read off the picture.
    """

    empty_share: float = 0.1
    side: int = 300

    def make(self, seed: int) -> LabelledFilm:
        rng = np.random.default_rng(seed)
        rows, columns = (int(self.side * rng.uniform(0.8, 1.2)) for _ in range(2))
        picture = np.zeros((rows, columns), np.float32)
        if rng.random() < self.empty_share:
            picture += rng.random(picture.shape).astype(np.float32) * 0.4
            return LabelledFilm(Film(picture, "toy", "0" * 64), ())
        truth = self._draw(picture, rng)
        picture += rng.normal(0, 0.01, picture.shape).astype(np.float32)
        return LabelledFilm(Film(np.clip(picture, 0, 1), "toy", "0" * 64), (truth,))

    def _draw(self, picture: np.ndarray, rng: np.random.Generator) -> KneeTruth:
        rows, columns = picture.shape
        view = "AP" if rng.random() < 0.5 else "lateral"
        width = min(rows, columns) * rng.uniform(0.22, 0.34)
        turn = np.deg2rad(rng.uniform(-25, 25))
        up = np.array([np.sin(turn), -np.cos(turn)])
        centre = np.array([columns, rows]) * rng.uniform(0.4, 0.6, 2)
        to_right = bool(rng.random() < 0.5)
        rotation, tilt, flexion = rng.uniform(-10, 10), rng.uniform(-8, 8), rng.uniform(0, 40)
        local = BASE[view] * [1.0, 1.0 + flexion / 400] + [rotation / 80, tilt / 80]
        right = np.array([-up[1], up[0]]) * (-1.0 if to_right else 1.0)
        xy = centre + width * (local[:, :1] * right - local[:, 1:] * up)
        shift = 4
        ends = [centre + up * width * 1.6, centre - up * width * 1.6]
        points = [tuple(int(v * 16) for v in p) for p in ends]
        cv2.line(picture, points[0], points[1], 0.3, max(int(width * 0.3), 1), cv2.LINE_AA, shift)
        for k, point in enumerate(xy):
            at = tuple(round(v * 16) for v in point)
            radius = int((0.03 + 0.008 * (k % 5)) * width * 16)
            level = 0.6 + 0.4 * ((k * 7) % 10) / 10
            cv2.circle(picture, at, radius, level, -1, cv2.LINE_AA, shift)
        inside = (xy > -0.5).all(axis=1) & (xy < [columns - 0.5, rows - 0.5]).all(axis=1)
        mm = 80.0 / width
        return KneeTruth(
            view=view,
            side="left" if to_right else "right",
            lateral_to_right=to_right,
            names=names_of(view),
            xy=xy,
            normal=np.zeros_like(xy),
            seen=inside,
            rotation_deg=rotation,
            tilt_deg=tilt,
            roll_deg=float(np.rad2deg(turn)),
            flexion_deg=flexion,
            off_centre_deg=(0.0, 0.0),
            width_px=width,
            width_mm=80.0,
            centre=centre,
            up=up,
            mm_per_px_knee=mm,
        )
