"""Runs the simulated operator over many knees, in processes, and tells the figures."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from importlib.metadata import version
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.batch import ReadSettings, parts_of
from pipeline.bench.assess import check_seeds
from pipeline.bench.closed_loop import (
    Episode,
    Shoot,
    TwiceAsWrong,
    draw_stand,
    draw_start,
    follow_advice,
    reader_of,
    search,
    summarise_episodes,
    wander,
)
from pipeline.bench.pool import each
from pipeline.bench.tables import number, percent
from pipeline.contracts import Progress, silent
from pipeline.knee.errors import Problem
from pipeline.knee.truth import LabelledFilm
from pipeline.records.files import make_folder
from pipeline.registry import build_section

VIEWS = ("AP", "lateral")
KINDS = ("as_read", "error_doubled", "one_axis_search", "random_moves")


@dataclass(frozen=True)
class LoopSettings:
    """Whom the simulated operator examines, and what reads the films.

    Attributes:
        episodes: knees per view.
        first_seed: of the knees; seeds of training are refused.
        within: degrees within which the first beam is off in each angle.
        hand_sd: degrees by which a turn misses, standard deviation.
        most: films per knee at most.
        worse: by how much the error of the second detector is multiplied.
        scenario: a plugin with the options of `knee_films`.
        detector, pose: one plugin each, `{name: ..., option: value}`.
        align: options of the verdict (`pipeline.align.options.AlignOptions`).
        workers: processes; 0 = one per core.
    """

    episodes: int = 100
    first_seed: int = 800_000
    within: float = 15.0
    hand_sd: float = 1.0
    most: int = 12
    worse: float = 2.0
    scenario: dict[str, Any] = field(default_factory=dict)
    detector: dict[str, Any] = field(default_factory=dict)
    pose: dict[str, Any] = field(default_factory=dict)
    align: dict[str, Any] = field(default_factory=dict)
    workers: int = 0

    def __post_init__(self) -> None:
        if self.episodes < 1 or self.most < 1:
            raise Problem("episodes", "there is nothing to simulate", "give 1 or more")
        if self.worse < 1:
            raise Problem("worse", f"{self.worse:g} would be better", "give 1 or more")


def _shooter(settings: LoopSettings, view: str, seed: int, flexion: float) -> Shoot:
    """Films of one knee lying still under one setting of everything but the two angles."""
    styles = list(settings.scenario.get("styles", ["radiography"]))
    fixed = {
        **settings.scenario,
        "views": [view],
        "styles": [styles[seed % len(styles)]],
        "other_share": 0.0,
        "no_knee_share": 0.0,
        "two_knees_share": 0.0,
        "films_per_knee": 1,
        "side": "right" if seed % 2 else "left",
        "flexion_deg": [flexion, flexion],
        "off_centre_mm": 0.0,
    }

    def shoot(rotation: float, tilt: float) -> LabelledFilm:
        scenario = build_section("scenario", {**fixed, "rotation_deg": rotation, "tilt_deg": tilt})
        labelled: LabelledFilm = scenario.make(seed)
        # The knee is centred: no film of this simulation asks for that.
        header = replace(labelled.film.header, central_ray=None)
        return replace(labelled, film=replace(labelled.film, header=header))

    return shoot


_settings: LoopSettings | None = None
_built: dict[str, Any] = {}


def _prepare(settings: LoopSettings) -> None:
    global _settings
    _settings = settings
    read = ReadSettings(detector=settings.detector, pose=settings.pose, align=settings.align)
    _built["parts"] = parts_of(read, threads=1)


def _one(job: tuple[str, int]) -> dict[str, Episode]:
    """All operators on one knee, from the same start."""
    assert _settings is not None
    s, (view, seed), parts = _settings, job, _built["parts"]
    number = VIEWS.index(view)
    rng = np.random.default_rng([seed, number])
    stand = draw_stand(view, rng)
    tolerance = parts.align.tolerance_deg
    start = draw_start(rng, s.within, tolerance)
    shoot = _shooter(s, view, seed, stand.flexion)
    hand = [np.random.default_rng([seed, number, i]) for i in range(5)]
    worse = replace(parts, pose=TwiceAsWrong(parts.pose, s.worse, hand[4]))
    common: dict[str, Any] = {"most": s.most}
    advised = {**common, "hand_sd": s.hand_sd}
    return {
        "as_read": follow_advice(stand, start, shoot, reader_of(parts, view), hand[0], **advised),
        "error_doubled": follow_advice(
            stand, start, shoot, reader_of(worse, view), hand[1], **advised
        ),
        "one_axis_search": search(stand, start, hand[2], tolerance=tolerance, **advised),
        "random_moves": wander(
            stand, start, hand[3], tolerance=tolerance, within=s.within, **common
        ),
    }


def run_loop(settings: LoopSettings, progress: Progress = silent) -> dict[str, Any]:
    """Figures of every operator in each view, as plain values.

    Raises:
        Problem: seeds of training, or a plugin cannot be built.
    """
    seeds = range(settings.first_seed, settings.first_seed + settings.episodes)
    check_seeds(seeds)
    read = ReadSettings(detector=settings.detector, pose=settings.pose, align=settings.align)
    parts = parts_of(read)  # a mistake is told before any work
    jobs = [(view, seed) for view in VIEWS for seed in seeds]
    found: dict[str, dict[str, list[Episode]]] = {v: {k: [] for k in KINDS} for v in VIEWS}
    told = each(_one, jobs, settings.workers, prepare=_prepare, parts=(settings,))
    for i, (job, episodes) in enumerate(zip(jobs, told, strict=True)):
        for kind, episode in episodes.items():
            found[job[0]][kind].append(episode)
        progress(i + 1, len(jobs))
    tolerance = parts.align.tolerance_deg
    return {
        "made_by": {
            "version": version("squareon"),
            "weights": parts.made_by.weights,
            **{k: v for k, v in asdict(settings).items() if k != "workers"},
        },
        "tolerance_deg": tolerance,
        "views": {
            view: {
                kind: summarise_episodes(episodes, tolerance, settings.most)
                for kind, episodes in kinds.items()
            }
            for view, kinds in found.items()
        },
    }


WORDS = {
    "as_read": "the reading's move",
    "error_doubled": "the same, error doubled",
    "one_axis_search": "one axis at a time, grew or shrank",
    "random_moves": "random moves",
}


def loop_markdown(figures: Mapping[str, Any]) -> str:
    """One row per view and operator."""
    made = figures["made_by"]
    lines = [
        "A simulation for studying feedback on training images; no equipment was moved. "
        f"{made['episodes']} knees a view, first beam off by up to {made['within']:g} degrees in "
        f"each angle, square within {figures['tolerance_deg']:g} degrees, turns rounded to a "
        f"degree and missed by {made['hand_sd']:g} (SD), at most {made['most']} films.",
        "",
        "| view | operator follows | corrections: median, 95th | ended within 2 | within 2 and "
        "truly square | ends with *square* | truly square at the end | reading's RMS error: "
        "rotation, tilt (deg) |",
        "| --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    for view, kinds in figures["views"].items():
        for kind, row in kinds.items():
            middle, late = (
                f"over {made['most'] - 1}" if row[key] >= made["most"] else f"{row[key]:g}"
                for key in ("median", "p95")
            )
            errors: Sequence[float] = row["rms_error"] or ()
            lines.append(
                f"| {view} | {WORDS[kind]} | {middle}, {late} | "
                f"{percent(row['within_2'])} | {percent(row['square_within_2'])} | "
                f"{percent(row['said_square'])} | {percent(row['truly_square'])} | "
                f"{', '.join(number(e) for e in errors) or '-'} |"
            )
    return "\n".join(lines) + "\n"


def write_loop(figures: Mapping[str, Any], out: Path) -> Path:
    """`closed_loop.json` and `closed_loop.md` under `out`; the latter's path."""
    make_folder(out)
    (out / "closed_loop.json").write_text(json.dumps(figures, indent=1) + "\n")
    page = out / "closed_loop.md"
    page.write_text(loop_markdown(figures))
    return page
