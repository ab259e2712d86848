"""Series as the page shows them: order, changes between shots, each view's story."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from audit_cases import OPTIONS, film
from review_house import SERIES, id_of

from pipeline.audit.model import FilmRead
from pipeline.readers.dicom_shot import Positioner, Shot, read_shot
from pipeline.records.store import Store
from pipeline.review.series import series_of


def told(films: list[FilmRead]) -> dict[str, Any]:
    (story,) = series_of(films, OPTIONS)["stories"]
    return story


def shots(*rotations: float, dose: float | None = None) -> list[FilmRead]:
    return [film(i, r, dose_area_gy_cm2=dose) for i, r in enumerate(rotations, start=1)]


def test_what_the_first_advice_would_have_saved() -> None:
    story = told(shots(12.0, 8.0, 6.5, 0.5, 0.4, dose=0.1))
    assert (story["first_square"], story["first_square_id"], story["shots"]) == (3, 4, 5)
    assert story["ids"] == [1, 2, 3, 4, 5]
    assert story["saved_shots"] == 2
    assert story["saved_dose_area_gy_cm2"] == pytest.approx(0.2)
    assert story["advice_probability"] > 0.8
    assert "square on film 4" in story["told"]


def test_a_dose_that_is_not_whole_is_not_summed_up() -> None:
    found = [film(1, 12.0), film(2, 8.0), film(3, 0.0, dose_area_gy_cm2=0.1)]
    assert told(found)["saved_shots"] == 1
    assert told(found)["saved_dose_area_gy_cm2"] is None
    whole = series_of(found, OPTIONS)
    assert (whole["dose_area_gy_cm2"], whole["dose_known"], whole["pictures"]) == (0.1, 1, 3)


def test_where_nothing_can_be_said() -> None:
    story = told(shots(1.0, 0.0))
    assert story["saved_shots"] is None
    assert "square already" in story["why_not"]


def test_views_are_told_apart_and_in_time_order() -> None:
    films = [
        film(3, 0.0),
        film(1, 9.0),
        film(2, 1.0, view="AP"),
        film(9, 8.0, time=None),
    ]
    found = series_of(films, OPTIONS)
    assert [each["id"] for each in found["shots"]] == [1, 2, 3, 9]
    assert [(s["view"], s["shots"]) for s in found["stories"]] == [("lateral", 3), ("AP", 1)]
    moved = {each["id"]: each["moves"] for each in found["shots"]}
    assert moved[1] == moved[2] == []
    change = moved[3][0]
    assert change["change_deg"] == pytest.approx(-9.0)  # against shot 1, not the AP film
    # Rotation went down: the lateral end went to posterior (conventions).
    assert "toward posterior" in change["text"]
    assert change["clear"]
    assert "positioner" not in change["text"]
    still = series_of(shots(9.0, 8.8), OPTIONS)["shots"][1]["moves"]
    assert [(each["clear"], each["text"]) for each in still] == [(False, "no clear turn")] * 2


def test_what_the_positioner_says_stands_beside() -> None:
    places = [Positioner(-81.0, 0.0), Positioner(-81.0, 0.0), Positioner(-88.0, 0.0)]
    films = [film(i + 1, (9.0, 2.0, -5.0)[i], positioner=places[i]) for i in range(3)]
    second, third = (each["moves"][0]["text"] for each in series_of(films, OPTIONS)["shots"][1:])
    assert second.endswith("(positioner: not turned)")
    assert third.endswith("(positioner: 7.0\u00b0 toward posterior)")


def test_headers(results: Path, tmp_path: Path) -> None:
    films = results.parent / "films"
    found = read_shot(films / SERIES[0].file)
    assert found.dose_area_gy_cm2 == pytest.approx(0.12)  # 1.2 dGy cm2 in the header
    assert (found.kvp, found.mas, found.entrance_dose_mgy) == (70.0, None, None)
    assert found.acquired == "20200101 120003"
    assert read_shot(films / "ramp.png") == Shot()
    assert read_shot(tmp_path / "nothing") == Shot()


def test_a_series_of_films(store: Store) -> None:
    from review_house import desk_of

    from pipeline.review.desk import Viewer

    found = desk_of(store).series(id_of(store, "shot-2.dcm"), Viewer())
    assert [each["name"] for each in found["shots"]] == [s.file for s in SERIES]
    assert found["dose_area_gy_cm2"] == pytest.approx(0.36)
    (story,) = found["stories"]
    assert story["first_square"] == 2
    assert [len(each["moves"]) for each in found["shots"]] == [0, 2, 2]
    assert all("operator" not in each for each in found["shots"])
    alone = desk_of(store).series(id_of(store, "ramp.png"), Viewer())
    assert len(alone["shots"]) == 1
    assert alone["stories"] == []
