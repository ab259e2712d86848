"""A small archive of invented films, so that the program can be seen at work without any data."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from pipeline.bench.hunts import Hunter, hunt_of, write_hunt
from pipeline.contracts import Progress, Scenario, silent
from pipeline.knee.truth import LabelledFilm
from pipeline.records.dicom_out import Invention, orientation_of, write_dicom
from pipeline.records.files import write_atomic
from pipeline.registry import build

PLAIN: Mapping[str, Any] = {"other_share": 0.0, "no_knee_share": 0.0, "two_knees_share": 0.0}
README = """\
INVENTED FILMS
Every film in this folder was computed from a virtual knee. No person was X-rayed and no hospital
took part; names, numbers and dates are made up. For trying out the program only: readings of
these films are proposals for human review, never for guidance of a procedure.
"""


@dataclass(frozen=True)
class Shot:
    """One film to make: in which file, of which invented study, by which scenario options."""

    file: str
    study: str
    seed: int
    options: Mapping[str, Any]
    photometric: Literal["MONOCHROME1", "MONOCHROME2"] = "MONOCHROME2"
    body_part: str = "KNEE"


def _study(
    style: str,
    study: str,
    knee: int,
    side: str,
    ap: tuple[int, float, float],
    lateral: tuple[int, float, float],
    **changes: Any,
) -> tuple[Shot, Shot]:
    """AP and lateral of one knee: for each view the seed, the rotation and the tilt in degrees."""
    shots = []
    for view, (seed, rotation, tilt) in (("AP", ap), ("lateral", lateral)):
        options = {
            **PLAIN,
            "styles": (style,),
            "views": (view,),
            "knee_seed": knee,
            "side": side,
            "rotation_deg": rotation,
            "tilt_deg": tilt,
        }
        shots.append(Shot(f"{study}/{view}.dcm", study, seed, options, **changes))
    return shots[0], shots[1]


SHOTS: tuple[Shot, ...] = (
    *_study("radiography", "study-1", 9012, "left", (9036, 0.8, -0.6), (9060, -0.7, 0.9)),
    *_study(
        "radiography",
        "study-2",
        9019,
        "right",
        (9111, 12.0, -2.0),
        (9122, -9.0, 2.0),
        photometric="MONOCHROME1",
    ),
    *_study("radiography", "study-3", 9020, "right", (9116, -1.0, 8.0), (9159, 1.0, -7.0)),
    *_study("c_arm", "study-4-c-arm", 9018, "left", (9026, -7.0, 1.0), (9001, 2.0, 1.0)),
    Shot(
        "study-5/both-knees.dcm",
        "study-5",
        9005,
        {**PLAIN, "styles": ("radiography",), "views": ("AP",), "two_knees_share": 1.0},
    ),
    Shot(
        "study-6/oblique.dcm",
        "study-6",
        9006,
        {**PLAIN, "styles": ("radiography",), "views": ("AP",), "other_share": 1.0},
    ),
    Shot(
        "study-7/no-knee.dcm",
        "study-7",
        9007,
        {**PLAIN, "styles": ("radiography",), "views": ("AP",), "no_knee_share": 1.0},
        body_part="LEG",
    ),
)
"""Seeds far below those that training uses (from a thousand million on)."""

HUNT, HUNT_STUDY, HUNT_FILMS = Hunter("lateral", 9475, "limb", after=1), "study-9-series", 6
"""A lateral view that was hunted for, for `squareon audit`, and how many films that took."""
FILES = len(SHOTS) + HUNT_FILMS + 1
"""Files of the archive; the last is one cut short."""


def make_archive(folder: Path, progress: Progress = silent) -> list[Path]:
    """Writes the invented archive under `folder`: DICOM films, a series, one cut short, a note.

    The same bytes every time. Raises `Problem` where no scenario is installed.
    """
    write_atomic(folder / "INVENTED.txt", README)
    paths = []
    for number, shot in enumerate(SHOTS, start=1):
        scenario: Scenario = build("scenario", "knee_films", shot.options)
        path = folder / shot.file
        write_shot(path, shot, scenario.make(shot.seed), number)
        paths.append(path)
        progress(number, FILES)
    done = len(SHOTS)
    paths += write_hunt(
        hunt_of(HUNT),
        folder / HUNT_STUDY,
        HUNT_STUDY,
        progress=lambda own, _: progress(done + own, FILES),
    )
    whole = paths[0].read_bytes()
    broken = folder / "study-8" / "cut-short.dcm"
    write_atomic(broken, whole[: len(whole) // 3])
    progress(FILES, FILES)
    return [*paths, broken]


def write_shot(path: Path, shot: Shot, labelled: LabelledFilm, number: int) -> None:
    """One labelled film as DICOM under invented names."""
    upright = len(labelled.knees) == 1 and labelled.knees[0].view != "other"
    invention = Invention(
        patient=shot.study,
        study=shot.study,
        series=shot.file,
        instance=f"{shot.file} {shot.seed}",
        number=number,
        body_part=shot.body_part,
        photometric=shot.photometric,
        orientation=orientation_of(labelled.knees[0]) if upright else None,
    )
    write_dicom(path, labelled.film, invention)
