"""A small study with invented learners, so that a teacher can see what one looks like."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from pipeline.contracts import Progress, Scenario, silent
from pipeline.knee.errors import Problem
from pipeline.readers.find import find_films
from pipeline.readers.read import read_films
from pipeline.records.files import write_atomic
from pipeline.records.table import csv_text
from pipeline.registry import build
from pipeline.study.plan import SHEET, Plan, lay_out, opened, rows_of

SEED, FIRST_FILM = 20, 9600
LEARNERS, FILMS = 16, 12
BEFORE_DEG, TAUGHT_DEG, WAITING_DEG = 4.5, -1.6, -0.3
"""Invented: mean error before, and how it changes in each arm."""


def invent(out: Path, progress: Progress = silent) -> Path:
    """A planned study with films, sheets filled in by nobody, and its key; the same every time.

    Raises `Problem` where no scenario is installed or `out` holds a study.
    """
    options = {
        "styles": ("radiography",),
        "views": ("lateral",),
        "other_share": 0.0,
        "no_knee_share": 0.0,
        "max_px": 400,
    }
    scenario: Scenario = build("scenario", "knee_films", options)
    films, truth = [], {}
    for number in range(FILMS):
        labelled = scenario.make(FIRST_FILM + number)
        name = f"invented-{number + 1:02d}"
        films.append((name, labelled.film))
        truth[name] = (labelled.knees[0].rotation_deg, labelled.knees[0].tilt_deg)
        progress(number + 1, FILMS)
    lay_out(Plan(LEARNERS, arms=2, seed=SEED, invented=True), films, truth, out)
    answer(out)
    return out


def from_films(folder: Path, out: Path) -> Path:
    """The same with the films of a folder, whose true angles nobody knows: errors are invented.

    A study that is there already stays as it is.
    """
    if (out / "plan.json").exists():
        return out
    readers = [build("reader", name) for name in ("dicom", "raster")]
    films = []
    for path in find_films([folder]):
        try:
            films += [(str(path.relative_to(folder)), film) for film in read_films(path, readers)]
        except Problem:
            continue  # an archive holds films that cannot be read
    what = "error of rotation and tilt, degrees, invented"
    lay_out(Plan(LEARNERS, arms=2, seed=SEED, what=what, invented=True), films, {}, out)
    answer(out)
    return out


def answer(study: Path) -> None:
    """Fills in every sheet by a law of our own: ability, difficulty of the film, teaching."""
    plan, key = opened(study)
    rng = np.random.default_rng([SEED, 1])
    hard = {film: float(rng.normal(0, 0.5)) for film in key["films"]}
    for learner in plan["learners"]:
        skill, gain = rng.normal(0, 0.8), rng.normal(0, 0.5)
        change = TAUGHT_DEG if key["arms"][learner] == "taught" else WAITING_DEG
        path = study / "answers" / f"{learner}.csv"
        rows: list[dict[str, Any]] = list(rows_of(path, SHEET))
        for row in rows:
            size = BEFORE_DEG + skill + hard[row["film"]]
            size += change + gain if row["occasion"] == "after" else 0.0
            errors = np.maximum(size + rng.normal(0, 1.5, 2), 0.0)
            if row["film"] in key["truth"]:
                signed = errors * rng.choice([-1, 1], 2) + key["truth"][row["film"]]
                row["rotation_deg"], row["tilt_deg"] = (round(float(v)) for v in signed)
            else:
                row["value"] = round(float(errors.mean()), 1)
            row["seconds"] = round(rng.uniform(15, 90))
        write_atomic(path, csv_text(SHEET, rows))
