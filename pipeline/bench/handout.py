"""Films for people outside, without their truth; and the checker of what they send back."""

from __future__ import annotations

import csv
import io
import json
import shutil
from collections import Counter
from pathlib import Path
from typing import Any

from pipeline.bench.exam import BenchSettings, chosen_suites
from pipeline.bench.films import (
    DIGESTS,
    default_cache,
    fingerprint,
    make_films,
    picture_path,
    published,
    truth_row,
    verified,
)
from pipeline.bench.formats import MOST_TOLD, Fault, read_predictions, unmatched
from pipeline.bench.suites import Suite
from pipeline.contracts import Progress, silent
from pipeline.knee.counted import counted
from pipeline.knee.errors import Problem
from pipeline.knee.landmarks import View, names_of
from pipeline.records.files import make_folder, write_atomic

VIEWS: tuple[View, ...] = ("AP", "lateral")
TELLS = ("view", "side", "sid_mm", "sod_mm", "central_ray", "lying_on_side", "c_arm")
README = """\
INVENTED FILMS
Every film in this folder was computed from a virtual knee; nobody was X-rayed. For training and
research; never for guidance of a live or autonomous procedure.

One folder a suite. films.csv: what a film's file would say about it (scale at the knee and at the
detector, view, side, distances), blank where it would say nothing. films.json: the same films as
images of a COCO data set of keypoints, with the landmarks' names as categories and no annotation.
Hand in predictions as CSV, JSON Lines or COCO keypoints (docs/guides/benchmark.md) and check them:

  squareon bench check predictions.csv --films FOLDER_OF_THE_SUITE
"""


def _cache(settings: BenchSettings) -> Path:
    return Path(settings.cache) if settings.cache else default_cache()


def hand_out(settings: BenchSettings, out: Path, progress: Progress = silent) -> int:
    """Writes the films of the chosen suites; returns how many."""
    suites, cache = chosen_suites(settings), _cache(settings)
    make_films(list(suites.values()), cache, workers=settings.workers, progress=progress)
    write_atomic(out / "INVENTED.txt", README)
    for suite in suites.values():
        rows = [truth_row(cache, suite, seed) for seed in suite.seeds]
        for seed in suite.seeds:
            source = picture_path(cache, suite, seed)
            make_folder(out / suite.name)
            shutil.copyfile(source, out / suite.name / source.name)
        write_atomic(out / suite.name / "films.csv", films_csv(rows))
        write_atomic(out / suite.name / "films.json", json.dumps(films_json(suite, rows)) + "\n")
    return sum(len(suite.seeds) for suite in suites.values())


def films_csv(rows: list[dict[str, Any]]) -> str:
    """What each film's file would say."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    scales = ("mm_per_px_knee", "mm_per_px_detector")
    writer.writerow(["film", "rows", "columns", *scales, *TELLS])
    for row in rows:
        said = row["header"]
        cells = [row["file"], row["rows"], row["columns"], *(row[name] for name in scales)]
        for name in TELLS:
            value = said.get(name)
            cells.append(" ".join(map(str, value)) if isinstance(value, list) else value)
        writer.writerow(["" if cell is None else cell for cell in cells])
    return text.getvalue()


def films_json(suite: Suite, rows: list[dict[str, Any]]) -> dict[str, Any]:
    """The films as images of a COCO data set; nothing is annotated."""
    return {
        "info": {
            "description": f"Suite {suite.name}, version {suite.version}: synthetic knee films; "
            "nobody was X-rayed."
        },
        "images": [
            {
                "id": row["seed"],
                "file_name": row["file"],
                "width": row["columns"],
                "height": row["rows"],
            }
            for row in rows
        ],
        "annotations": [],
        "categories": [
            {
                "id": number,
                "name": f"knee, {view}",
                "supercategory": "knee",
                "keypoints": list(names_of(view)),
                "skeleton": [],
            }
            for number, view in enumerate(VIEWS, 1)
        ],
    }


def check_file(path: Path, films: Path | None) -> tuple[str, bool]:
    """What is wrong with predictions or marks, row by row; and whether nothing is.

    Raises `Problem` where the file, or the folder of films, cannot be read at all.
    """
    read = read_predictions(path)
    faults = list(read.faults)
    if films is not None:
        if not films.is_dir():
            raise Problem(str(films), "is no folder", "name the folder of the films")
        endings = {".json", ".csv", ".txt", ".jsonl", ".md"}
        names = [
            p.name for p in films.rglob("*") if p.is_file() and p.suffix.lower() not in endings
        ]
        faults += unmatched(read.rows, names)
    rows = read.rows
    views = Counter(row["view"] for row in rows)
    given = [len(row.get("landmarks", {})) for row in rows]
    angles = sum("rotation_deg" in row for row in rows)
    sure = sum("rotation_sd" in row and "tilt_sd" in row for row in rows)
    lines = [
        f"{path}: {read.form}, {counted(len(rows), 'sound row')} "
        f"({', '.join(f'{n} {view}' for view, n in sorted(views.items())) or 'none'}), "
        f"{counted(sum(given), 'landmark')}, angles in {counted(angles, 'row')}, "
        f"with deviations in {sure}.",
    ]
    lines += [f"  {fault}" for fault in faults[:MOST_TOLD]]
    if len(faults) > MOST_TOLD:
        lines.append(f"  ... and {len(faults) - MOST_TOLD} more: {_kinds(faults[MOST_TOLD:])}")
    lines.append("Nothing is wrong." if not faults else f"Wrong: {counted(len(faults), 'thing')}.")
    return "\n".join(lines), not faults


def _kinds(faults: list[Fault]) -> str:
    counts = Counter(fault.field or "row" for fault in faults)
    return ", ".join(f"{field} {n}" for field, n in counts.most_common(5))


def digests(settings: BenchSettings, progress: Progress = silent, out: Path | None = None) -> str:
    """Makes films and tells their fingerprints against those published; with `out` also writes
    `digests.json` there, to be published with a new version of a suite."""
    suites, cache = chosen_suites(settings), _cache(settings)
    make_films(list(suites.values()), cache, workers=settings.workers, progress=progress)
    lines, found = [], published()
    for suite in suites.values():
        rows = [truth_row(cache, suite, seed) for seed in suite.seeds]
        state = verified(suite, rows)
        counts = ", ".join(f"{n} {word}" for word, n in state["films"].items() if n)
        lines.append(f"{suite.name} v{suite.version}: {state['digest']} ({counts})")
        found[suite.key] = {str(row["seed"]): fingerprint(row) for row in rows}
    if out is not None:
        keys = {suite.key for suite in suites.values()}
        kept = {key: films for key, films in found.items() if key in keys}
        write_atomic(out / DIGESTS.name, json.dumps(kept, indent=0, sort_keys=True) + "\n")
    return "\n".join(lines)
