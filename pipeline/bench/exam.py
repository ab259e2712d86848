"""The benchmark: every entry answers every film of every suite, and every answer is scored.

An entry is a detector with a pose estimator, or a file of predictions. Answers are kept in the
form in which anybody hands them in, so that a run that was stopped goes on, figures can be made
anew without reading a film again, and inside and outside entries are scored by the same lines.
"""

from __future__ import annotations

import hashlib
import json
import os
import platform
import sys
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields, is_dataclass
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.bench.accuracy import FilmResult, compare
from pipeline.bench.answers import Answers, Row, rows_of
from pipeline.bench.assess import check_seeds
from pipeline.bench.films import (
    default_cache,
    make_films,
    read_film,
    truth_of_row,
    truth_row,
    verified,
)
from pipeline.bench.formats import predictions_of
from pipeline.bench.own import OwnFilms, own_films
from pipeline.bench.pool import each
from pipeline.bench.suites import OWN, Suite, suites_of
from pipeline.contracts import Progress, silent
from pipeline.knee.detection import Detection, Pose
from pipeline.knee.errors import Problem
from pipeline.knee.film import Film
from pipeline.knee.landmarks import names_of
from pipeline.knee.truth import LabelledFilm
from pipeline.language import speech
from pipeline.records.files import append_lines, read_lines
from pipeline.registry import build_section, load, nearest


@dataclass(frozen=True)
class BenchSettings:
    """What is measured, on what.

    Attributes:
        films: of each suite; whole persons only, so an even number where two films show one.
        first_seed: of the first film; a multiple of the films a person has.
        suites: names of suites; none: all that are made from seeds, and `own` where it is set.
        compare: names of entries; none: all.
        reference: the entry with which the others are compared.
        scenario: what suites change; one plugin, `{name: ..., option: value}`.
        suite: the suites, by name `{about, version, beside, scenario}`.
        entries: by name, `{detector: {name: ...}, pose: {name: ...}}` or `{predictions: FILE}`
            (a folder with one file for each suite, `SUITE.csv`, `.jsonl` or `.json`).
        own: `films`: your folder; `marks`: your file of marks, in a form of predictions.
        cache: folder that keeps the films; empty: the user's cache.
        workers: processes; 0 = one per core.
        language: of the page: en, de; tables for papers are in English.
    """

    films: int = 24
    first_seed: int = 20_000_000
    suites: list[str] = field(default_factory=list)
    compare: list[str] = field(default_factory=list)
    reference: str = "squareon"
    scenario: dict[str, Any] = field(default_factory=dict)
    suite: dict[str, Any] = field(default_factory=dict)
    entries: dict[str, Any] = field(default_factory=dict)
    own: dict[str, Any] = field(default_factory=dict)
    cache: str = ""
    workers: int = 0
    language: str = "en"


@dataclass(frozen=True)
class Entry:
    """Something that answers: `section` as in the settings."""

    name: str
    section: Mapping[str, Any]

    @property
    def outside(self) -> Path | None:
        """Its predictions, where it is a file or folder of them."""
        given = self.section.get("predictions")
        return Path(given) if given else None


@dataclass(frozen=True)
class Scored:
    """One film, scored.

    Attributes:
        result: as `accuracy.compare` gives it.
        subject: who is on it.
        visible: one row a knee, whether each landmark could have been found.
        seconds: that the answer took; NaN where not told.
    """

    result: FilmResult
    subject: str
    visible: tuple[Any, ...]
    seconds: float


Scores = dict[str, dict[str, list[Scored]]]
"""By entry, then by suite."""


@dataclass(frozen=True)
class Exam:
    """What was found, before it is made into figures."""

    settings: BenchSettings
    suites: Mapping[str, Suite]
    own: OwnFilms | None
    scores: Scores
    made_by: Mapping[str, Any]


# ---- what is asked ------------------------------------------------------------------------------


def chosen_suites(settings: BenchSettings) -> dict[str, Suite]:
    """The suites made from seeds. Raises `Problem` for settings that make no exam."""
    if settings.films < 1:
        raise Problem("films", "there are none to measure", "ask for 2 or more")
    seeds = range(settings.first_seed, settings.first_seed + settings.films)
    check_seeds(seeds)
    found = suites_of(settings.scenario, settings.suite, seeds, settings.suites)
    for suite in found.values():
        if settings.first_seed % suite.per_subject or settings.films % suite.per_subject:
            raise Problem(
                f"films={settings.films}, first_seed={settings.first_seed}",
                f"suite {suite.name} shows each person on {suite.per_subject} films",
                f"give multiples of {suite.per_subject}",
            )
    return found


def chosen_entries(settings: BenchSettings) -> dict[str, Entry]:
    """The entries, each known to be buildable. Raises `Problem`."""
    for name in settings.compare:
        if name not in settings.entries:
            raise Problem(f"compare={name}", "is no entry", nearest(name, settings.entries))
    found = {}
    for name in settings.compare or list(settings.entries):
        section = settings.entries[name]
        entry = Entry(name, section if isinstance(section, Mapping) else {})
        if entry.outside is None:
            build_entry(entry)
        elif not entry.outside.exists():
            raise Problem(str(entry.outside), "there is no such file", "correct the path")
        found[name] = entry
    if not found:
        raise Problem("entries", "there are none to measure", "name at least one")
    return found


def build_entry(entry: Entry) -> tuple[Any, Any]:
    """Its detector and pose estimator, on one core. Raises `Problem`."""
    for part in ("detector", "pose"):
        if not isinstance(entry.section.get(part), Mapping):
            raise Problem(
                f"entries.{entry.name}",
                f"has no {part}",
                "give it a detector and a pose, or predictions: FILE",
            )
    detector = dict(entry.section["detector"])
    kind = load("detector", str(detector.get("name")))
    if is_dataclass(kind) and any(one.name == "threads" for one in fields(kind)):
        detector = {"threads": 1, **detector}
    return build_section("detector", detector), build_section("pose", entry.section["pose"])


def entry_key(entry: Entry) -> str:
    """Name and digest of what answers: answers of other weights or settings are never mixed."""
    detector, _ = build_entry(entry)
    said = json.dumps([dict(entry.section), detector.weights, version("squareon")], sort_keys=True)
    return f"{entry.name}-{hashlib.sha256(said.encode()).hexdigest()[:8]}"


# ---- answering ----------------------------------------------------------------------------------


def answer(film: Film, name: str, detector: Any, estimator: Any) -> list[Row]:
    """What an entry says about a film, with the seconds it took; a failure is an answer too."""
    started = time.perf_counter()
    poses: list[Pose | str | None] = []
    found: list[Detection] = []
    try:
        found = list(detector.detect(film))
        for detection in found:
            poses.append(_pose(film, detection, estimator))
        rows = rows_of(name, found, poses)
    except Problem as problem:
        rows = [{"film": name, "view": "none", "failed": str(problem)}]
    except Exception as error:  # an entry that breaks on a film has no answer there
        what = f"{type(error).__name__}: {error}"
        rows = [{"film": name, "view": "none", "failed": what}]
    seconds = round(time.perf_counter() - started, 5)
    return [{**row, "seconds": seconds} for row in rows]


def _pose(film: Film, detection: Detection, estimator: Any) -> Pose | str | None:
    if detection.view not in ("AP", "lateral"):
        return None
    try:
        pose: Pose = estimator.estimate(film, detection)
        return pose
    except Problem as problem:
        return problem.what


Job = tuple[Entry, str, tuple[tuple[str, int], ...]]
"""Entry, suite, and (name, seed) of films; of the user's own films the number in the folder."""

_suites: Mapping[str, Suite] = {}
_own: OwnFilms | None = None
_cache = Path()
_built: dict[str, tuple[Any, Any]] = {}


def _prepare(suites: Mapping[str, Suite], own: OwnFilms | None, cache: Path) -> None:
    global _suites, _own, _cache
    _suites, _own, _cache = suites, own, cache
    _built.clear()


def labelled_film(suite: str, seed: int) -> LabelledFilm:
    """A film of a suite in this process."""
    if suite == OWN:
        assert _own is not None
        return _own.labelled(seed)
    return read_film(_cache, _suites[suite], seed)


def _answer_all(job: Job) -> tuple[str, str, list[Row]]:
    entry, suite, films = job
    if entry.name not in _built:
        _built.clear()
        _built[entry.name] = build_entry(entry)
    rows: list[Row] = []
    for name, seed in films:
        rows += answer(labelled_film(suite, seed).film, name, *_built[entry.name])
    return entry.name, suite, rows


CHUNK = 4
"""Films that a process answers before it reports."""


def collect(
    entries: Mapping[str, Entry],
    suites: Mapping[str, Suite],
    own: OwnFilms | None,
    out: Path,
    cache: Path,
    *,
    workers: int = 0,
    progress: Progress = silent,
) -> dict[str, dict[str, list[Row]]]:
    """All answers, by entry and suite; films already answered under `out` are not read again."""
    films = films_of(suites, own)
    held: dict[str, dict[str, list[Row]]] = {}
    paths: dict[tuple[str, str], Path] = {}
    jobs: list[Job] = []
    for entry in entries.values():
        held[entry.name] = {}
        if entry.outside is not None:
            for suite in films:
                held[entry.name][suite] = list(predictions_of(_file_of(entry.outside, suite)))
            continue
        key = entry_key(entry)
        for suite, named in films.items():
            suite_key = suites[suite].key if suite in suites else own.key if own else suite
            path = out / "answers" / key / f"{suite_key}.jsonl"
            rows = [json.loads(line) for line in read_lines(path)]
            wanted = {name for name, _ in named}
            rows = [row for row in rows if row["film"] in wanted]
            held[entry.name][suite], paths[entry.name, suite] = rows, path
            done = {row["film"] for row in rows}
            left = [one for one in named if one[0] not in done]
            jobs += [(entry, suite, tuple(left[k : k + CHUNK])) for k in range(0, len(left), CHUNK)]
    total, done_films = sum(len(job[2]) for job in jobs), 0
    told = each(_answer_all, jobs, workers, prepare=_prepare, parts=(suites, own, cache))
    for job, (name, suite, rows) in zip(jobs, told, strict=True):
        append_lines(paths[name, suite], [json.dumps(row) for row in rows])
        held[name][suite] += rows
        done_films += len(job[2])
        progress(done_films, total)
    return held


def films_of(suites: Mapping[str, Suite], own: OwnFilms | None) -> dict[str, list[tuple[str, int]]]:
    """Name and seed of every film, by suite."""
    found = {s.name: [(s.film(seed), seed) for seed in s.seeds] for s in suites.values()}
    if own is not None:
        found[OWN] = [(name, number) for number, name in enumerate(own.names)]
    return found


def _file_of(outside: Path, suite: str) -> Path:
    """The predictions of a suite: the file itself, or the suite's in a folder."""
    if outside.is_file():
        return outside
    for ending in (".jsonl", ".csv", ".json"):
        if (outside / f"{suite}{ending}").is_file():
            return outside / f"{suite}{ending}"
    raise Problem(
        str(outside),
        f"holds no predictions for suite {suite}",
        f"add {suite}.csv, .jsonl or .json, or choose suites=[...]",
    )


# ---- scoring ------------------------------------------------------------------------------------


def score_films(
    rows: Sequence[Row],
    suite: str,
    films: Sequence[tuple[str, int]],
    cache: Path,
    suites: Mapping[str, Suite],
    own: OwnFilms | None,
) -> list[Scored]:
    """Every film of a suite against its truth; one without an answer counts as missed."""
    answers = Answers(rows)
    scored = []
    for name, seed in films:
        if suite == OWN:
            assert own is not None
            labelled, subject = own.labelled(seed, black=True), own.subject(seed)
        else:
            one = suites[suite]
            labelled = truth_of_row(truth_row(cache, one, seed))
            subject = str(one.subject(seed))
        said = answers.of(name)
        seconds = [row["seconds"] for row in said if row.get("seconds") is not None]
        result = compare(seed, labelled, answers, answers)
        failed = tuple(str(row["failed"]) for row in said if row.get("failed"))
        result = FilmResult(result.seed, result.knees, result.false_knees, result.negative, failed)
        visible = tuple(_visible(labelled, k) for k in range(len(labelled.knees)))
        scored.append(Scored(result, subject, visible, max(seconds, default=float("nan"))))
    return scored


def _visible(labelled: LabelledFilm, index: int) -> Any:
    truth = labelled.knees[index]
    if truth.view == "other" or not len(truth.names):
        return np.zeros(0, dtype=bool)
    if not np.isfinite(truth.mm_per_px_knee):  # no error in mm without a scale
        return np.zeros(len(names_of(truth.view)), dtype=bool)
    order = {name: k for k, name in enumerate(truth.names)}
    return np.array(
        [name in order and bool(truth.seen[order[name]]) for name in names_of(truth.view)]
    )


# ---- all together -------------------------------------------------------------------------------


def examine(
    settings: BenchSettings,
    out: Path,
    making: Progress = silent,
    answering: Progress = silent,
) -> Exam:
    """Makes the films, lets every entry answer, scores.

    Raises:
        Problem: settings that make no exam, or files of predictions that are not in order.
    """
    speech(settings.language)  # an unknown one is told before hours of work
    entries = chosen_entries(settings)
    suites = chosen_suites(settings)
    own = own_films(settings.own) if _wants_own(settings) else None
    cache = Path(settings.cache) if settings.cache else default_cache()
    make_films(list(suites.values()), cache, workers=settings.workers, progress=making)
    held = collect(entries, suites, own, out, cache, workers=settings.workers, progress=answering)
    films = films_of(suites, own)
    scores: Scores = {
        name: {
            suite: score_films(rows, suite, films[suite], cache, suites, own)
            for suite, rows in by_suite.items()
        }
        for name, by_suite in held.items()
    }
    made_by = {
        "version": version("squareon"),
        "films": settings.films,
        "first_seed": settings.first_seed,
        "suites": {
            suite.name: {
                "about": suite.about,
                "version": suite.version,
                "beside": suite.beside,
                "scenario": dict(suite.scenario),
                "key": suite.key,
                **verified(suite, [truth_row(cache, suite, s) for s in suite.seeds]),
            }
            for suite in suites.values()
        },
        "entries": {entry.name: _told(entry) for entry in entries.values()},
        "machine": machine(),
    }
    if own is not None:
        made_by["suites"][OWN] = own.told()  # type: ignore[index]
    return Exam(settings, suites, own, scores, made_by)


def _wants_own(settings: BenchSettings) -> bool:
    if OWN in settings.suites:
        return True
    return not settings.suites and bool(settings.own.get("marks"))


def _told(entry: Entry) -> dict[str, Any]:
    if entry.outside is None:
        detector, _ = build_entry(entry)
        return {**entry.section, "weights": detector.weights}
    files = [entry.outside] if entry.outside.is_file() else sorted(entry.outside.iterdir())
    digests = {
        f.name: hashlib.sha256(f.read_bytes()).hexdigest()[:16] for f in files if f.is_file()
    }
    return {"predictions": entry.outside.name, "sha256": digests}


def machine() -> dict[str, Any]:
    """What the figures were made on: kind of processor and versions, no names."""
    versions = {}
    for package in ("numpy", "scipy", "numba", "opencv-python-headless", "onnxruntime"):
        try:
            versions[package] = version(package)
        except PackageNotFoundError:
            versions[package] = "absent"
    return {
        "processor": _processor(),
        "cores": os.cpu_count(),
        "system": platform.system(),
        "python": ".".join(map(str, sys.version_info[:3])),
        "packages": versions,
    }


def _processor() -> str:
    try:
        for line in Path("/proc/cpuinfo").read_text().splitlines():
            if line.startswith("model name"):
                return line.split(":", 1)[1].strip()
    except OSError:
        pass
    return platform.processor() or platform.machine()
