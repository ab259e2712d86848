"""The shots of one study as the page shows them; what they tell is for the audit to say.

Looks back at what was done; it suggests nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from pipeline.align.options import AlignOptions
from pipeline.audit import words
from pipeline.audit.model import FilmRead, Hunt, Step
from pipeline.audit.study import audit_of
from pipeline.knee.angles import ANGLES
from pipeline.language import speech

CIRCUMSTANCES = (
    "acquired",
    "number",
    "dose_area_gy_cm2",
    "entrance_dose_mgy",
    "kvp",
    "mas",
)
"""What the page is told of a shot's header; who took it is not for the page."""


def series_of(films: Sequence[FilmRead], options: AlignOptions) -> dict[str, Any]:
    """What the page shows of a series: its shots in order, and each view's story."""
    study = audit_of("", films, options)
    before = {
        film.id: step
        for hunt in study.hunts
        for film, step in zip(hunt.films[1:], hunt.steps, strict=True)
    }
    return {
        "shots": [
            {**_plain(film), "moves": moves_of(before[film.id]) if film.id in before else []}
            for film in study.films
        ],
        "stories": [_story(hunt) for hunt in study.hunts],
        "pictures": study.dose.pictures,
        "dose_area_gy_cm2": study.dose.gy_cm2,
        "dose_known": study.dose.stated,
    }


def _plain(film: FilmRead) -> dict[str, Any]:
    alignment = film.alignment or {}
    return {
        "id": film.id,
        "name": film.name,
        "state": film.state,
        "view": film.view,
        "side": film.side,
        "refused": film.row["refused"],
        "square": alignment.get("square"),
        **{f"{a}_{e}": alignment.get(f"{a}_{e}") for a in ANGLES for e in ("deg", "90")},
        **{name: getattr(film.shot, name) for name in CIRCUMSTANCES},
    }


STILL_DEG = 0.5
"""Below this a positioner is said not to have been turned."""


def moves_of(step: Step) -> list[dict[str, Any]]:
    """Per angle the change since the shot before of the same view, and the turn it tells.

    Where headers state the positioner's angles, what they say of the beam stands beside it.
    """
    t = speech("en")
    found = []
    for i, made in enumerate(step.by_pose):
        text = words.turn(t, made) if made.clear else "no clear turn"
        if step.by_header:
            beam = step.by_header[i]
            turned = f"{abs(beam.degrees):.1f}\u00b0 toward {beam.words.toward}"
            text += f" (positioner: {turned if abs(beam.degrees) > STILL_DEG else 'not turned'})"
        found.append(
            {
                "angle": made.angle,
                "change_deg": step.change[i],
                "half_width_deg": step.change_half[i],
                "clear": made.clear,
                "text": text,
            }
        )
    return found


def _story(hunt: Hunt) -> dict[str, Any]:
    """When one view became square, and what the first film's advice would have saved."""
    advice, first = hunt.advice, hunt.first_square
    dose = advice.saved_dose
    complete = dose is not None and dose.complete
    return {
        "view": hunt.view,
        "side": hunt.side,
        "shots": len(hunt.films),
        "ids": [film.id for film in hunt.films],
        "first_square": first,
        "first_square_id": None if first is None else hunt.films[first].id,
        "told": words.story(speech("en"), hunt),
        "advice": [{"text": text} for text in advice.texts],
        "advice_probability": advice.square_probability,
        "borne_out": advice.borne_out,
        "saved_shots": advice.saved,
        "saved_dose_area_gy_cm2": dose.gy_cm2 if dose is not None and complete else None,
        "why_not": advice.why_not or None,
    }
