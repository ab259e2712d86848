"""Does a real film read the same when it is cut, mirrored, blurred or shown otherwise?

    python tests/films/consistency.py [--weights FOLDER]

Real films have no true angles; but what changes nothing about the knee must not change its angles.
Every film (`real_films.py`) is read as it is and under each change; printed is by how many degrees
rotation and tilt move, over all films, and the films that move most. A mirrored film shows the
other knee in the mirrored beam: by the conventions its angles are the same.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable
from dataclasses import dataclass, replace

import cv2
import numpy as np
import other_renderer
import real_films
from numpy.typing import NDArray

from pipeline.contracts import Detector, PoseEstimator
from pipeline.knee.detection import Detection
from pipeline.knee.errors import Problem
from pipeline.knee.film import Film
from pipeline.registry import build, build_section

Picture = NDArray[np.float32]
LIMIT_DEG = 1.0


@dataclass(frozen=True)
class Change:
    """A picture changed, and where its pixels went: x' = grown * x + shift (x from the right where
    mirrored)."""

    pixels: Picture
    grown: float = 1.0
    shift: tuple[float, float] = (0.0, 0.0)
    mirrored: bool = False

    def where(self, xy: NDArray[np.float64]) -> NDArray[np.float64]:
        """(2,) pixels of the film to pixels of the changed one."""
        x = self.pixels.shape[1] - 1 - xy[0] if self.mirrored else self.grown * xy[0]
        return np.array([x + self.shift[0], self.grown * xy[1] + self.shift[1]])


def _cut(pixels: Picture, top: float, left: float, bottom: float, right: float) -> Change:
    rows, columns = pixels.shape
    y, x = int(top * rows), int(left * columns)
    part = pixels[y : rows - int(bottom * rows), x : columns - int(right * columns)]
    return Change(np.ascontiguousarray(part), shift=(-x, -y))


def _blurred(pixels: Picture) -> Picture:
    return np.asarray(cv2.GaussianBlur(pixels, (0, 0), 0.0012 * max(pixels.shape)), np.float32)


def _packed(pixels: Picture) -> Picture:
    grey = np.round(pixels * 255).astype(np.uint8)
    _, kept = cv2.imencode(".jpg", grey, [cv2.IMWRITE_JPEG_QUALITY, 50])
    return cv2.imdecode(kept, cv2.IMREAD_GRAYSCALE).astype(np.float32) / np.float32(255)


def _halved(pixels: Picture) -> Picture:
    return np.asarray(cv2.resize(pixels, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA))


CHANGES: dict[str, Callable[[Picture], Change]] = {
    "cut above and on one side": lambda p: _cut(p, 0.06, 0.05, 0.0, 0.0),
    "cut below and on the other side": lambda p: _cut(p, 0.0, 0.0, 0.06, 0.05),
    "mirrored": lambda p: Change(np.ascontiguousarray(p[:, ::-1]), mirrored=True),
    "blurred by 0.12 % of its length": lambda p: Change(_blurred(p)),
    "gamma 0.7": lambda p: Change(p ** np.float32(0.7)),
    "gamma 1.4": lambda p: Change(p ** np.float32(1.4)),
    "contrast 0.7 about the middle": lambda p: Change(0.5 + np.float32(0.7) * (p - 0.5)),
    "JPEG of quality 50": lambda p: Change(_packed(p)),
    "half the pixels": lambda p: Change(_halved(p), grown=0.5),
}


def middle_of(detection: Detection) -> NDArray[np.float64]:
    """(2,) centre of the box."""
    return np.array(detection.box).reshape(2, 2).mean(axis=0)


def _on_film(detection: Detection, film: Film) -> float:
    """Share of the knee's box that lies on the film."""
    x0, y0, x1, y1 = detection.box
    wide = max(min(x1, film.columns) - max(x0, 0.0), 0.0)
    high = max(min(y1, film.rows) - max(y0, 0.0), 0.0)
    return wide * high / max((x1 - x0) * (y1 - y0), 1.0)


def angles(
    film: Film,
    view: str,
    near: NDArray[np.float64] | None,
    detector: Detector,
    estimator: PoseEstimator,
) -> tuple[NDArray[np.float64], float, float] | None:
    """Where the knee is, and its rotation and tilt in degrees; None where it is not read so.

    Of several knees the one nearest to `near`, else the one that lies most on the film.
    """
    knees = [d for d in detector.detect(film) if d.view == view]
    if not knees:
        return None
    if near is None:
        best = max(knees, key=lambda d: _on_film(d, film))
    else:
        best = min(knees, key=lambda d: float(np.hypot(*(middle_of(d) - near))))
    try:
        chosen = estimator.estimate(film, best).hypotheses[0]
    except Problem:
        return None
    return middle_of(best), chosen.rotation_deg, chosen.tilt_deg


def moved(
    detector: Detector, estimator: PoseEstimator
) -> dict[str, list[tuple[str, float, float]]]:
    """By change: name of the film and degrees by which rotation and tilt move (nan: not read)."""
    found: dict[str, list[tuple[str, float, float]]] = {name: [] for name in CHANGES}
    for real in real_films.load():
        whole = angles(real.film, real.view, None, detector, estimator)
        for name, change in CHANGES.items():
            other = None
            if whole is not None:
                changed = change(real.film.pixels)
                pixels = np.clip(changed.pixels, 0, 1).astype(np.float32)
                film = replace(real.film, pixels=pixels)
                other = angles(film, real.view, changed.where(whole[0]), detector, estimator)
            if whole is None or other is None:
                found[name].append((real.name, np.nan, np.nan))
            else:
                found[name].append((real.name, other[1] - whole[1], other[2] - whole[2]))
    return found


def main() -> None:
    parser = argparse.ArgumentParser(description=str(__doc__).split("\n", 1)[0])
    parser.add_argument("--weights", default="", metavar="DIR", help="default: those that ship")
    arguments = parser.parse_args()
    options = {"folder": arguments.weights} if arguments.weights else {}
    pose = build_section("pose", other_renderer.pose_section("fused"))
    found = moved(build("detector", "onnx", options), pose)
    every: list[tuple[str, str, float]] = []
    for name, rows in found.items():
        change = np.abs(np.array([row[1:] for row in rows]))
        read = ~np.isnan(change[:, 0])
        both = change[read]
        middle, tail = np.median(both, axis=0), np.quantile(both, 0.95, axis=0)
        print(
            f"{name:34s} n {read.sum():2d} of {len(rows)}  median {middle.round(2)}  95th "
            f"{tail.round(2)}  within {LIMIT_DEG:g}: {(both <= LIMIT_DEG).mean(axis=0).round(2)}"
        )
        every += [
            (row[0], name, float(c.max()))
            for row, c in zip(rows, change, strict=True)
            if c.max() > 0
        ]
    values = np.array([value for _, _, value in every])
    share = (values <= LIMIT_DEG).mean()
    print(f"both angles within {LIMIT_DEG:g} degree: {share:.3f}, n {len(values)}")
    for film, name, value in sorted(every, key=lambda row: -row[2])[:8]:
        print(f"  {film:18s} {name:34s} {value:.1f}")


if __name__ == "__main__":
    main()
