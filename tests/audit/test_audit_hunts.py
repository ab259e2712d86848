"""The story of a study: order, first square film, doses, advice, totals."""

from __future__ import annotations

import numpy as np
import pytest
from audit_cases import OPTIONS, film

from pipeline.audit.doses import dose_of, together
from pipeline.audit.model import Dose, FilmRead, Order, Study
from pipeline.audit.order import day_of, in_order, moment
from pipeline.audit.study import audit_of
from pipeline.audit.totals import LEAST_HUNTS, median_90, totals_of
from pipeline.knee.errors import Problem


def numbers(films: list[FilmRead]) -> list[int]:
    return [each.id for each in films]


def test_order_is_by_time_whatever_way_it_is_written() -> None:
    films = [
        film(3, 1.0, time="20200101 120002.5"),
        film(1, 1.0, time="20200101120001.5+0100"),
        film(2, 1.0, time="20200101 120002"),
    ]
    found, rule = in_order(films)
    assert (numbers(found), rule) == ([1, 2, 3], Order("time"))


def test_order_within_one_second_and_without_a_time() -> None:
    same = [film(i, 1.0, time="20200101 120000") for i in (2, 1)]
    found, rule = in_order([*same, film(7, 1.0, time="20200101")])
    assert numbers(found) == [1, 2, 7]
    assert rule == Order("time and number", 1)
    found, rule = in_order([film(i, 1.0, time=None) for i in (2, 1)])
    assert numbers(found) == [1, 2]
    assert rule == Order("number")
    found, rule = in_order([film(i, 1.0, time=None, number=None) for i in (2, 1)])
    assert numbers(found) == [1, 2]
    assert rule == Order("name")


def test_frames_of_a_run_follow_each_other() -> None:
    run = [film(i, 1.0, source="run", frame=i, time="20200101 1200", number=1) for i in (3, 1, 2)]
    assert numbers(in_order(run)[0]) == [1, 2, 3]


def test_times_that_are_none() -> None:
    assert moment("20209901 120000") is None
    assert moment("20200101") is None
    assert moment(None) is None
    assert day_of("20200131 12") == "2020-01-31"


# ---- doses -------------------------------------------------------------------------------------


def test_what_no_header_states_is_not_zero() -> None:
    stated = [film(1, 1.0, dose_area_gy_cm2=0.2), film(2, 1.0)]
    assert dose_of(stated) == Dose(0.2, 1, 2)
    assert dose_of(stated[1:]) == Dose(None, 0, 1)
    assert not dose_of(stated).complete
    assert together([dose_of(stated), dose_of(stated[1:])]) == Dose(0.2, 1, 3)
    assert together([]) == Dose(None, 0, 0)


def test_two_knees_on_one_film_cost_one_dose() -> None:
    both = [film(1, 1.0, view="AP", side=s, dose_area_gy_cm2=0.2) for s in ("right", "left")]
    assert dose_of(both) == Dose(0.2, 1, 1)


def test_a_run_whose_dose_is_stated_as_a_whole_is_never_divided() -> None:
    run = [
        film(i, 1.0, source="run", frame=i, run_dose_area_gy_cm2=0.6, frames=3) for i in (1, 2, 3)
    ]
    assert dose_of(run) == Dose(0.6, 3, 3)
    assert dose_of(run[:2]) == Dose(None, 0, 2, undivided=2)


# ---- the first square film ---------------------------------------------------------------------


def hunted(*rotations: float, **shared: object) -> Study:
    films = [film(i, r, dose_area_gy_cm2=0.1, **shared) for i, r in enumerate(rotations, start=1)]  # type: ignore[arg-type]
    return audit_of("a", films, OPTIONS)


def test_when_it_became_square_and_what_followed() -> None:
    (hunt,) = hunted(14.0, 9.0, 1.0, 0.5, 2.0).hunts
    assert (hunt.exposures, hunt.exposures_range) == (3, (3, 3))
    assert (hunt.after, hunt.recognised) == (2, False)
    assert hunt.before_dose.gy_cm2 == pytest.approx(0.2)
    assert hunt.after_dose.gy_cm2 == pytest.approx(0.2)


def test_a_film_that_leaves_it_open_widens_the_count() -> None:
    (hunt,) = hunted(14.0, 5.3, 1.0).hunts
    assert hunt.exposures_range == (2, 3)
    assert hunt.exposures == 3
    assert hunt.recognised


def test_a_view_that_never_became_square() -> None:
    (hunt,) = hunted(14.0, 9.0).hunts
    assert (hunt.exposures, hunt.exposures_range, hunt.recognised) == (None, (None, None), None)
    assert hunt.before_dose.pictures == 2
    assert hunt.advice.saved is None
    assert "no film of this view" in hunt.advice.why_not


def test_films_with_instruments_were_taken_for_more_than_the_view() -> None:
    films = [film(1, 12.0), film(2, 0.5), film(3, 0.0, instruments=True), film(4, 0.0)]
    (hunt,) = audit_of("a", films, OPTIONS).hunts
    assert (hunt.after, hunt.after_instruments) == (1, 1)


def test_films_without_angles_are_exposures_too() -> None:
    films = [film(1, 12.0), film(2, 0.0, read=False), film(3, 0.5), film(4, 0.0, read=False)]
    study = audit_of("a", films, OPTIONS)
    (hunt,) = study.hunts
    assert (study.pictures, hunt.exposures, hunt.lost) == (4, 2, 1)
    assert hunt.numbers == (1, 3)


def test_views_and_sides_are_hunted_apart() -> None:
    films = [film(1, 9.0, view="AP"), film(2, 8.0), film(3, 7.0, side="left"), film(4, 0.0)]
    study = audit_of("a", films, OPTIONS)
    assert [(h.view, h.side, len(h.films)) for h in study.hunts] == [
        ("AP", "right", 1),
        ("lateral", "right", 2),
        ("lateral", "left", 1),
    ]


def test_a_side_that_pictures_alone_show_is_no_reason_to_part_films() -> None:
    guessed = [film(i, 9.0 - i, side=s, side_from="image") for i, s in enumerate(("left", "right"))]
    assert [(h.side, len(h.films)) for h in audit_of("a", guessed, OPTIONS).hunts] == [(None, 2)]
    known = audit_of("a", [*guessed, film(3, 0.0, side="left")], OPTIONS)
    assert [(h.side, len(h.films)) for h in known.hunts] == [("left", 3)]


# ---- advice ------------------------------------------------------------------------------------


def test_what_the_first_advice_would_have_needed() -> None:
    advice = hunted(14.0, 9.0, 5.0, 1.0).hunts[0].advice
    assert advice.turns == {"rotation": 14.0}
    # With the thigh tipped by the bent knee the one turn that is asked for leaves some tilt.
    assert advice.pose == pytest.approx((0.0, 2.0), abs=0.3)
    assert advice.square_probability is not None
    assert advice.square_probability > 0.95
    assert (advice.films, advice.saved, advice.borne_out) == (2, 2, True)
    assert advice.saved_dose == Dose(pytest.approx(0.2), 2, 2)
    # Square as well, but 11.5 degrees away, where 14 were read give or take 1.3.
    assert not hunted(14.0, 9.0, 5.0, 2.5).hunts[0].advice.borne_out


@pytest.mark.parametrize(
    ("study", "why"),
    [
        (hunted(1.0, 0.0), "square already"),
        (hunted(14.0, 1.0, flexion=60.0), "names no degrees"),
        (hunted(14.0, 1.0, sd=6.0), "would not clearly"),
    ],
)
def test_where_nothing_is_counted(study: Study, why: str) -> None:
    advice = study.hunts[0].advice
    assert why in advice.why_not
    assert advice.saved is None


# ---- totals ------------------------------------------------------------------------------------


def studies(count: int, operator: str | None = "A", day: str = "20200101") -> list[Study]:
    rng = np.random.default_rng(count)
    found = []
    for key in range(count):
        paths = [*rng.uniform(9, 15, rng.integers(0, 4)), 0.5]
        films = [
            film(i, float(r), time=f"{day} 12{i:02d}00", operator=operator)
            for i, r in enumerate(paths, start=1)
        ]
        found.append(audit_of(f"{operator}{key}", films, OPTIONS))
    return found


def test_small_numbers_are_counts_only() -> None:
    (few,) = totals_of(studies(LEAST_HUNTS - 1))
    assert few.few
    assert (few.median, few.median_90) == (None, None)
    assert few.hunts == LEAST_HUNTS - 1
    (enough,) = totals_of(studies(40))
    assert enough.median is not None
    assert enough.median_90 is not None
    assert enough.median_90[0] <= enough.median <= enough.median_90[1]
    assert enough.first_95[0] < enough.first / enough.hunts < enough.first_95[1]


def test_totals_by_operator_and_period() -> None:
    every = [*studies(2), *studies(1, "B"), *studies(1, None), *studies(1, "A", "20200201")]
    rows = totals_of(every)
    assert [(r.operator, r.period, r.studies) for r in rows] == [
        ("A", "2020-01", 2),
        ("A", "2020-02", 1),
        ("B", "2020-01", 1),
        ("not stated", "2020-01", 1),
    ]
    assert [r.period for r in totals_of(every, "year")] == ["2020"] * 3
    with pytest.raises(Problem, match="month"):
        totals_of(every, "week")


def test_the_medians_interval_holds_it_as_often_as_it_says() -> None:
    assert median_90([1, 2, 3, 4]) is None
    # n = 10: x_(2) to x_(9) holds the median with 97.9 % (tables of order statistics).
    assert median_90(list(range(1, 11))) == (2.0, 9.0)
    rng = np.random.default_rng(0)
    held = [
        span[0] <= 0 <= span[1]
        for _ in range(2000)
        if (span := median_90(list(rng.normal(size=25)))) is not None  # type: ignore[arg-type]
    ]
    assert np.mean(held) > 0.89
