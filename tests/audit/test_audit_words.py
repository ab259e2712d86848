"""The page in words: every turn of a story, unknowns said as such, nothing that asks for a film."""

from __future__ import annotations

import re
from typing import Any

import pytest
from audit_cases import OPTIONS, film

from pipeline.audit import words
from pipeline.audit.drawing import Draughtsman
from pipeline.audit.model import Dose, FilmRead, Order, Study
from pipeline.audit.overview import overview
from pipeline.audit.page import Press
from pipeline.audit.series import series_blocks
from pipeline.audit.study import audit_of
from pipeline.audit.totals import totals_of
from pipeline.language import speech
from pipeline.readers.dicom_shot import Positioner
from pipeline.records.paper.html import html
from pipeline.registry import build

T = speech("en")


def study(*films: FilmRead) -> Study:
    return audit_of("key", list(films), OPTIONS)


def series(*rotations: float, **shared: Any) -> Study:
    return study(*(film(i, r, **shared) for i, r in enumerate(rotations, start=1)))


def story(audited: Study) -> str:
    return words.story(T, audited.hunts[0])


def text(page: str) -> str:
    """A page without its markup."""
    body = re.sub(r"<style.*?</style>|<[^>]+>", " ", page, flags=re.S)
    return re.sub(r"\s+", " ", body)


@pytest.mark.parametrize(
    ("audited", "says"),
    [
        (series(12.0, 0.0), "square on film 2. 1 film went before it (dose: not stated)."),
        (series(0.0), "square on film 1. It was the last of its view."),
        (series(12.0, 11.0), "likelier than not none of them is square"),
        (series(12.0, 5.2, 1.0), "with 99 % on one of films 2 to 3"),
        (series(12.0, 4.4), "perhaps none is"),
        (series(0.0, 1.0, dose_area_gy_cm2=0.1), "no longer needed (dose: 0.100 Gy\u00b7cm\u00b2)"),
        (
            study(film(1, 12.0), film(2, 0.0, read=False), film(3, 0.0)),
            "1 picture in between gave no angle",
        ),
        (
            study(film(1, 0.0), film(2, 0.0, instruments=True)),
            "1 later film shows instruments and is not counted",
        ),
    ],
)
def test_a_story(audited: Study, says: str) -> None:
    assert says in story(audited)


def test_doses_in_words() -> None:
    assert words.dose(T, Dose(None, 0, 2)) == "not stated"
    assert words.dose(T, Dose(None, 0, 2, 2)) == "not stated (only for a whole run)"
    assert words.dose(T, Dose(0.25, 1, 2)).startswith("at least 0.250 Gy")
    assert words.dose(T, Dose(None, 0, 0)) == "none"


def test_a_probability_claims_no_certainty() -> None:
    assert words.share(T, 0.9999) == "more than 99 %"
    assert words.share(T, 0.87) == "87 %"


def test_orders_in_words() -> None:
    for by in words.ORDERS:
        assert words.order(T, Order(by)).endswith(".")  # type: ignore[arg-type]
    assert "2 pictures do not state it" in words.order(T, Order("time", 2))


def test_how_a_move_is_known() -> None:
    beam = [film(1, 9.0, positioner=Positioner(-81.0, 0.0))]
    alike = study(*beam, film(2, 2.0, positioner=Positioner(-88.0, 0.0)))
    limb = study(*beam, film(2, 2.0, positioner=Positioner(-81.0, 0.0), flexion=35.0))
    other = study(*beam, film(2, 2.0, positioner=Positioner(0.0, 0.0)))
    known = [words.how_known(T, each.hunts[0].steps[0]) for each in (alike, limb, other)]
    assert known[0].endswith("the change of pose agrees")
    assert "disagrees: orbital, lateral end toward posterior" in known[1]
    assert "bend changed by +15 degrees" in known[1]
    assert "the beam is not that of this view" in known[2]
    assert words.move(T, limb.hunts[0].steps[0]) == "none by the header"
    assert "no clear turn" in words.move(T, series(9.0, 8.9).hunts[0].steps[0])
    bent = series(9.0, 2.0, flexion=50.0).hunts[0].steps[0]
    assert "the thigh's lie is not known" in words.how_known(T, bent)


@pytest.fixture(scope="module")
def press() -> Press:
    estimator: Any = build("pose", "landmark_fit", {})
    return Press(T, Draughtsman((), estimator, (), 5.0, 0.0), "squareon, test")


@pytest.mark.parametrize(
    "audited",
    [
        series(12.0, 8.0, 0.0),
        series(12.0, 11.0, view="AP", side=None),
        series(*[9.0] * 30, 0.0),
        study(film(1, 0.0, read=False)),
        study(film(1, 9.0, view="AP"), film(1, 3.0, view="AP", side="left"), film(2, 0.0)),
        series(12.0, 0.0, time=None, source="run", run_dose_area_gy_cm2=0.4, frames=9),
    ],
)
def test_pages_of_films_that_are_gone(press: Press, audited: Study) -> None:
    said = text(html(press.study(audited)))
    assert "NOT FOR GUIDANCE" in said
    assert "suggests no further exposure" in said
    for banned in ("repeat", "retake", "take another", "expose again for"):
        assert banned not in said.lower().replace("no reason by itself to expose again", "")
    overall = text(html(overview(T, [audited], totals_of([audited]), {"key": "study-key.html"})))
    assert "never for judging a person" in overall


def test_a_long_series_shows_some_films_and_says_so(press: Press) -> None:
    said = text(html(press.study(series(*[9.0] * 30, 0.0))))
    assert "12 of 31 films are shown" in said


def test_the_short_form_is_for_series_only() -> None:
    assert series_blocks(T, series(0.0), 5.0) == ()
    assert len(series_blocks(T, series(9.0, 0.0), 5.0)) == 6
