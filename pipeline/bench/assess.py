"""Makes labelled films of seeds that training never uses, reads them and sums up the errors.

Alone, or under the named conditions of a suite: other practice, implants, films made worse.
Every condition is read from the same seeds, so that wherever a condition leaves the anatomy
alone it is the same knee in the same beam.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from importlib.metadata import version
from pathlib import Path
from typing import Any

from pipeline.bench.accuracy import FilmResult, compare, summarise
from pipeline.bench.pool import each
from pipeline.bench.suite import Condition, conditions_of, summarise_suite
from pipeline.bench.suite_tables import suite_markdown
from pipeline.bench.tables import markdown
from pipeline.contracts import TRAINING_SEEDS, Detector, PoseEstimator, Progress, Scenario, silent
from pipeline.knee.errors import Problem
from pipeline.records.files import make_folder
from pipeline.registry import build_section


@dataclass(frozen=True)
class AssessSettings:
    """What is assessed, on what.

    Attributes:
        films, first_seed: the films are those of `first_seed`, `first_seed + 1`, ...
        scenario, detector, pose: one plugin each, `{name: ..., option: value}`.
        suite: named conditions, each what it changes in the three sections above
            (`suite=goals`, `suite=shifts`); none: the sections as they are.
        workers: processes; 0 = one per core.
    """

    films: int = 200
    first_seed: int = 500_000
    scenario: dict[str, Any] = field(default_factory=dict)
    detector: dict[str, Any] = field(default_factory=dict)
    pose: dict[str, Any] = field(default_factory=dict)
    suite: dict[str, Any] = field(default_factory=dict)
    workers: int = 0


Parts = tuple[Scenario, Detector, PoseEstimator]


def build_parts(condition: Condition) -> Parts:
    """The stages of a condition, with a detector that keeps to one core."""
    return (
        build_section("scenario", condition.scenario),
        build_section("detector", {"threads": 1, **condition.detector}),
        build_section("pose", condition.pose),
    )


Builder = Callable[[Any], Parts]
_builder: Builder | None = None
_conditions: Mapping[str, Any] = {}
_built: dict[str, Parts] = {}


def _prepare(builder: Builder, conditions: Mapping[str, Any]) -> None:
    global _builder, _conditions
    _builder, _conditions = builder, conditions
    _built.clear()


def _one(job: tuple[str, int]) -> FilmResult:
    """One film; the stages of a condition are built once in each process."""
    name, seed = job
    if name not in _built:
        assert _builder is not None
        _built.clear()
        _built[name] = _builder(_conditions[name])
    scenario, detector, estimator = _built[name]
    return compare(seed, scenario.make(seed), detector, estimator)


def read_conditions(
    conditions: Mapping[str, Any],
    seeds: Sequence[int],
    *,
    workers: int = 0,
    progress: Progress = silent,
    builder: Builder = build_parts,
) -> dict[str, list[FilmResult]]:
    """Every film of every condition, read in processes.

    Args:
        conditions: by name, whatever `builder` (a function of a module) makes stages of.

    Raises:
        Problem: the seeds reach into those of training, or a plugin cannot be built.
    """
    check_seeds(seeds)
    jobs = [(name, seed) for name in conditions for seed in seeds]
    results: dict[str, list[FilmResult]] = {name: [] for name in conditions}
    found = each(_one, jobs, workers, prepare=_prepare, parts=(builder, conditions), chunk=4)
    for i, ((name, _), result) in enumerate(zip(jobs, found, strict=True)):
        results[name].append(result)
        progress(i + 1, len(jobs))
    return results


def check_seeds(seeds: Sequence[int]) -> None:
    """Raises `Problem` where films to be measured could be films of training."""
    if not seeds:
        raise Problem("films", "there are none to measure", "ask for 1 or more")
    first, last = min(seeds), max(seeds) + 1
    if first < 0 or last > TRAINING_SEEDS:
        raise Problem(
            f"seeds {first} to {last}",
            "overlap those that training uses",
            f"stay between 0 and {TRAINING_SEEDS}",
        )


def assess(
    settings: AssessSettings, progress: Progress = silent
) -> tuple[dict[str, Any], dict[str, list[FilmResult]]]:
    """Figures as plain values, and the result of every film by condition (`all` without a suite).

    Raises:
        Problem: the seeds reach into those of training, or a plugin cannot be built.
    """
    base = Condition(settings.scenario, settings.detector, settings.pose)
    conditions = conditions_of(base, settings.suite) if settings.suite else {"all": base}
    for condition in conditions.values():
        build_section("scenario", condition.scenario)  # a mistake is told before any work
        build_section("pose", condition.pose)
    seeds = range(settings.first_seed, settings.first_seed + settings.films)
    results = read_conditions(conditions, seeds, workers=settings.workers, progress=progress)
    detector: Detector = build_section("detector", settings.detector)
    made_by: dict[str, Any] = {
        "version": version("squareon"),
        "weights": detector.weights,
        "films": settings.films,
        "first_seed": settings.first_seed,
        "scenario": settings.scenario,
        "detector": settings.detector,
        "pose": settings.pose,
    }
    if not settings.suite:
        return {"made_by": made_by, **summarise(results["all"])}, results
    made_by["suite"] = settings.suite
    return {"made_by": made_by, **summarise_suite(conditions, results)}, results


def write_report(figures: Mapping[str, Any], out: Path, name: str = "accuracy") -> Path:
    """`NAME.json` and `NAME.md` under `out`; the path of the latter."""
    make_folder(out)
    text = suite_markdown(figures) if "conditions" in figures else markdown(figures)
    (out / f"{name}.json").write_text(json.dumps(figures, indent=1) + "\n")
    page = out / f"{name}.md"
    page.write_text(text)
    return page
