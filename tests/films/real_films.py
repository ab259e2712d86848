"""Real, openly licensed knee films that are not part of this project, and their marks.

Used by `test_real_films.py`; run as a script it prints the whole table and, with --sheet, draws
a contact sheet:  python tests/films/real_films.py [--sheet FILE.png]
"""

from __future__ import annotations

import argparse
import csv
import sys
from collections import defaultdict
from dataclasses import dataclass, field
from pathlib import Path

import cv2
import numpy as np

from pipeline.contracts import Detector, PoseEstimator
from pipeline.knee.detection import Detection, Pose
from pipeline.knee.errors import Problem
from pipeline.knee.film import Film

FOLDER = Path(__file__).resolve().parents[3] / "shared" / "films"
NORMAL_ERROR = {
    "medial_femoral_flare",
    "lateral_femoral_flare",
    "medial_tibial_flare",
    "medial_epicondyle",
    "lateral_epicondyle",
    "medial_condyle_distal",
    "lateral_condyle_distal",
    "medial_plateau_edge",
    "lateral_plateau_edge",
    "patella_superior",
    "patella_inferior",
}
"""Marks on gentle curves: scored along the direction in which the outline bulges.

So are the extremes of an outline: the plateau's edges, the tuberosity, the shafts' cortices."""


@dataclass
class RealFilm:
    name: str
    view: str
    side: str
    film: Film
    marks: dict[str, tuple[np.ndarray, float]] = field(default_factory=dict)


def load() -> list[RealFilm]:
    """All films of the folder, in the order of its manifest; pixels as stored."""
    marks: dict[str, dict[str, tuple[np.ndarray, float]]] = defaultdict(dict)
    with open(FOLDER / "marks.csv", newline="") as file:
        for row in csv.DictReader(file):
            at = np.array([float(row["x"]), float(row["y"])])
            marks[row["file"]][row["landmark"]] = (at, float(row["sd_px"]))
    films = []
    with open(FOLDER / "manifest.csv", newline="") as file:
        for row in csv.DictReader(file):
            grey = cv2.imread(str(FOLDER / row["file"]), cv2.IMREAD_GRAYSCALE)
            film = Film((grey / np.float32(255)).astype(np.float32), row["file"], "0" * 64)
            films.append(
                RealFilm(row["file"], row["view"], row["side"], film, dict(marks[row["file"]]))
            )
    return films


def best(detections: list[Detection], real: RealFilm) -> Detection | None:
    """The detection on the marked knee; the likeliest where nothing is marked."""
    knees = [d for d in detections if d.view != "none"]
    if not knees:
        return None
    if not real.marks:
        return max(knees, key=lambda d: d.view_probability)
    middle = np.mean([xy for xy, _ in real.marks.values()], axis=0)
    return min(
        knees, key=lambda d: float(np.hypot(*(np.array(d.box).reshape(2, 2).mean(0) - middle)))
    )


def errors(real: RealFilm, detection: Detection) -> tuple[dict[str, tuple[float, float]], float]:
    """Landmark to (error in % of W, error in the marker's own sd), and W in pixels.

    W is the epicondylar width of the marks (AP) or 1.25 times the condylar depth (lateral, ratio
    of the two widths of an adult femur). Marks on gentle curves are scored normal to them.
    """
    at = {name: detection.xy[i] for i, name in enumerate(detection.names)}
    mark = {name: xy for name, (xy, _) in real.marks.items()}
    if real.view == "AP":
        width = float(np.linalg.norm(mark["lateral_epicondyle"] - mark["medial_epicondyle"]))
        across = (mark["lateral_epicondyle"] - mark["medial_epicondyle"]) / width
        along = np.array([-across[1], across[0]])
    else:
        low = mark["femoral_shaft_anterior_low"] + mark["femoral_shaft_posterior_low"]
        high = mark["femoral_shaft_anterior_high"] + mark["femoral_shaft_posterior_high"]
        along = (high - low) / np.linalg.norm(high - low)
        width = 0.0
        across = np.array([-along[1], along[0]])
    found: dict[str, np.ndarray] = dict(at)
    if real.view == "lateral":
        # Which condyle is medial was not decided by the marker: outer reaches further distally.
        order = sorted(
            ("medial", "lateral"), key=lambda w: float(at[f"{w}_condyle_distal"] @ along)
        )
        for word, name in zip(("outer", "inner"), order, strict=True):
            for end in ("distal", "posterior"):
                found[f"condyle_{word}_{end}"] = at[f"{name}_condyle_{end}"]
        back = [mark["condyle_outer_posterior"] @ across, mark["condyle_inner_posterior"] @ across]
        front = at["trochlea_anterior"] @ across
        width = 1.25 * max(abs(front - b) for b in back)
        for edge in ("anterior", "posterior"):
            ends = [at[f"medial_plateau_{edge}"], at[f"lateral_plateau_{edge}"]]
            target = mark[f"plateau_{edge}_edge"]
            found[f"plateau_{edge}_edge"] = min(
                ends, key=lambda xy: float(np.linalg.norm(xy - target))
            )
    else:
        patella = [n for n in detection.names if n.startswith("patella")]
        found["patella_centre"] = np.mean([at[n] for n in patella], axis=0)
    result = {}
    for name, (xy, sd) in real.marks.items():
        if name not in found:
            continue
        offset = found[name] - xy
        if name.startswith("femoral_shaft_") and name.endswith("_low"):
            error = _from_cortex(xy, name.rsplit("_", 1)[0], at)
        elif name.startswith("femoral_shaft_"):
            error = abs(float(offset @ across))
        elif name == "tibial_tuberosity":
            shaft = _middle(at, "tibial_shaft", "high") - _middle(at, "tibial_shaft", "low")
            error = abs(float(offset @ _turned(shaft / np.linalg.norm(shaft))))
        elif name in NORMAL_ERROR or name.startswith("condyle_"):
            sideways = "epicondyle" in name or "flare" in name or "posterior" in name
            error = abs(float(offset @ (across if sideways else along)))
            if "plateau_edge" in name:
                # by its words the point that reaches farthest up and outward
                out = across if name.startswith("lateral") else -across
                up = along if along[1] < 0 else -along
                error = abs(float(offset @ (out + up))) / np.sqrt(2)
        else:
            error = float(np.linalg.norm(offset))
        result[name] = (100 * error / width, error / sd)
    return result, width


def _turned(way: np.ndarray) -> np.ndarray:
    return np.array([-way[1], way[0]])


def _middle(at: dict[str, np.ndarray], shaft: str, height: str) -> np.ndarray:
    """Middle of a shaft on a lateral film, at one of the two heights."""
    return (at[f"{shaft}_anterior_{height}"] + at[f"{shaft}_posterior_{height}"]) / 2


def _from_cortex(mark: np.ndarray, cortex: str, at: dict[str, np.ndarray]) -> float:
    """Pixels from a mark to the line through both points found on that cortex.

    The low marks stand between the two heights in W, the high ones one W above, where only the
    shaft's direction can be compared.
    """
    low, high = at[f"{cortex}_low"], at[f"{cortex}_high"]
    way = (high - low) / np.linalg.norm(high - low)
    return abs(float((mark - low) @ _turned(way)))


def read_all(
    detector: Detector, estimator: PoseEstimator | None
) -> list[tuple[RealFilm, Detection | None, Pose | None, dict[str, tuple[float, float]]]]:
    """Every film read, with its errors where it is marked and the view was right."""
    rows = []
    for real in load():
        detection = best(list(detector.detect(real.film)), real)
        pose, wrong = None, {}
        if detection is not None and detection.view == real.view:
            if estimator is not None:
                try:
                    pose = estimator.estimate(real.film, detection)
                except Problem as problem:
                    print(real.name, problem, file=sys.stderr)
            if real.marks:
                wrong, _ = errors(real, detection)
        rows.append((real, detection, pose, wrong))
    return rows


def draw(real: RealFilm, detection: Detection | None, pose: Pose | None, side: int) -> np.ndarray:
    """One film as a (side, side, 3) picture with what was found (yellow) and marked (blue)."""
    grey = (real.film.pixels * 255).astype(np.uint8)
    if detection is not None:
        x0, y0, x1, y1 = detection.box
        centre, half = np.array([(x0 + x1) / 2, (y0 + y1) / 2]), 0.75 * max(x1 - x0, y1 - y0)
    else:
        centre, half = np.array(grey.shape[::-1]) / 2, max(grey.shape) / 2
    scale = side / (2 * half)
    move = np.array(
        [[scale, 0, side / 2 - scale * centre[0]], [0, scale, side / 2 - scale * centre[1]]]
    )
    picture = cv2.cvtColor(
        cv2.warpAffine(cv2.GaussianBlur(grey, (0, 0), max(0.1, 0.4 / scale)), move, (side, side)),
        cv2.COLOR_GRAY2BGR,
    )

    def to(xy: np.ndarray) -> tuple[int, int]:
        x, y = move[:, :2] @ xy + move[:, 2]
        return round(float(x)), round(float(y))

    if pose is not None:
        for points in pose.outline.values():
            for xy in points:
                cv2.circle(picture, to(xy), 0, (80, 200, 80), -1)
    for xy, _ in real.marks.values():
        cv2.drawMarker(picture, to(xy), (255, 120, 0), cv2.MARKER_CROSS, 9, 1)
    if detection is not None:
        for xy, seen in zip(detection.xy, detection.seen, strict=True):
            if seen > 0.5:
                cv2.circle(picture, to(xy), 2, (0, 220, 255), -1)
    words = f"{real.name[:7]} {real.view} {real.side}"
    if detection is not None:
        words += f" -> {detection.view} {detection.view_probability:.2f} {detection.side}"
    cv2.putText(picture, words, (4, 14), 0, 0.42, (255, 255, 255), 1)
    if pose is not None:
        h = pose.hypotheses[0]
        words = (
            f"rot {h.rotation_deg:+.1f}({h.rotation_sd:.1f}) tilt {h.tilt_deg:+.1f}"
            f"({h.tilt_sd:.1f}) flex {pose.flexion_deg or 0:.0f} p {h.probability:.2f}"
        )
        cv2.putText(picture, words, (4, side - 6), 0, 0.42, (120, 255, 120), 1)
    return picture


def main() -> None:
    from pipeline.registry import build

    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sheet", type=Path)
    parser.add_argument("--weights", default=None)
    arguments = parser.parse_args()
    options = {"folder": arguments.weights} if arguments.weights else {}
    rows = read_all(build("detector", "onnx", options), build("pose", "fused", {}))
    every: dict[str, list[tuple[float, float]]] = defaultdict(list)
    for real, detection, _, wrong in rows:
        found = "none" if detection is None else detection.view
        mean = np.mean([e for e, _ in wrong.values()]) if wrong else float("nan")
        print(f"{real.name:18s} {real.view:8s} {real.side:6s} found {found:8s}", end=" ")
        print(f"{'' if detection is None else detection.side:6s} mean error {mean:5.2f} % of W")
        for name, value in wrong.items():
            every[name].append(value)
    for name, values in sorted(every.items()):
        percent, sds = np.array(values).T
        print(
            f"{name:32s} n {len(percent):2d} mean {percent.mean():5.2f} % median "
            f"{np.median(percent):5.2f} % worst {percent.max():5.2f} %, {np.median(sds):4.1f} sd"
        )
    flat = np.array([v for values in every.values() for v in values])
    if len(flat):
        print(
            f"all: n {len(flat)} mean {flat[:, 0].mean():.2f} % of W, median "
            f"{np.median(flat[:, 0]):.2f} %; within 2 sd {np.mean(flat[:, 1] <= 2):.2f}, "
            f"4 sd {np.mean(flat[:, 1] <= 4):.2f}"
        )
    if arguments.sheet:
        tiles = [draw(real, detection, pose, 520) for real, detection, pose, _ in rows]
        while len(tiles) % 5:
            tiles.append(np.zeros_like(tiles[0]))
        sheet = np.vstack([np.hstack(tiles[i : i + 5]) for i in range(0, len(tiles), 5)])
        cv2.imwrite(str(arguments.sheet), sheet)


if __name__ == "__main__":
    main()
