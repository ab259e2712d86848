"""Makes labelled films of seeds that training never uses, reads them and sums up the errors."""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Mapping
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from importlib.metadata import version
from multiprocessing import get_context
from pathlib import Path
from typing import Any

from pipeline.bench.accuracy import FilmResult, compare, summarise
from pipeline.bench.tables import markdown
from pipeline.contracts import TRAINING_SEEDS, Detector, PoseEstimator, Scenario
from pipeline.knee.errors import Problem
from pipeline.registry import build_section


@dataclass(frozen=True)
class AssessSettings:
    """What is assessed, on what.

    Attributes:
        films, first_seed: the films are those of `first_seed`, `first_seed + 1`, ...
        scenario, detector, pose: one plugin each, `{name: ..., option: value}`.
        workers: processes; 0 = one per core.
    """

    films: int = 200
    first_seed: int = 500_000
    scenario: dict[str, Any] = field(default_factory=dict)
    detector: dict[str, Any] = field(default_factory=dict)
    pose: dict[str, Any] = field(default_factory=dict)
    workers: int = 0


_parts: tuple[Scenario, Detector, PoseEstimator] | None = None


def _prepare(settings: AssessSettings) -> None:
    """Builds the stages once in each process."""
    global _parts
    detector = dict(settings.detector)
    detector.setdefault("threads", 1)
    _parts = (
        build_section("scenario", settings.scenario),
        build_section("detector", detector),
        build_section("pose", settings.pose),
    )


def _one(seed: int) -> FilmResult:
    assert _parts is not None
    scenario, detector, estimator = _parts
    return compare(seed, scenario.make(seed), detector, estimator)


def assess(
    settings: AssessSettings, progress: Callable[[int, int], None] = lambda done, total: None
) -> tuple[dict[str, Any], list[FilmResult]]:
    """Figures as plain values, and the result of every film.

    Raises:
        Problem: the seeds reach into those of training, or a plugin cannot be built.
    """
    last = settings.first_seed + settings.films
    if settings.first_seed < 0 or last > TRAINING_SEEDS:
        raise Problem(
            f"seeds {settings.first_seed} to {last}",
            "overlap those that training uses",
            f"stay between 0 and {TRAINING_SEEDS}",
        )
    workers = settings.workers or os.cpu_count() or 1
    seeds = range(settings.first_seed, last)
    results = []
    with ProcessPoolExecutor(
        workers, get_context("spawn"), initializer=_prepare, initargs=(settings,)
    ) as pool:
        for result in pool.map(_one, seeds, chunksize=4):
            results.append(result)
            progress(len(results), len(seeds))
    made_by: Mapping[str, Any] = {
        "version": version("squareon"),
        "films": settings.films,
        "first_seed": settings.first_seed,
        "scenario": settings.scenario,
        "detector": settings.detector,
        "pose": settings.pose,
    }
    return {"made_by": made_by, **summarise(results)}, results


def write_report(figures: Mapping[str, Any], out: Path) -> None:
    """`accuracy.json` and `accuracy.md` under `out`."""
    out.mkdir(parents=True, exist_ok=True)
    (out / "accuracy.json").write_text(json.dumps(figures, indent=1) + "\n")
    (out / "accuracy.md").write_text(markdown(figures))
