"""The films of suites on disk: made once, checked by digest, read by every entry.

A film is a 16-bit PNG and a line of truth (docs/reference/dataset.md), in folders of their own, so
that films can be handed out without their truth. Entries read the 16-bit films, also in the run
that made them: an entry inside the program and one outside see the same numbers.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Sequence
from dataclasses import fields
from functools import cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.bench.assess import check_seeds
from pipeline.bench.pool import each
from pipeline.bench.suites import Suite
from pipeline.contracts import Progress, silent
from pipeline.knee.errors import Problem
from pipeline.knee.film import Film, HeaderHints, Scale
from pipeline.knee.tips import TipsTruth
from pipeline.knee.truth import KneeTruth, LabelledFilm
from pipeline.records.deep import FULL, deep_levels, png16
from pipeline.records.files import write_atomic
from pipeline.records.truth_lines import film_row, line_of
from pipeline.registry import build_section

PICTURES, TRUTH = "films", "truth"
DIGESTS = Path(__file__).with_name("digests.json")
SAME, CLOSE, OTHER, UNKNOWN = "identical", "within tolerance", "different", "not published"
GREY_TOLERANCE, TRUTH_TOLERANCE = 1e-4, 1e-2


def default_cache() -> Path:
    """Where films are kept between runs."""
    base = os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache"
    return Path(base) / "squareon" / "suites"


def picture_path(cache_dir: Path, suite: Suite, seed: int) -> Path:
    """Where the picture of a film lies."""
    return cache_dir / suite.key / PICTURES / f"{suite.film(seed)}.png"


def truth_path(cache_dir: Path, suite: Suite, seed: int) -> Path:
    """Where the truth of a film lies."""
    return cache_dir / suite.key / TRUTH / f"{suite.film(seed)}.json"


# ---- making ------------------------------------------------------------------------------------


def make_films(
    suites: Sequence[Suite], cache_dir: Path, *, workers: int = 0, progress: Progress = silent
) -> int:
    """Makes every film that the cache does not hold yet; returns how many.

    The picture is written before its truth: whatever stops a run, a film with a truth is whole.

    Raises:
        Problem: the seeds reach into those of training, or the folder cannot be written.
    """
    jobs = []
    for suite in suites:
        check_seeds(list(suite.seeds))
        missing = [s for s in suite.seeds if not truth_path(cache_dir, suite, s).exists()]
        by_subject: dict[int, list[int]] = {}
        for seed in missing:
            by_subject.setdefault(suite.subject(seed), []).append(seed)
        jobs += [(suite, seeds, cache_dir) for seeds in by_subject.values()]
    total, done = sum(len(seeds) for _, seeds, _ in jobs), 0
    for number in each(_make, jobs, workers):
        done += number
        progress(done, total)
    return total


@cache
def _scenario(section: str) -> Any:
    return build_section("scenario", json.loads(section))


def _make(job: tuple[Suite, list[int], Path]) -> int:
    suite, seeds, cache_dir = job
    scenario = _scenario(json.dumps(suite.scenario, sort_keys=True))
    for seed in seeds:
        store(cache_dir, suite, seed, scenario.make(seed))
    return len(seeds)


def store(cache_dir: Path, suite: Suite, seed: int, labelled: LabelledFilm) -> None:
    """Writes one film and its truth."""
    deep = deep_levels(labelled.film)
    path = picture_path(cache_dir, suite, seed)
    write_atomic(path, png16(deep))
    row = film_row(labelled, index=seed, seed=seed, file=path.name)
    row["pixels_sha256"] = pixels_digest(deep)
    row["mean_grey"] = round(float(deep.mean()) / FULL, 7)
    write_atomic(truth_path(cache_dir, suite, seed), line_of(row) + "\n")


def pixels_digest(deep: NDArray[Any]) -> str:
    """sha256 of (rows, columns) 16-bit values, little-endian, row by row."""
    return hashlib.sha256(np.ascontiguousarray(deep).astype("<u2").tobytes()).hexdigest()


# ---- reading -----------------------------------------------------------------------------------


def truth_row(cache_dir: Path, suite: Suite, seed: int) -> dict[str, Any]:
    """The line of truth of one film. Raises `Problem` where it is missing or damaged."""
    path = truth_path(cache_dir, suite, seed)
    try:
        row: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
        return row
    except (OSError, ValueError) as error:
        what = "is damaged" if isinstance(error, ValueError) else "is not there, or cannot be read"
        raise Problem(str(path), what, "delete it; the next run makes the film again") from error


def truth_of_row(row: dict[str, Any], pixels: NDArray[np.float32] | None = None) -> LabelledFilm:
    """The labelled film of a line of truth.

    `pixels`: (rows, columns) grey levels; None: black, for scoring alone.
    """
    if pixels is None:
        pixels = np.broadcast_to(np.float32(0), (row["rows"], row["columns"]))
    known = row.get("header") or {}
    said: dict[str, Any] = {f.name: known.get(f.name) for f in fields(HeaderHints)}
    if said["central_ray"] is not None:
        said["central_ray"] = tuple(said["central_ray"])
    header = HeaderHints(**said)
    at_knee = row.get("mm_per_px_knee")
    scale = Scale(row.get("mm_per_px_detector"), at_knee, "suite" if at_knee else "none")
    film = Film(pixels, row["file"], row["pixels_sha256"], scale=scale, header=header)
    return LabelledFilm(film, tuple(_knee(knee) for knee in row["knees"]))


def _knee(row: dict[str, Any]) -> KneeTruth:
    marks, placed = row["landmarks"], row.get("instruments") or []
    tips = np.array(row.get("instrument_tips") or np.zeros((0, 2)), dtype=np.float64)
    return KneeTruth(
        view=row["view"],
        side=row["side"],
        lateral_to_right=row["lateral_to_right"],
        names=tuple(marks),
        xy=_array([m["xy"] for m in marks.values()]),
        normal=_array([m["normal"] for m in marks.values()]),
        seen=np.array([m["seen"] for m in marks.values()], dtype=bool),
        rotation_deg=_float(row["rotation_deg"]),
        tilt_deg=_float(row["tilt_deg"]),
        roll_deg=_float(row["roll_deg"]),
        flexion_deg=_float(row["flexion_deg"]),
        off_centre_deg=tuple(_float(v) for v in row["off_centre_deg"]),  # type: ignore[arg-type]
        width_px=_float(row["width_px"]),
        width_mm=_float(row["width_mm"]),
        centre=np.array(row["centre"], dtype=np.float64),
        up=np.array(row["up"], dtype=np.float64),
        mm_per_px_knee=_float(row["mm_per_px_knee"]),
        facts=row["facts"],
        tips=tips,
        tips_truth=TipsTruth(
            mm=_array3([tip["mm"] for tip in placed]),
            bones=tuple(tip["bone"] for tip in placed),
            depth=np.array([_float(tip["depth_percent"]) for tip in placed]),
            depth_shown=np.array([_float(tip["depth_shown_percent"]) for tip in placed]),
        ),
        found=row["found"],
    )


def _array(pairs: list[list[float | None]]) -> NDArray[np.float64]:
    return np.array([[_float(v) for v in pair] for pair in pairs], dtype=np.float64).reshape(-1, 2)


def _array3(triples: list[list[float | None]]) -> NDArray[np.float64]:
    return np.array([[_float(v) for v in one] for one in triples], dtype=np.float64).reshape(-1, 3)


def _float(value: float | None) -> float:
    return float("nan") if value is None else float(value)


def read_film(cache_dir: Path, suite: Suite, seed: int) -> LabelledFilm:
    """A film with its truth. Raises `Problem` where it is missing or not the film it should be."""
    row = truth_row(cache_dir, suite, seed)
    path = picture_path(cache_dir, suite, seed)
    deep = cv2.imread(str(path), cv2.IMREAD_UNCHANGED) if path.exists() else None
    if deep is None or deep.dtype != np.uint16 or pixels_digest(deep) != row["pixels_sha256"]:
        raise Problem(
            str(path),
            "is missing or not the film that its line of truth speaks of",
            f"delete {truth_path(cache_dir, suite, seed)}; the next run makes both again",
        )
    return truth_of_row(row, (deep.astype(np.float32) / np.float32(FULL)))


# ---- digests -----------------------------------------------------------------------------------


def fingerprint(row: dict[str, Any]) -> dict[str, Any]:
    """Of one film: `digest` (12 hex) over pixels and truth, and two numbers that stay close where
    another processor rounds otherwise: mean grey, and mean of all landmarks' coordinates."""
    truth = {key: value for key, value in row.items() if key != "mean_grey"}
    points = [v for k in row["knees"] for m in k["landmarks"].values() for v in m["xy"] if v]
    return {
        "digest": hashlib.sha256(line_of(truth).encode()).hexdigest()[:12],
        "grey": row["mean_grey"],
        "truth": round(float(np.mean(points)), 4) if points else 0.0,
    }


def suite_digest(rows: Sequence[dict[str, Any]]) -> str:
    """One digest of all films of a suite, in the order of their seeds."""
    text = "".join(fingerprint(row)["digest"] for row in sorted(rows, key=lambda r: r["seed"]))
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def published() -> dict[str, Any]:
    """Fingerprints that came with the program: suite key to seed to fingerprint."""
    if not DIGESTS.exists():
        return {}
    known: dict[str, Any] = json.loads(DIGESTS.read_text(encoding="utf-8"))
    return known


def verified(suite: Suite, rows: Sequence[dict[str, Any]]) -> dict[str, Any]:
    """How the films compare with those of the published fingerprints.

    `state`: identical to the bit; within tolerance (mean grey to 0.0001, mean landmark to 0.01 px:
    another processor or library rounded otherwise); different; or not published.
    """
    known = published().get(suite.key, {})
    counts = dict.fromkeys((SAME, CLOSE, OTHER, UNKNOWN), 0)
    for row in rows:
        own, theirs = fingerprint(row), known.get(str(row["seed"]))
        if theirs is None:
            counts[UNKNOWN] += 1
        elif own["digest"] == theirs["digest"]:
            counts[SAME] += 1
        elif (
            abs(own["grey"] - theirs["grey"]) <= GREY_TOLERANCE
            and abs(own["truth"] - theirs["truth"]) <= TRUTH_TOLERANCE
        ):
            counts[CLOSE] += 1
        else:
            counts[OTHER] += 1
    order = (OTHER, CLOSE, SAME, UNKNOWN)
    return {
        "digest": suite_digest(rows),
        "state": next(state for state in order if counts[state]) if rows else UNKNOWN,
        "films": counts,
    }
