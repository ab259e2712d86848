"""A study laid out in a folder: blinded films, a sheet for each learner, and a sealed key.

Films are written as their pixels alone, under drawn names: no header, no file name, no side or
angle from one. What is burnt into the picture stays. The key holds who is taught and which film is
which; its digest stands in `plan.json`, so that a key which was changed later is noticed. It is
an envelope and no safe: keep the folder `key` where learners and scorers do not come.
"""

from __future__ import annotations

import base64
import csv
import gzip
import hashlib
import io
import json
import secrets
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.contracts import Progress, silent
from pipeline.knee.errors import Problem
from pipeline.knee.film import Film
from pipeline.readers.files import cannot_open
from pipeline.records.deep import deep_levels, png16
from pipeline.records.files import write_atomic
from pipeline.records.table import csv_text
from pipeline.study.orders import SETS, arms_of, code_names, orders, split

OCCASIONS = ("before", "after")
SHEET = ("place", "occasion", "film", "rotation_deg", "tilt_deg", "value", "seconds")
SEAL = "Sealed key of a study of learning. Opening it before the analysis unblinds the study.\n"
README = """\
A study of learning, laid out by `squareon study plan`.

films/      pictures under drawn names; what is burnt into a picture is still there, so look
answers/    one sheet per learner: fill in rotation_deg and tilt_deg in degrees, or value where
            something else is measured; leave nothing else in them
key/        for the one who teaches and keeps the study, for nobody else before the analysis
plan.json   what was planned, and the digest of the key

For teaching and research on archived or invented films; never for a live or autonomous procedure.
Consent, ethics and data protection follow your own rules: see the guide.
"""


@dataclass(frozen=True)
class Plan:
    """What is planned.

    Attributes:
        learners: how many; arms: 1 (all taught) or 2 (taught, waiting).
        seed: of every draw; None: a secret one.
        what: what is measured, for the page; empty: the mean error of rotation and tilt.
        invented: whether films and answers are made up; every file then says so.
    """

    learners: int
    arms: int = 2
    seed: int | None = None
    what: str = ""
    invented: bool = False

    def __post_init__(self) -> None:
        if self.learners < 2 or self.arms not in (1, 2):
            raise Problem("learners, arms", "no such design", "two learners or more, arms 1 or 2")


def check_fresh(out: Path) -> None:
    """Raises `Problem` where `out` holds a study."""
    if (out / "plan.json").exists():
        raise Problem(str(out), "holds a study already", "choose another folder")


def lay_out(
    plan: Plan,
    films: Sequence[tuple[str, Film]],
    truth: Mapping[str, tuple[float, float]],
    out: Path,
    progress: Progress = silent,
) -> Path:
    """Writes the study under `out`, which must not hold one. Returns the plan's file.

    Args:
        films: name and picture of each, at least four.
        truth: name to (rotation, tilt) in degrees, of those that are known; may be empty.
    """
    check_fresh(out)
    if len(films) < 4:
        raise Problem("films", f"{len(films)} are too few for two sets", "give at least four")
    seed = secrets.randbits(63) if plan.seed is None else plan.seed
    rng = np.random.default_rng(seed)
    names = [name for name, _ in films]
    codes = dict(zip(names, code_names(len(names), rng), strict=True))
    sets = dict(zip(SETS, split([codes[name] for name in names], rng), strict=True))
    used = set(sets["A"]) | set(sets["B"])
    own = {which: orders(sets[which], plan.learners, rng) for which in SETS}
    drawn = arms_of(plan.learners, plan.arms, rng)
    learners = [f"L{number:02d}" for number in range(1, plan.learners + 1)]
    for done, (name, film) in enumerate(films, 1):
        if codes[name] in used:
            write_atomic(out / "films" / f"{codes[name]}.png", picture_of(film))
        progress(done, len(films))
    for number, (learner, (_, first)) in enumerate(zip(learners, drawn, strict=True)):
        second = SETS[1 - SETS.index(first)]
        rows = [
            {"place": place, "occasion": occasion, "film": film}
            for occasion, which in zip(OCCASIONS, (first, second), strict=True)
            for place, film in enumerate(own[which][number], 1)
        ]
        sheet = [{**dict.fromkeys(SHEET, ""), **row} for row in rows]
        write_atomic(out / "answers" / f"{learner}.csv", csv_text(SHEET, sheet))
    key = {
        "seed": seed,
        "arms": {learner: arm for learner, (arm, _) in zip(learners, drawn, strict=True)},
        "first_set": {learner: first for learner, (_, first) in zip(learners, drawn, strict=True)},
        "sets": sets,
        "films": {codes[name]: name for name in names if codes[name] in used},
        "truth": {
            codes[name]: list(truth[name])
            for name in names
            if name in truth and codes[name] in used
        },
    }
    sealed = seal(key)
    write_atomic(out / "key" / "key.sealed", sealed)
    who = [{"learner": learner, "arm": arm} for learner, arm in key["arms"].items()]  # type: ignore[attr-defined]
    write_atomic(out / "key" / "who-is-taught.csv", csv_text(("learner", "arm"), who))
    note = "INVENTED: nobody took part.\n\n" if plan.invented else ""
    write_atomic(out / "READ-ME.txt", note + README)
    told = {
        "what": plan.what or "mean error of rotation and tilt, degrees",
        "invented": plan.invented,
        "arms": plan.arms,
        "learners": learners,
        "films_in_each_set": len(sets["A"]),
        "left_out": len(films) - len(used),
        "key_sha256": hashlib.sha256(sealed).hexdigest(),
    }
    write_atomic(out / "plan.json", json.dumps(told, indent=1) + "\n")
    return out / "plan.json"


def picture_of(film: Film) -> bytes:
    """The film's pixels as PNG of 16 bits, nothing else."""
    return png16(deep_levels(film))


def seal(key: Mapping[str, Any]) -> bytes:
    """The key as text that nobody reads by accident; the same bytes for the same key."""
    packed = gzip.compress(json.dumps(key, sort_keys=True).encode(), mtime=0)
    body = base64.encodebytes(packed)
    return SEAL.encode() + body


def opened(study: Path) -> tuple[dict[str, Any], dict[str, Any]]:
    """The plan and its key. Raises `Problem`, also where the key is not the one planned."""
    plan_path, key_path = study / "plan.json", study / "key" / "key.sealed"
    try:
        plan = json.loads(plan_path.read_text("utf-8"))
        sealed = key_path.read_bytes()
        digest = plan["key_sha256"]
    except OSError as error:
        path = Path(error.filename or plan_path)
        raise Problem(str(path), "cannot be read", "name the folder of a planned study") from None
    except (ValueError, KeyError, TypeError):
        raise Problem(str(plan_path), "is no plan of a study", "plan the study again") from None
    if hashlib.sha256(sealed).hexdigest() != digest:
        what = "is not the key that was planned: it was changed or belongs to another study"
        raise Problem(str(key_path), what, "bring back the first one")
    key = json.loads(gzip.decompress(base64.decodebytes(sealed[len(SEAL.encode()) :])))
    return plan, key


def truth_of(path: Path) -> dict[str, tuple[float, float]]:
    """Angles by film name from a table with the columns film, rotation_deg, tilt_deg.

    Raises `Problem` naming the line that is wrong.
    """
    found = {}
    for number, row in enumerate(rows_of(path, ("film", "rotation_deg", "tilt_deg")), 2):
        try:
            angles = float(row["rotation_deg"]), float(row["tilt_deg"])
        except ValueError:
            raise Problem(f"{path}, line {number}", "an angle is no number", "mend it") from None
        found[row["film"]] = angles
    return found


def rows_of(path: Path, columns: Iterable[str]) -> list[dict[str, str]]:
    """Rows of a table, cells stripped. Raises `Problem` where it or a column is not there."""
    try:
        text = path.read_text("utf-8-sig")
    except OSError as error:
        raise cannot_open(path, error) from None
    except UnicodeDecodeError:
        raise Problem(str(path), "cannot be read as a table", "give a CSV file in UTF-8") from None
    semicolons = text.split("\n", 1)[0].count(";") > text.split("\n", 1)[0].count(",")
    table = csv.DictReader(io.StringIO(text), delimiter=";" if semicolons else ",")
    missing = [name for name in columns if name not in (table.fieldnames or ())]
    if missing:
        raise Problem(str(path), f"has no column {missing[0]}", "add it, or plan the study again")
    return [{k: (v or "").strip() for k, v in row.items() if k is not None} for row in table]
