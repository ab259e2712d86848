"""How often is something accepted that is no AP or lateral knee? The measure, and the calibration.

    python tests/films/abstention.py [--films 200] [--windows 6] [--seed 340000] [--weights FOLDER]

Good: synthetic knees, and the real films where they are at hand. To be refused: synthetic knees in
other projections, other parts of synthetic limbs, the shafts above and below real knees, and
pictures of something else (`odd_pictures.py`), whole and in windows. Prints what is accepted of
each with 95 % intervals, by `min_view_probability` alone and with the rule of
`pipeline.fit.plausibility`, then the weights that fit these pictures best, each picture judged by
weights fitted without it.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import odd_pictures
import real_films
from scipy.optimize import minimize

from pipeline.bench.intervals import binomial
from pipeline.contracts import Detector, PoseEstimator
from pipeline.fit.plausibility import REASONS, Plausibility, doubts
from pipeline.knee.detection import Detection
from pipeline.knee.errors import Problem
from pipeline.knee.film import Film
from pipeline.looks import refusal
from pipeline.registry import build

LEAST_VIEW = 0.6


@dataclass(frozen=True)
class Trial:
    """One picture: its kind, its name, and the doubts about each knee read on it."""

    kind: str
    name: str
    doubts: tuple[dict[str, float], ...]
    kept: tuple[bool, ...]

    @property
    def accepted(self) -> bool:
        return any(self.kept)


def trial(
    kind: str,
    film: Film,
    found: Sequence[Detection],
    estimator: PoseEstimator,
    rule: Plausibility,
) -> Trial:
    """What the reading makes of one picture."""
    told, kept = [], []
    for detection in found:
        if refusal(film, detection, LEAST_VIEW) is not None:
            continue
        try:
            pose = estimator.estimate(film, detection)
        except Problem:
            continue
        told.append(doubts(detection, pose))
        kept.append(rule.refusal(detection, pose) is None)
    return Trial(kind, film.source, tuple(told), tuple(kept))


def synthetic(kind: str, films: int, seed: int, **options: float) -> Iterator[tuple[str, Film]]:
    """Films of the mixed scenario's practice, all of one kind."""
    shares = {"other_share": 0.0, "no_knee_share": 0.0, "two_knees_share": 0.0, **options}
    scenario = build("scenario", "knee_films", shares)
    for number in range(films):
        yield kind, replace(scenario.make(seed + number).film, source=f"seed {seed + number}")


def shafts(detector: Detector) -> Iterator[tuple[str, Film]]:
    """The parts of real films above and below the knee, as films of their own."""
    for real in real_films.load():
        knee = real_films.best(list(detector.detect(real.film)), real)
        if knee is None:
            continue
        x0, y0, x1, y1 = knee.box
        middle, width = (y0 + y1) / 2, (x1 - x0) / 2
        rows = {
            "above": slice(0, max(int(middle - width), 0)),
            "below": slice(int(middle + 1.1 * width), None),
        }
        for where, part in rows.items():
            pixels = np.ascontiguousarray(real.film.pixels[part])
            if pixels.shape[0] > 0.8 * width:
                yield (
                    "real shafts",
                    replace(real.film, pixels=pixels, source=f"{real.name} {where}"),
                )


def odd(windows: int, rng: np.random.Generator) -> Iterator[tuple[str, Film]]:
    """Pictures of something else, whole and in windows."""
    for film in odd_pictures.whole():
        yield "odd pictures", film
        for window in odd_pictures.windows(film, windows, rng):
            yield "windows of odd pictures", window


def measure(
    pictures: Iterable[tuple[str, Film]],
    detector: Detector,
    estimator: PoseEstimator,
    rule: Plausibility,
) -> list[Trial]:
    """Every picture read; one whose knee is known is judged by the surest one alone."""
    trials = []
    for kind, film in pictures:
        found = [d for d in detector.detect(film) if d.view in ("AP", "lateral")]
        trials.append(trial(kind, film, found[:1] if "good" in kind else found, estimator, rule))
    return trials


def fitted(x: np.ndarray, wrong: np.ndarray, penalty: float = 0.01) -> np.ndarray:
    """(1 + F,) intercept and weights (not negative) of the log odds of `wrong`."""
    sign = np.where(wrong, 1.0, -1.0)

    def loss(w: np.ndarray) -> float:
        z = w[0] + x @ np.abs(w[1:])
        return float(np.logaddexp(0.0, -sign * z).mean() + penalty * (w[1:] ** 2).mean())

    start = np.concatenate([[-4.0], np.ones(x.shape[1])])
    best = minimize(loss, start, method="Powell", options={"xtol": 1e-3, "ftol": 1e-6}).x
    return np.concatenate([best[:1], np.abs(best[1:])])


def report(trials: Sequence[Trial]) -> list[str]:
    """What was accepted, by kind."""
    lines = [
        "| pictures | n | accepted by the view alone | accepted |",
        "| --- | --- | --- | --- |",
    ]
    for kind in dict.fromkeys(t.kind for t in trials):
        own = [t for t in trials if t.kind == kind]
        cells = []
        for hits in (sum(bool(t.doubts) for t in own), sum(t.accepted for t in own)):
            low, high = binomial(hits, len(own))
            cells.append(f"{hits / len(own):.1%} ({low:.1%} to {high:.1%})")
        lines.append(f"| {kind} | {len(own)} | {cells[0]} | {cells[1]} |")
    return lines


def calibration(trials: Sequence[Trial]) -> list[str]:
    """The best weights, and what rules fitted without each picture make of it."""
    rows = [
        (np.array([d[name] for name in REASONS]), "good" not in t.kind)
        for t in trials
        for d in t.doubts
        if "real" not in t.kind  # real films are for judging only
    ]
    x, wrong = np.stack([r for r, _ in rows]), np.array([w for _, w in rows])
    if not wrong.any():
        return ["nothing was accepted by the view alone: there is nothing to fit"]
    weights = fitted(x, wrong)
    named = dict(zip(("intercept", *REASONS), weights.round(2).tolist(), strict=True))
    lines = [f"best for these pictures: {named}"]
    apart = []
    for i in np.flatnonzero(wrong):
        rest = np.arange(len(x)) != i
        w = fitted(x[rest], wrong[rest])
        apart.append(w[0] + x[i] @ w[1:])
    good = weights[0] + x[~wrong] @ weights[1:]
    for accept in (0.99, 0.98, 0.95):
        limit = float(np.quantile(good, accept))
        lines.append(
            f"least {1 / (1 + np.exp(limit)):.2f}: accepts {accept:.0%} of good ones, and "
            f"{np.mean(np.array(apart) <= limit):.1%} of {len(apart)} wrong ones"
        )
    return lines


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--films", type=int, default=200)
    parser.add_argument("--windows", type=int, default=6)
    parser.add_argument("--seed", type=int, default=340_000)
    parser.add_argument("--weights", default="")
    arguments = parser.parse_args()
    detector = build("detector", "onnx", {"folder": arguments.weights})
    estimator, rule = build("pose", "fused", {}), Plausibility()

    def pictures() -> Iterator[tuple[str, Film]]:
        n, seed = arguments.films, arguments.seed
        yield from synthetic("good synthetic knees", n, seed)
        yield from synthetic("other projections", n // 2, seed + n, other_share=1.0)
        yield from synthetic("other parts", n // 2, seed + 2 * n, no_knee_share=1.0)
        if real_films.FOLDER.is_dir():
            yield from (("good real films", real.film) for real in real_films.load())
            yield from shafts(detector)
        yield from odd(arguments.windows, np.random.default_rng(0))

    trials = measure(pictures(), detector, estimator, rule)
    print("\n".join([*report(trials), *calibration(trials)]))
    for t in trials:
        if t.accepted != ("good" in t.kind):
            print(f"{'accepted' if t.accepted else 'refused'}: {t.kind}, {t.name}")


if __name__ == "__main__":
    main()
