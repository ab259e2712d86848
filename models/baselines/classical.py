"""A detector of the old kind: a mean picture laid over the film, edges, circles; nothing learned.

The mean picture of each view is tried at several sizes, turns and both ways round (normalised
cross-correlation); landmarks start where the mean shape then lies, and each one on an outline
moves along its normal to the strongest edge (after Cootes et al. 1995, Comput Vis Image Underst
61:38, without a model of shape). On a lateral film two circles are fitted to the edges behind the
condyles (RANSAC; Fischler & Bolles 1981, Commun ACM 24:381): the larger is taken for the medial
condyle, which is magnified more when the lateral side lies on the receptor.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from models.baselines.averages import WIDTH_MM, averages, box_of, placed, to_right
from models.geometry import EXTENT, Similarity, crop_transform, picture_of
from pipeline.knee.detection import Detection
from pipeline.knee.film import Film
from pipeline.knee.landmarks import View, names_of

Array = NDArray[np.float64]
Grey = NDArray[Any]
COARSE = 28
"""Rows and columns of the mean picture while it is laid over the film."""
FINE = 256
"""Side of the crop in which edges are looked for."""
RADII_W = (0.17, 0.3)
"""Of the posterior condyles, W: about 17 mm and 5 mm more or less, on a W of 79 mm."""
REACH_W = 0.07


@dataclass(frozen=True)
class Match:
    """Where the mean picture fits best."""

    score: float
    view: View
    centre: Array
    width: float
    up: Array
    mirror: bool


@dataclass(frozen=True)
class Classical:
    """Finds one knee.

    Attributes:
        least: correlation below which there is no knee.
        turns_deg: rolls that are tried.
        seed: of the draws with which circles are fitted.
    """

    least: float = 0.3
    turns_deg: tuple[float, ...] = (-30.0, -20.0, -10.0, 0.0, 10.0, 20.0, 30.0)
    seed: int = 0

    @property
    def weights(self) -> str:
        return "mean pictures of training knees"

    def detect(self, film: Film) -> Sequence[Detection]:
        """The knee where the mean picture fits best, or none."""
        pixels = np.nan_to_num(film.pixels, nan=0.0, posinf=1.0, neginf=0.0)
        best = max(self._matches(film, pixels), key=lambda m: m.score, default=None)
        if best is None or best.score < self.least:
            box = (0.0, 0.0, film.columns - 1.0, film.rows - 1.0)
            return [
                Detection(
                    box=box,
                    view="none",
                    view_probability=0.5,
                    lateral_to_right=False,
                    lateral_to_right_probability=0.5,
                    side="right",
                    side_probability=0.5,
                    names=(),
                    xy=np.zeros((0, 2)),
                    covariance=np.zeros((0, 2, 2)),
                    seen=np.zeros(0),
                )
            ]
        xy = self._landmarks(pixels, best)
        spread = (averages(best.view).spread * best.width) ** 2 / 2
        return [
            Detection(
                box=box_of(best.centre, best.width),
                view=best.view,
                view_probability=float(np.clip(best.score, 0.0, 1.0)),
                lateral_to_right=to_right(best.up, best.mirror),
                lateral_to_right_probability=0.6,
                side="left" if best.mirror else "right",
                side_probability=0.6,
                names=names_of(best.view),
                xy=xy,
                covariance=spread[:, None, None] * np.eye(2),
                seen=np.full(len(xy), 0.5),
            )
        ]

    # -- where the knee is

    def _matches(self, film: Film, pixels: Grey) -> Iterator[Match]:
        scale = film.scale.mm_per_px_knee
        short = min(film.rows, film.columns)
        widths = (
            [WIDTH_MM / scale * f for f in (0.88, 1.0, 1.14)]
            if scale
            else [short * f for f in (0.22, 0.29, 0.38, 0.5, 0.66)]
        )
        for width in widths:
            step = COARSE / (EXTENT * 0.8) / width  # coarse pixels of a film pixel
            size = (max(round(film.columns * step), 8), max(round(film.rows * step), 8))
            small = _plain(cv2.resize(pixels, size, interpolation=cv2.INTER_AREA))
            margin = COARSE // 2
            padded = cv2.copyMakeBorder(small, margin, margin, margin, margin, cv2.BORDER_REPLICATE)
            for view in ("AP", "lateral"):
                for turn in self.turns_deg:
                    for mirror in (False, True):
                        template, mask = _template(view, turn, mirror)  # type: ignore[arg-type]
                        heat = cv2.matchTemplate(padded, template, cv2.TM_CCOEFF_NORMED, mask=mask)
                        heat = np.where(np.isfinite(heat), heat, -1.0)
                        score, at = cv2.minMaxLoc(heat)[1], cv2.minMaxLoc(heat)[3]
                        middle = np.array(at, dtype=np.float64) + (COARSE - 1) / 2 - margin
                        # of the coarse picture back to the film: x' = (x + 0.5) / s - 0.5
                        ratio = np.array([film.columns / size[0], film.rows / size[1]])
                        yield Match(
                            float(score),
                            view,  # type: ignore[arg-type]
                            (middle + 0.5) * ratio - 0.5,
                            width,
                            np.array([np.sin(np.radians(turn)), -np.cos(np.radians(turn))]),
                            mirror,
                        )

    # -- landmarks

    def _landmarks(self, pixels: Grey, match: Match) -> Array:
        crop = crop_transform(match.centre, match.up, match.width, match.mirror, FINE)
        picture = cv2.GaussianBlur(picture_of(pixels, crop), (0, 0), 1.5)
        mean = averages(match.view)
        points = crop.forward(placed(match.view, crop_of(match)))
        on_edge = np.linalg.norm(mean.normals, axis=1) > 0.5
        moved = points.copy()
        for k in np.flatnonzero(on_edge):
            moved[k] = points[k] + _to_edge(picture, points[k], mean.normals[k])
        # what all agree on moves the whole shape, the rest stays near its outline
        shift = np.median((moved - points)[on_edge], axis=0)
        points[~on_edge] += shift
        points[on_edge] = moved[on_edge]
        if match.view == "lateral":
            points = self._circles(picture, points)
        return crop.back(points)

    def _circles(self, picture: Grey, points: Array) -> Array:
        """Posterior and distal condyle landmarks from two circles, where two are found."""
        names = list(names_of("lateral"))
        unit = FINE / EXTENT
        four = {
            (bone, end): names.index(f"{bone}_condyle_{end}")
            for bone in ("medial", "lateral")
            for end in ("posterior", "distal")
        }
        behind = (points[four["medial", "posterior"]] + points[four["lateral", "posterior"]]) / 2
        below = (points[four["medial", "distal"]] + points[four["lateral", "distal"]]) / 2
        middle = np.array([behind[0] - 0.2 * unit, below[1] - 0.2 * unit])
        edges = _edges(picture, middle, 0.4 * unit)
        rng = np.random.default_rng(self.seed)
        found: list[tuple[Array, float]] = []
        for _ in range(2):
            circle = _circle(edges, middle, unit, rng)
            if circle is None:
                break
            found.append(circle)
            centre, radius = circle
            away = np.abs(np.linalg.norm(edges - centre, axis=1) - radius)
            edges = edges[away > 0.02 * unit]
        if len(found) < 2:
            return points
        small, large = sorted(found, key=lambda c: c[1])
        for bone, (centre, radius) in (("medial", large), ("lateral", small)):
            points[four[bone, "posterior"]] = centre + np.array([radius, 0.0])
            points[four[bone, "distal"]] = centre + np.array([0.0, radius])
        return points


def crop_of(match: Match) -> Similarity:
    """The crop in which the mean shape lies."""
    return crop_transform(match.centre, match.up, match.width, match.mirror, FINE)


def _plain(picture: Grey) -> Grey:
    """Without what changes slowly, and of one contrast everywhere."""
    base = cv2.GaussianBlur(picture, (0, 0), COARSE / 6, borderType=cv2.BORDER_REPLICATE)
    rest = picture - base
    size = np.sqrt(cv2.GaussianBlur(rest * rest, (0, 0), COARSE / 4)) + 0.02
    return np.asarray(rest / size, dtype=np.float32)


def _template(view: View, turn_deg: float, mirror: bool) -> tuple[Grey, Grey]:
    """The mean picture turned and mirrored as the film would show it, and where it counts."""
    picture = averages(view).picture
    side = len(picture)
    # the middle 80 %, which every crop of a knee fills
    turn = np.radians(turn_deg)
    scale = COARSE / (side * 0.8)
    linear = scale * np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    if mirror:
        linear = linear @ np.diag([-1.0, 1.0])
    shift = (COARSE - 1) / 2 - linear @ np.full(2, (side - 1) / 2)
    matrix = np.concatenate([linear, shift[:, None]], axis=1)
    small = cv2.warpAffine(
        cv2.GaussianBlur(picture, (0, 0), 0.4 / scale),
        matrix,
        (COARSE, COARSE),
        flags=cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    grid = np.arange(COARSE) - (COARSE - 1) / 2
    round_ = np.hypot(grid[:, None], grid[None, :]) < COARSE / 2
    return _plain(small), round_.astype(np.float32)


def _to_edge(picture: Grey, point: Array, normal: Array) -> Array:
    """(2,) crop pixels to the place along the outward normal where bone ends most clearly: the
    picture falls fastest there. Zeros where nothing falls."""
    reach = REACH_W * FINE / EXTENT
    steps = np.arange(-reach, reach + 0.5, 0.5)
    line = point + steps[:, None] * normal
    values = cv2.remap(
        picture,
        line[:, :1].astype(np.float32),
        line[:, 1:].astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )[:, 0]
    fall = -np.gradient(values) * np.exp(-0.5 * (steps / (0.6 * reach)) ** 2)
    best = int(fall.argmax())
    return np.asarray(steps[best] * normal if fall[best] > 1e-4 else np.zeros(2))


def _edges(picture: Grey, middle: Array, reach: float) -> Array:
    """(N, 2) crop pixels of edges around the back of the condyles, bone on the side of `middle`."""
    grey = np.clip(picture * 255, 0, 255).astype(np.uint8)
    marked = cv2.Canny(grey, 15, 40)
    y, x = np.nonzero(marked)
    points = np.stack([x, y], axis=1).astype(np.float64)
    away = points - middle
    near = (np.abs(away) < reach).all(axis=1) & ((away[:, 0] > -0.1 * reach) | (away[:, 1] > 0))
    fall = np.stack(
        [cv2.Sobel(picture, cv2.CV_32F, 1, 0), cv2.Sobel(picture, cv2.CV_32F, 0, 1)], axis=-1
    )[y, x]
    outward = (fall * away).sum(axis=1) < 0
    return np.asarray(points[near & outward])


def _circle(
    edges: Array, middle: Array, unit: float, rng: np.random.Generator
) -> tuple[Array, float] | None:
    """The circle on which most edges lie: centre and radius, crop pixels."""
    if len(edges) < 12:
        return None
    best, circle = 8, None
    for _ in range(300):
        a, b, c = edges[rng.choice(len(edges), 3, replace=False)]
        matrix = 2 * np.array([b - a, c - a])
        if abs(np.linalg.det(matrix)) < 1.0:
            continue
        centre = np.linalg.solve(matrix, [b @ b - a @ a, c @ c - a @ a])
        radius = float(np.linalg.norm(a - centre))
        if not RADII_W[0] * unit < radius < RADII_W[1] * unit:
            continue
        if np.linalg.norm(centre - middle) > 0.3 * unit:
            continue
        on = int((np.abs(np.linalg.norm(edges - centre, axis=1) - radius) < 0.012 * unit).sum())
        if on > best:
            best, circle = on, (centre, radius)
    return circle
