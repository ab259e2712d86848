"""Makes the factors on stated deviations anew, for weights that are new.

Split conformal prediction per view and angle: factors from films of subjects held apart, then
coverage on other subjects, in domain and under each condition of a suite, with the widening
that would be needed there.
"""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from importlib.metadata import version
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.bench.accuracy import FilmResult, KneeResult, square_summary
from pipeline.bench.assess import check_seeds, read_conditions, write_report
from pipeline.bench.conformal import MISS, coverage, coverage_law, factor
from pipeline.bench.suite import VIEWS, Condition, conditions_of, summarise_suite
from pipeline.bench.suite_tables import held, words
from pipeline.bench.tables import number
from pipeline.contracts import Progress, silent
from pipeline.knee.angles import ANGLES
from pipeline.knee.errors import Problem
from pipeline.registry import build_section, load

Array = NDArray[np.float64]
OPTIONS = {"AP": "ap_sd_factor", "lateral": "lateral_sd_factor"}


@dataclass(frozen=True)
class CalibrateSettings:
    """On what the factors are made, and on what they are tried.

    Attributes:
        films, first_seed: the films from which the factors are made.
        test_films, test_seed: the films of each condition on which they are tried.
        scenario, detector, pose: one plugin each; the pose plugin has the options
            `ap_sd_factor` and `lateral_sd_factor`, whose values are set aside.
        suite: conditions under which the factors are tried.
        workers: processes; 0 = one per core.
    """

    films: int = 600
    first_seed: int = 300_000
    test_films: int = 150
    test_seed: int = 400_000
    scenario: dict[str, Any] = field(default_factory=dict)
    detector: dict[str, Any] = field(default_factory=dict)
    pose: dict[str, Any] = field(default_factory=dict)
    suite: dict[str, Any] = field(default_factory=dict)
    workers: int = 0


def calibrate(settings: CalibrateSettings, progress: Progress = silent) -> dict[str, Any]:
    """New factors and the coverage they give, as plain values.

    Raises:
        Problem: the pose plugin has no such options, there are too few films, the films of the
            two sets meet, or a plugin cannot be built.
    """
    first = range(settings.first_seed, settings.first_seed + settings.films)
    then = range(settings.test_seed, settings.test_seed + settings.test_films)
    for seeds in (first, then):
        check_seeds(seeds)
    if first.start < then.stop and then.start < first.stop:
        raise Problem("test_seed", "films to try the factors on made them", "set them apart")
    options = {f.name for f in dataclasses.fields(load("pose", str(settings.pose.get("name"))))}
    if not set(OPTIONS.values()) <= options:
        what = f"has no options {' and '.join(OPTIONS.values())}"
        raise Problem(f"pose {settings.pose.get('name')}", what, "calibrate another pose plugin")
    plain = {**settings.pose, **{name: [1.0, 1.0] for name in OPTIONS.values()}}
    base = Condition(settings.scenario, settings.detector, plain)
    tried = conditions_of(base, settings.suite or {"in_domain": {}})
    total = settings.films + settings.test_films * len(tried)
    held_apart = read_conditions(
        {"calibration": base},
        first,
        workers=settings.workers,
        progress=lambda done, _: progress(done, total),
    )["calibration"]
    made = factors_of(held_apart)
    results = read_conditions(
        tried,
        then,
        workers=settings.workers,
        progress=lambda done, _: progress(settings.films + done, total),
    )
    scale = {view: [row["factor"] for row in made[view].values()] for view in VIEWS}
    pose = {**settings.pose, **{OPTIONS[v]: [round(f, 2) for f in scale[v]] for v in VIEWS}}
    mended = {
        name: [replace(f, knees=tuple(_mended(k, scale) for k in f.knees)) for f in films]
        for name, films in results.items()
    }
    made_by = {
        "version": version("squareon"),
        "weights": build_section("detector", settings.detector).weights,
        **{k: v for k, v in asdict(settings).items() if k != "workers"},
    }
    return {
        "made_by": made_by,
        "suite": {
            "made_by": {
                **made_by,
                "films": settings.test_films,
                "first_seed": settings.test_seed,
                "pose": pose,
            },
            **summarise_suite(tried, mended),
        },
        "miss": MISS,
        "pose": pose,
        "factors": made,
        "conditions": {name: tried_on(films, scale) for name, films in results.items()},
    }


def _posed(films: Sequence[FilmResult], view: str) -> list[KneeResult]:
    return [k for r in films for k in r.knees if k.view == view and k.hypotheses]


def factors_of(films: Sequence[FilmResult]) -> dict[str, Any]:
    """Per view and angle: how many subjects, the factor, the law of its coverage.

    Raises:
        Problem: a view has too few films.
    """
    out: dict[str, Any] = {}
    for view in VIEWS:
        # A film of two knees of one person counts as one subject: its first.
        first = {k.seed: k for k in reversed(_posed(films, view))}
        scores = np.array([k.scores() for k in first.values()]).reshape(-1, 2)
        out[view] = {}
        for i, angle in enumerate(ANGLES):
            found = factor(scores[:, i])
            if found is None:
                what = f"{len(scores)} {view} films are too few for 90 % intervals"
                raise Problem("films", what, "ask for more")
            a, b = coverage_law(len(scores))
            out[view][angle] = {"n": len(scores), "factor": found, "beta": [a, b]}
    return out


def tried_on(films: Sequence[FilmResult], scale: Mapping[str, Sequence[float]]) -> dict[str, Any]:
    """Coverage per view and angle with the factors, and the probability of being square."""
    out: dict[str, Any] = {}
    scaled: list[KneeResult] = []
    for view in VIEWS:
        knees = _posed(films, view)
        scores = np.array([k.scores() for k in knees]).reshape(-1, 2)
        widths = np.array([k.half_widths() for k in knees]).reshape(-1, 2)
        out[view] = {
            angle: asdict(coverage(scores[:, i], widths[:, i], scale[view][i]))
            for i, angle in enumerate(ANGLES)
        }
        scaled += [widened(k, scale[view]) for k in knees]
    out["square"] = square_summary(scaled)
    return out


def _mended(knee: KneeResult, scale: Mapping[str, Sequence[float]]) -> KneeResult:
    return widened(knee, scale[knee.view]) if knee.view in scale else knee


def widened(knee: KneeResult, scale: Sequence[float]) -> KneeResult:
    """The same reading with its deviations (rotation, tilt) multiplied."""
    return replace(
        knee,
        hypotheses=tuple(
            (r, r_sd * scale[0], t, t_sd * scale[1], p) for r, r_sd, t, t_sd, p in knee.hypotheses
        ),
    )


def calibration_markdown(figures: Mapping[str, Any]) -> str:
    """The factors, and what they are worth under each condition."""
    from scipy.stats import beta

    made = figures["made_by"]
    lines = [
        f"Factors from {made['films']} films of subjects held apart (seeds from "
        f"{made['first_seed']}), tried on {made['test_films']} films of other subjects a condition "
        f"(seeds from {made['test_seed']}).",
        "",
        "| view | angle | subjects | factor | coverage to be expected in domain (5th to 95th) |",
        "| --- | --- | --- | --- | --- |",
    ]
    for view, rows in figures["factors"].items():
        for angle, row in rows.items():
            low, high = beta.ppf([0.05, 0.95], *row["beta"])
            lines.append(
                f"| {view} | {angle} | {row['n']} | {row['factor']:.2f} | "
                f"{100 * low:.1f} to {100 * high:.1f} % |"
            )
    lines += [
        "",
        "Inside its 90 % interval, in % (exact 95 % interval), and the widening with which 90 % "
        "would hold there (`align.widening`):",
        "",
        "| condition | view | knees | rotation | tilt | half width (deg) | widening needed: "
        "rotation, tilt | square on within 5: calibration error |",
        "| --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    for name, row in figures["conditions"].items():
        for view in VIEWS:
            two = [row[view][angle] for angle in ANGLES]
            if not two[0]["n"]:
                continue
            needed = ", ".join(number(cover["needed"]) for cover in two)
            wide = ", ".join(number(cover["half_width"], 1) for cover in two)
            usable = row["square"].get("usable")
            error = f"{usable['ece']:.3f} (both views)" if view == VIEWS[0] and usable else ""
            lines.append(
                f"| {words(name)} | {view} | {two[0]['n']} | {held(two[0])} | {held(two[1])} | "
                f"{wide} | {needed} | {error} |"
            )
    return "\n".join(lines) + "\n"


def write_calibration(figures: Mapping[str, Any], out: Path) -> Path:
    """`conformal.json` and `.md`, the pose section and `shifts.json` and `.md` under `out`.

    Returns:
        the path of `conformal.md`.
    """
    write_report(figures["suite"], out, "shifts")
    own = {key: value for key, value in figures.items() if key != "suite"}
    (out / "conformal.json").write_text(json.dumps(own, indent=1) + "\n")
    pose = figures["pose"]
    section = "".join(f"{key}: {json.dumps(value)}\n" for key, value in pose.items())
    made = figures["made_by"]
    (out / f"{pose['name']}.yaml").write_text(
        "# Factors on the standard deviations of (rotation, tilt), so that 90 % intervals hold\n"
        f"# 90 % of films: split conformal on {made['films']} synthetic films, seeds from "
        f"{made['first_seed']}\n# (`squareon calibrate`).\n{section}"
    )
    page = out / "conformal.md"
    page.write_text(calibration_markdown(figures))
    return page
