"""All that `squareon audit` leaves: a page for each study, one over all, tables, plain values."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

from pipeline.align.options import AlignOptions
from pipeline.audit.model import Hunt, Study
from pipeline.audit.overview import overview
from pipeline.audit.page import Press
from pipeline.audit.sources import Studies
from pipeline.audit.study import audit_of
from pipeline.audit.totals import totals_of
from pipeline.contracts import Progress, silent
from pipeline.knee.errors import Problem
from pipeline.records.files import disk_errors, write_atomic
from pipeline.records.paper import Paper, write_html, write_pdf
from pipeline.records.rows import plain
from pipeline.records.table import csv_text

PAGES: Mapping[str, Callable[[Paper, Path], None]] = {"html": write_html, "pdf": write_pdf}
HUNT_COLUMNS = (
    "study",
    "day",
    "operator",
    "view",
    "side",
    "films",
    "films_to_square",
    "films_to_square_least",
    "films_to_square_most",
    "dose_before_gy_cm2",
    "dose_before_stated_for",
    "dose_before_pictures",
    "films_after",
    "films_after_with_instruments",
    "pictures_without_angle",
    "advice_probability",
    "advice_would_have_saved",
    "advice_borne_out",
    "advice_why_not",
    "notice",
)
DATA = "audit.json"
NOTICE = "looks back at archived films; not for guidance"


def audits(studies: Studies, options: AlignOptions) -> list[Study]:
    """The audit of each study, by day, then key."""
    found = [audit_of(key, films, options) for key, films in studies.items()]
    return sorted(found, key=lambda study: (study.day or "", study.key))


def write_audit(
    out: Path,
    studies: Sequence[Study],
    press: Press,
    *,
    pages: Sequence[str] = ("html", "pdf"),
    period: str = "month",
    least_films: int = 2,
    progress: Progress = silent,
) -> dict[str, str]:
    """Writes everything under `out`; returns each page's file by the study's key.

    Pages that an audit before left there, of studies or kinds that this one has not, are removed.

    Args:
        least_films: a study has a page where a view of it has so many films.

    Raises:
        Problem: a kind of page or a period that is none, or `out` cannot be written.
    """
    for kind in pages:
        if kind not in PAGES:
            raise Problem("pages", f"{kind} is none", f"choose among {', '.join(PAGES)}")
    totals = totals_of(studies, period)
    shown = [
        study for study in studies if any(len(hunt.films) >= least_films for hunt in study.hunts)
    ]
    files = {study.key: f"study-{study.key}.html" for study in shown}
    _sweep(out, {Path(name).stem for name in ("index.html", *files.values())}, pages)
    written = {
        "notice": NOTICE,
        "made_by": press.made_by,
        "studies": [plain_study(study) for study in studies],
        "totals": [plain(total) for total in totals],
    }
    # before the pages: should this be interrupted, the next audit knows which are ours
    write_atomic(out / DATA, json.dumps(written, indent=1, allow_nan=False) + "\n")
    for done, study in enumerate(shown):
        progress(done, len(shown))
        _write(press.study(study), out / files[study.key], pages)
    _write(overview(press.t, studies, totals, files, press.made_by), out / "index.html", pages)
    rows = [hunt_row(study, hunt) for study in studies for hunt in study.hunts]
    write_atomic(out / "hunts.csv", csv_text(HUNT_COLUMNS, rows))
    progress(len(shown), len(shown))
    return files


def _sweep(out: Path, stems: set[str], pages: Sequence[str]) -> None:
    """Removes pages of the audit that `out` holds, as its own data name them, and nothing else."""
    try:
        before = json.loads((out / DATA).read_text("utf-8"))
        ours = before["notice"] == NOTICE
        keys = [str(each["study"]) for each in before["studies"]]
    except (OSError, ValueError, KeyError, TypeError):
        return
    made = ["index", *(f"study-{key}" for key in keys)]
    with disk_errors(out):
        for stem in made if ours else ():
            for kind in PAGES:
                path = out / f"{stem}.{kind}"
                # a table that somebody wrote into may name no file outside the folder
                if (stem not in stems or kind not in pages) and path.parent == out:
                    path.unlink(missing_ok=True)


def _write(paper: Paper, path: Path, pages: Iterable[str]) -> None:
    for kind in pages:
        PAGES[kind](paper, path.with_suffix(f".{kind}"))


def hunt_row(study: Study, hunt: Hunt) -> dict[str, Any]:
    """One line of `hunts.csv`."""
    low, high = hunt.exposures_range
    advice = hunt.advice
    values = (
        study.key,
        study.day,
        study.operator,
        hunt.view,
        hunt.side,
        len(hunt.films),
        hunt.exposures,
        low,
        high,
        hunt.before_dose.gy_cm2,
        hunt.before_dose.stated,
        hunt.before_dose.pictures,
        hunt.after,
        hunt.after_instruments,
        hunt.lost,
        advice.square_probability,
        advice.saved,
        advice.borne_out,
        advice.why_not,
        NOTICE,
    )
    return dict(zip(HUNT_COLUMNS, values, strict=True))


def plain_study(study: Study) -> dict[str, Any]:
    """A study as plain values; each film by its number, angles and circumstances."""
    said: dict[str, Any] = {
        "study": study.key,
        "day": study.day,
        "operator": study.operator,
        "order": plain(study.order),
        "pictures": study.pictures,
        "runs": study.runs,
        "dose": plain(study.dose),
        "invented": study.invented,
        "films": [
            {
                "film": number,
                "reading": film.id,
                "name": film.name,
                "view": film.view,
                "side": film.side,
                "acquired": film.shot.acquired,
                "dose_area_gy_cm2": film.shot.dose_area_gy_cm2,
                "run_dose_area_gy_cm2": film.shot.run_dose_area_gy_cm2,
                "positioner": plain(film.shot.positioner),
                **{
                    name: (film.alignment or {}).get(name)
                    for name in (
                        "rotation_deg",
                        "rotation_90",
                        "tilt_deg",
                        "tilt_90",
                        "square",
                        "square_probability",
                    )
                },
                "refused": film.row["refused"],
            }
            for film, number in zip(study.films, study.numbers, strict=True)
        ],
        "hunts": [],
    }
    for hunt in study.hunts:
        own = {
            field.name: plain(getattr(hunt, field.name))
            for field in dataclasses.fields(hunt)
            if field.name != "films"
        }
        low, high = hunt.exposures_range
        own |= {"films_to_square": hunt.exposures, "films_to_square_range": [low, high]}
        said["hunts"].append(own)
    return said
