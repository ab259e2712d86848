"""How far synthetic films are from real ones: a measuring instrument, never a training goal.

Compares crops of synthetic knees with the same crops of the 27 openly licensed films that
`real_films.py` loads (not part of this project), after the same re-encoding. The classifier that
tells them apart is fitted anew on every run and thrown away.

    python tests/films/realism.py [--synthetic N] [--scenario NAME] [--network] [--sheet FILE.png]
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from unittest.mock import patch

import cv2
import numpy as np
import yaml
from numpy.typing import NDArray
from real_films import best, load
from realism_measures import (
    BANDS,
    across_shaft,
    balanced_accuracy,
    band_power,
    by_film,
    coverage,
    gradient_statistics,
    grain,
    histogram,
    radial_power,
    roughness,
    sample,
    slope,
    transport,
    transport_of_samples,
)

from models.geometry import EXTENT, crop_transform, inside_film, normalise, resample
from pipeline.contracts import Detector
from pipeline.knee.detection import Detection
from pipeline.knee.film import Film
from pipeline.registry import build
from synthetic_data.placement import Placement, draw_placement

Array = NDArray[np.float64]

SIZE = 256
"""Pixels on a side of a crop, as the networks see it."""
QUALITY = 90
"""Of the JPEG through which both kinds go."""
WHOLE = 0.8
"""Crops with less of their area on the film are left out: real films are large."""
LEAST_MM = 190.0
"""Synthetic films smaller than this at the knee are not even made: few hold a whole crop."""
SEED = 900_000_000
"""First seed of the synthetic films measured; training never comes near."""
SCENARIOS = Path(__file__).resolve().parents[2] / "configs" / "scenario"


@dataclass
class Crop:
    """One knee.

    Attributes:
        name: of the film.
        view: AP or lateral.
        picture: (SIZE, SIZE) float32, normalised grey.
        inside: (SIZE, SIZE), what is on the film.
        at: landmark to (2,) crop pixels.
        features: what was measured on it.
        spectrum: log10 of its radial power.
    """

    name: str
    view: str
    picture: NDArray[np.float32]
    inside: NDArray[np.bool_]
    at: dict[str, Array]
    features: dict[str, float] = field(default_factory=dict)
    spectrum: Array = field(default_factory=lambda: np.zeros(0))


def cut(film: Film, detection: Detection, name: str) -> Crop | None:
    """The crop of a knee, re-encoded; None where too much of it is off the film."""
    x0, y0, x1, y1 = detection.box
    at = {n: detection.xy[i] for i, n in enumerate(detection.names)}
    ends = ("medial", "lateral") if detection.view == "AP" else ("anterior", "posterior")
    high, low = (
        np.mean([at[f"femoral_shaft_{end}_{level}"] for end in ends], axis=0)
        for level in ("high", "low")
    )
    up = (high - low) / np.linalg.norm(high - low)
    # The box stands upright round a turned square of 2 W.
    width = (x1 - x0) / (2 * (abs(up[0]) + abs(up[1])))
    centre = np.array([x0 + x1, y0 + y1]) / 2
    transform = crop_transform(centre, up, width, detection.side == "left", SIZE)
    inside = inside_film(transform, film.rows, film.columns)
    if inside.mean() < WHOLE:
        return None
    # Beyond the film its edge goes on, so that the edge itself is not measured.
    picture = resample(film.pixels, transform, np.ones_like(inside))
    eight = np.rint(np.clip(picture, 0, 1) * 255).astype(np.uint8)
    _, data = cv2.imencode(".jpg", eight, [cv2.IMWRITE_JPEG_QUALITY, QUALITY])
    back = np.asarray(cv2.imdecode(data, cv2.IMREAD_GRAYSCALE)) / np.float32(255)
    places = {n: transform.forward(xy) for n, xy in at.items()}
    everywhere = np.ones_like(inside)
    shown = normalise(back, everywhere)
    crop = Crop(name, detection.view, shown, inside, places)
    crop.features = measured(crop)
    crop.spectrum = np.log10(radial_power(crop.picture)[1] + 1e-12)
    return crop


def measured(crop: Crop) -> dict[str, float]:
    """All numbers of one crop; NaN where a place is off the film."""
    picture, at = crop.picture, crop.at
    width = SIZE / EXTENT
    shares = histogram(picture[crop.inside])
    grey = np.quantile(picture[crop.inside], (0.05, 0.25, 0.5, 0.75, 0.95))
    out = {f"grey {q} %": float(v) for q, v in zip((5, 25, 50, 75, 95), grey, strict=True)}
    out["black"] = float(shares[:3].sum())
    out["white"] = float(shares[-2:].sum())
    frequency, power = radial_power(picture)
    out["slope"] = slope(frequency[4:], power[4:])
    for low, value in zip(BANDS, band_power(frequency, power, EXTENT), strict=False):
        out[f"power from {low:g} per W"] = float(value)
    out |= gradient_statistics(picture, crop.inside)
    ends = ("medial", "lateral") if crop.view == "AP" else ("anterior", "posterior")
    for bone in ("femoral", "tibial"):
        points = {
            (end, level): at[f"{bone}_shaft_{end}_{level}"]
            for end in ends
            for level in ("low", "high")
        }
        mid = {
            level: (points[ends[0], level] + points[ends[1], level]) / 2
            for level in ("low", "high")
        }
        along = (mid["high"] - mid["low"]) / np.linalg.norm(mid["high"] - mid["low"])
        for level in ("low", "high"):
            values = across_shaft(
                picture, points[ends[0], level], points[ends[1], level], along, width
            )
            # `low` of the femur and `high` of the tibia are nearest the joint.
            near = "near" if (level == "low") == (bone == "femoral") else "far"
            out |= {f"{bone} {near} {k}": v for k, v in values.items()}
    condyles = [at["medial_condyle_distal"], at["lateral_condyle_distal"]]
    femur = (condyles[0] if crop.view == "AP" else np.mean(condyles, axis=0)) + [0, -0.2 * width]
    rims = [
        at[f"{w}_plateau_{e}"] for w in ("medial", "lateral") for e in ("anterior", "posterior")
    ]
    # `along` is the tibia's by now.
    tibia = np.mean(rims, axis=0) - 0.2 * width * along
    out["plateau grain"] = grain(picture, tibia, along, 0.12 * width)
    for name, place in (("condyle", femur), ("plateau", tibia)):
        patch = sample(picture, place + 4.0 * np.stack(np.meshgrid([-1, 0, 1], [-1, 0, 1]), -1))
        out[f"{name} grey"] = float(patch.mean())
        fine, middling = roughness(picture, place, 0.12 * width)
        out[f"{name} fine texture"], out[f"{name} texture"] = fine, middling
    edge = at[f"femoral_shaft_{ends[1]}_low"]
    across = edge - at[f"femoral_shaft_{ends[0]}_low"]
    beside = edge + 0.3 * width * across / np.linalg.norm(across)
    fine, middling = roughness(picture, beside, 0.12 * width)
    out["flesh fine texture"], out["flesh texture"] = fine, middling
    return out


def real_crops(detector: Detector, most: int | None = None) -> list[Crop]:
    """The real films, or the first `most`, with a knee that was found and lies whole on them."""
    crops = []
    for real in load()[:most]:
        found = best(list(detector.detect(real.film)), real)
        if found is not None and found.names:
            crop = cut(real.film, found, real.name)
            if crop is not None:
                crops.append(crop)
    return crops


def scenario(name: str, **changes: object) -> dict:
    """Options of a scenario as its file has them."""
    options = yaml.safe_load((SCENARIOS / f"{name}.yaml").read_text())
    options.pop("name")
    return options | {"films_per_knee": 1} | changes


def synthetic_crops(
    detector: Detector, name: str, count: int, seed: int = SEED, views: Iterable[str] = ()
) -> tuple[list[Crop], int]:
    """`count` crops of a scenario, and how many films it took."""
    changes = {"views": list(views)} if views else {}
    maker = build("scenario", "knee_films", scenario(name, **changes))

    def large(*arguments: Any) -> Placement:
        while True:
            placement = draw_placement(*arguments)
            if min(placement.field_mm) > LEAST_MM:
                return placement

    crops: list[Crop] = []
    made = 0
    with patch("synthetic_data.scenarios.draw_placement", large):
        while len(crops) < count and made < 12 * count:
            film = maker.make(seed + made).film
            made += 1
            knees = [d for d in detector.detect(film) if d.names and d.view_probability > 0.5]
            if not knees:
                continue
            knee = max(knees, key=lambda d: d.view_probability)
            crop = cut(film, knee, f"seed {seed + made - 1}")
            if crop is not None:
                crops.append(crop)
    return crops, made


Distance = Callable[[NDArray[np.intp], NDArray[np.intp]], float]


# ---- comparisons -------------------------------------------------------------------------------


def matrix(crops: Sequence[Crop]) -> tuple[list[str], Array]:
    """Feature names and (crops, features) values."""
    names = sorted(crops[0].features)
    return names, np.array([[c.features[n] for n in names] for c in crops])


def filled(values: Array, like: Array) -> Array:
    """`values` in standard deviations of `like` about its median; missing ones 0; within 6."""
    centre = np.nanmedian(like, axis=0)
    spread = np.maximum(np.nanstd(like, axis=0), 1e-6)
    return np.clip(np.nan_to_num((values - centre) / spread), -6, 6)


@dataclass
class Verdict:
    """Out-of-fold word of a classifier: accuracy, 95 % interval over films, what it looked at."""

    accuracy: float
    low: float
    high: float
    area: float
    weights: dict[str, float]


def told_apart(
    real: Sequence[Crop], synthetic: Sequence[Crop], folds: int = 9, trees: int = 400
) -> Verdict:
    """A forest and a logistic regression on all features, each film judged by a fit that never
    saw it; classes weigh the same."""
    from sklearn.ensemble import ExtraTreesClassifier
    from sklearn.linear_model import LogisticRegression
    from sklearn.metrics import roc_auc_score

    names, one = matrix(real)
    _, other = matrix(synthetic)
    values = np.concatenate([one, other])
    values = filled(values, values)
    truth = np.arange(len(values)) < len(one)
    rng = np.random.default_rng(1)
    fold = np.concatenate([rng.permutation(np.arange(n) % folds) for n in (len(one), len(other))])
    chance = np.zeros(len(values))
    seen = np.zeros(values.shape[1])
    for k in range(folds):
        train, test = fold != k, fold == k
        forest = ExtraTreesClassifier(
            trees, class_weight="balanced", min_samples_leaf=2, random_state=k, n_jobs=1
        ).fit(values[train], truth[train])
        line = LogisticRegression(C=0.05, class_weight="balanced", max_iter=500).fit(
            values[train], truth[train]
        )
        # With few real films among many, the forest's even chance is its mean in training.
        level = float(np.mean(forest.predict_proba(values[train])[:, 1]))
        chance[test] = 0.5 * (
            np.clip(0.5 + forest.predict_proba(values[test])[:, 1] - level, 0, 1)
            + line.predict_proba(values[test])[:, 1]
        )
        seen += forest.feature_importances_ / folds
    said = chance > 0.5

    def score(i: NDArray[np.intp], j: NDArray[np.intp]) -> float:
        index = np.concatenate([i, len(one) + j])
        return balanced_accuracy(truth[index], said[index])

    accuracy, low, high = by_film(score, len(one), len(other), rng)
    return Verdict(
        accuracy,
        low,
        high,
        float(roc_auc_score(truth, chance)),
        dict(sorted(zip(names, seen.tolist(), strict=True), key=lambda v: -v[1])),
    )


def told_apart_by_network(
    real: Sequence[Crop], synthetic: Sequence[Crop], folds: int = 5
) -> tuple[float, float, float]:
    """Balanced accuracy of a small network that sees the pictures, and its 95 % interval."""
    from realism_network import chances

    counts = len(real), len(synthetic)
    rng = np.random.default_rng(4)
    pictures = np.stack([c.picture for c in (*real, *synthetic)])
    truth = np.arange(sum(counts)) < counts[0]
    fold = np.concatenate([rng.permutation(np.arange(n) % folds) for n in counts])
    said = chances(pictures, truth, fold) > 0.5

    def score(i: NDArray[np.intp], j: NDArray[np.intp]) -> float:
        index = np.concatenate([i, counts[0] + j])
        return balanced_accuracy(truth[index], said[index])

    return by_film(score, *counts, rng)


def distances(real: Sequence[Crop], synthetic: Sequence[Crop]) -> dict[str, Distance]:
    """Name to a function of the films used, indices of both kinds: how far they are apart."""
    sums = [np.array([histogram(c.picture[c.inside]) for c in s]) for s in (real, synthetic)]
    spectra = [np.array([c.spectrum for c in s]) for s in (real, synthetic)]
    names, one = matrix(real)
    _, other = matrix(synthetic)
    spread = np.nanstd(one, axis=0)

    def of_features(words: str) -> Distance:
        use = [k for k, n in enumerate(names) if any(w in n for w in words.split())]

        def apart(i: NDArray[np.intp], j: NDArray[np.intp]) -> float:
            each = []
            for k in use:
                a, b = one[i, k], other[j, k]
                a, b = a[np.isfinite(a)], b[np.isfinite(b)]
                each.append(transport_of_samples(a, b) / spread[k])
            return float(np.mean(each))

        return apart

    return {
        "grey histogram, Wasserstein": lambda i, j: transport(
            sums[0][i].mean(0), sums[1][j].mean(0)
        ),
        "spectrum, mean |log10 ratio|": lambda i, j: float(
            np.abs(spectra[0][i].mean(0) - spectra[1][j].mean(0))[4:].mean()
        ),
        "gradients, Wasserstein in real SD": of_features("gradient"),
        "cortical edges, Wasserstein in real SD": of_features("rise cortex canal"),
        "texture, Wasserstein in real SD": of_features("texture"),
    }


def compared(real: Sequence[Crop], synthetic: Sequence[Crop]) -> dict[str, tuple[float, ...]]:
    """Name to (value, low, high): the distances between two sets of crops."""
    rng = np.random.default_rng(2)
    counts = len(real), len(synthetic)
    out: dict[str, tuple[float, ...]] = {}
    for name, distance in distances(real, synthetic).items():
        # The last three take longer.
        out[name] = by_film(distance, *counts, rng, 100 if "SD" in name else 400)
    _, one = matrix(real)
    _, other = matrix(synthetic)
    among = coverage(filled(one, one), filled(other, one))
    out["real films among synthetic ones"] = (among[0],)
    out["synthetic films among real ones"] = (among[1],)
    return out


def floor(real: Sequence[Crop], splits: int = 30) -> dict[str, float]:
    """The same distances between two random halves of the real films, mean of some splits:
    what so few films of one kind are apart by chance."""
    rng = np.random.default_rng(5)
    out = {}
    for name, distance in distances(real, real).items():
        orders = [rng.permutation(len(real)) for _ in range(splits)]
        half = len(real) // 2
        out[name] = float(np.mean([distance(o[:half], o[half:]) for o in orders]))
    return out


def report(
    real: Sequence[Crop], synthetic: Sequence[Crop], *, every: bool, network: bool = False
) -> None:
    """Prints all comparisons."""
    names, one = matrix(real)
    _, other = matrix(synthetic)
    for name, value in compared(real, synthetic).items():
        print(f"  {name:44s}", "  ".join(f"{v:.3f}" for v in value))
    verdict = told_apart(real, synthetic)
    print(
        f"  told apart: balanced accuracy {verdict.accuracy:.3f} "
        f"[{verdict.low:.3f}, {verdict.high:.3f}], area {verdict.area:.3f}"
    )
    if network:
        value, low, high = told_apart_by_network(real, synthetic)
        print(f"  told apart by a network: balanced accuracy {value:.3f} [{low:.3f}, {high:.3f}]")
    shown = list(verdict.weights)[: None if every else 12]
    for name in shown:
        k = names.index(name)
        a, b = one[:, k], other[:, k]
        away = transport_of_samples(a[np.isfinite(a)], b[np.isfinite(b)]) / np.nanstd(a)
        print(
            f"    {verdict.weights[name]:.3f} {name:32s} real {np.nanmean(a):7.3f} "
            f"+- {np.nanstd(a):.3f}  synthetic {np.nanmean(b):7.3f} +- {np.nanstd(b):.3f}  "
            f"apart {away:.2f} SD"
        )


def sheet(crops: Sequence[Crop], columns: int = 6, rows: int = 4) -> NDArray[np.uint8]:
    """The first crops as one picture."""
    tiles = [(c.picture * 255).astype(np.uint8) for c in crops[: columns * rows]]
    tiles += [np.zeros((SIZE, SIZE), np.uint8)] * (columns * rows - len(tiles))
    return np.vstack([np.hstack(tiles[i : i + columns]) for i in range(0, len(tiles), columns)])


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--synthetic", type=int, default=120, help="crops of each scenario")
    parser.add_argument(
        "--scenario",
        action="append",
        help="default: training, radiography, c_arm and scanned_film",
    )
    parser.add_argument("--network", action="store_true", help="a small network judges as well")
    parser.add_argument("--every", action="store_true", help="print every feature")
    parser.add_argument("--sheet", type=Path, help="24 real, 24 synthetic crops side by side")
    arguments = parser.parse_args()
    cv2.setNumThreads(1)
    detector = build("detector", "onnx", {"threads": 1})
    real = real_crops(detector)
    print(f"{len(real)} real crops; halves of them apart:")
    for name, value in floor(real).items():
        print(f"  {name:44s} {value:.3f}")
    for name in arguments.scenario or ("training", "radiography", "c_arm", "scanned_film"):
        synthetic, made = synthetic_crops(detector, name, arguments.synthetic)
        print(f"{name}: {len(synthetic)} crops out of {made} films")
        report(real, synthetic, every=arguments.every, network=arguments.network)
        if arguments.sheet:
            picture = np.hstack(
                [sheet(real), np.full((4 * SIZE, 12), 255, np.uint8), sheet(synthetic)]
            )
            path = arguments.sheet.with_stem(f"{arguments.sheet.stem}_{name}")
            cv2.imwrite(str(path), picture)


if __name__ == "__main__":
    main()
