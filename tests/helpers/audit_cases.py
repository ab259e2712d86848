"""Readings of invented studies, as plain values, for tests of the audit."""

from __future__ import annotations

from typing import Any

from pipeline.align.moves import moves
from pipeline.align.options import AlignOptions
from pipeline.align.square import Z90, square_probability, verdict
from pipeline.audit.model import FilmRead
from pipeline.knee.detection import Hypothesis, Pose
from pipeline.knee.film import HeaderHints
from pipeline.readers.dicom_shot import Shot

OPTIONS = AlignOptions()


def film(
    number: int,
    rotation: float,
    tilt: float = 0.0,
    /,
    *,
    view: str = "lateral",
    side: str | None = "right",
    sd: float = 0.8,
    flexion: float = 20.0,
    time: str | None = "auto",
    source: str | None = None,
    frame: int | None = None,
    read: bool = True,
    side_from: str = "header",
    instruments: bool = False,
    operator: str | None = None,
    **shot: Any,
) -> FilmRead:
    """A reading by the program's own rules of a film that shows just these angles."""
    hypothesis = Hypothesis(rotation, sd, tilt, sd, 1.0)
    pose = Pose((hypothesis,), 0.0, flexion, None, 100.0)
    p = square_probability((hypothesis,), view, OPTIONS)
    half = Z90 * sd
    angles = {
        "rotation_deg": rotation,
        "rotation_90": [rotation - half, rotation + half],
        "tilt_deg": tilt,
        "tilt_90": [tilt - half, tilt + half],
    }
    alignment = {
        **angles,
        "flexion_deg": flexion,
        "square": verdict(p, view, flexion),
        "square_probability": p,
        "hypotheses": [{**angles, "probability": 1.0}],
    }
    suggested = moves(view, pose, HeaderHints(), OPTIONS)
    row = {
        "film": {
            "source": source or f"film-{number}",
            "frame": frame,
            "sha256": f"{number:064x}",
            "rows": 60,
            "columns": 50,
        },
        "knee": {"index": 0, "box": None},
        "view": {"name": view if read else "other"},
        "side": {"name": side, "probability": 0.6, "from": side_from},
        "refused": None if read else "another projection",
        "found": {"instruments": [{"tip": [1, 1]}] if instruments else []},
        "moves": [vars(move) for move in suggested] if read else [],
        "alignment": alignment if read else None,
    }
    at = f"20200101 12{number:02d}00" if time == "auto" else time
    circumstances = Shot(**{"acquired": at, "number": number, **shot})
    return FilmRead(number, f"film {number}", row, "proposed", circumstances, None, operator)
