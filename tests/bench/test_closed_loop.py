"""The simulated operator with a reader that is perfect, one that is blind, and by itself."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.align.moves import moves, turns_of
from pipeline.align.options import AlignOptions
from pipeline.bench.closed_loop import (
    GUESS_DEG,
    Advice,
    Episode,
    Stand,
    TwiceAsWrong,
    draw_stand,
    draw_start,
    follow_advice,
    moved,
    search,
    summarise_episodes,
    wander,
)
from pipeline.bench.loop import KINDS, LoopSettings, loop_markdown, run_loop
from pipeline.knee.detection import Hypothesis, Pose
from pipeline.knee.errors import Problem
from pipeline.knee.film import Film, HeaderHints
from pipeline.knee.reading import Move
from pipeline.knee.truth import KneeTruth, LabelledFilm

OPTIONS = AlignOptions()
VIEWS = ("AP", "lateral")


def shoot(rotation: float, tilt: float) -> LabelledFilm:
    """A film that says its angles in its name."""
    none = np.zeros((0, 2))
    truth = KneeTruth(
        "AP", "right", True, (), none, none, np.zeros(0, bool), rotation, tilt, 0.0, 0.0,
        (0.0, 0.0), 1.0, 1.0, np.zeros(2), np.array([0.0, -1.0]), 1.0,
    )  # fmt: skip
    film = Film(np.zeros((4, 4), np.float32), f"{rotation!r} {tilt!r}", "")
    return LabelledFilm(film, (truth,))


def reader(stand: Stand, seen: Callable[[np.ndarray], np.ndarray]) -> Callable[[Film], Advice]:
    """Reads the angles off the name, through `seen`; moves are those of the program."""

    def read(film: Film) -> Advice:
        r, t = seen(np.array([float(x) for x in film.source.split()]))
        pose = Pose((Hypothesis(r, 0.01, t, 0.01, 1.0),), 0.0, stand.flexion, None, 100.0)
        square = "yes" if max(abs(r), abs(t)) <= OPTIONS.tolerance_deg else "no"
        return Advice(square, moves(stand.view, pose, HeaderHints(), OPTIONS), r, t)

    return read


@pytest.mark.parametrize("view", VIEWS)
@settings(max_examples=60, derandomize=True, deadline=None)
@given(rotation=st.floats(-15, 15), tilt=st.floats(-15, 15), flexion=st.floats(0, 28))
def test_a_perfect_reader_and_a_steady_hand_need_one_correction(
    view: str, rotation: float, tilt: float, flexion: float
) -> None:
    """And the wrong sign of any word would lead away: this checks the table of moves as well."""
    from pipeline.align.beam import assumed_lie

    stand = Stand(view, flexion, assumed_lie(flexion))
    found = follow_advice(
        stand,
        (rotation, tilt),
        shoot,
        reader(stand, lambda a: a),
        np.random.default_rng(0),
        hand_sd=0.0,
    )
    assert found.ended == "square"
    assert found.corrections == (max(abs(rotation), abs(tilt)) > 5.0)
    assert found.truly_square(5.0)


@pytest.mark.parametrize("view", VIEWS)
def test_a_perfect_reader_with_a_hand_of_one_degree_needs_hardly_more(view: str) -> None:
    rng = np.random.default_rng(1)
    found = []
    for _ in range(200):
        stand = draw_stand(view, rng)
        start = draw_start(rng, 15.0, 5.0)
        found.append(follow_advice(stand, start, shoot, reader(stand, lambda a: a), rng))
    figures = summarise_episodes(found, 5.0, 12)
    assert figures["median"] == 1
    assert figures["within_2"]["share"] > 0.99
    assert figures["truly_square"]["share"] == 1.0
    assert figures["rms_error"] == pytest.approx([0.0, 0.0])


def test_a_blind_reader_leads_nowhere() -> None:
    """It says the same 8 degrees of every film: the beam drifts away until films run out."""
    stand = Stand("lateral", 20.0, 8.0)
    rng = np.random.default_rng(2)
    found = [
        follow_advice(
            stand,
            draw_start(rng, 15.0, 5.0),
            shoot,
            reader(stand, lambda a: np.array([8.0, 8.0])),
            rng,
        )
        for _ in range(20)
    ]
    figures = summarise_episodes(found, 5.0, 12)
    assert figures["given_up"]["share"] == 1.0
    assert figures["truly_square"]["share"] == 0.0
    assert figures["within_2"]["share"] == 0.0


def test_a_reader_that_refuses_spends_films_and_moves_nothing() -> None:
    found = follow_advice(
        Stand("AP", 0.0, 0.0),
        (9.0, 9.0),
        shoot,
        lambda film: None,
        np.random.default_rng(0),
        most=4,
    )
    assert found == Episode(4, "given up", ((9.0, 9.0),) * 4)


def test_nothing_to_correct_ends_it_without_being_called_square() -> None:
    found = follow_advice(
        Stand("AP", 0.0, 0.0),
        (6.0, 0.0),
        shoot,
        lambda film: Advice("cannot tell", ()),
        np.random.default_rng(0),
    )
    assert (found.films, found.ended) == (1, "nothing to correct")
    assert not found.truly_square(5.0)


def test_only_the_likelier_readings_moves_are_made_and_directions_alone_are_guessed() -> None:
    said = (
        Move("rotation", 0, "orbital", "posterior", 7.0, "", ""),
        Move("tilt", 0, "wig-wag", "the head", None, "", ""),
        Move("rotation", 1, "orbital", "anterior", 7.0, "", ""),
    )
    assert turns_of("lateral", said, GUESS_DEG) == {"rotation": 7.0, "tilt": -5.0}
    with pytest.raises(Problem, match="unknown"):
        turns_of("lateral", (Move("tilt", 0, "wig-wag", "the ceiling", 3.0, "", ""),))


def test_the_search_gets_there_in_the_end_and_later_than_a_reading_would() -> None:
    rng = np.random.default_rng(3)
    found, lost = [], []
    for _ in range(200):
        stand = draw_stand("lateral", rng)
        start = draw_start(rng, 15.0, 5.0)
        found.append(search(stand, start, rng, tolerance=5.0, most=40))
        lost.append(wander(stand, start, rng, tolerance=5.0, within=15.0, most=40))
    by_search, by_chance = (summarise_episodes(e, 5.0, 40) for e in (found, lost))
    assert by_search["given_up"]["share"] < 0.05
    assert 2 <= by_search["median"] <= 6
    assert by_chance["p95"] > by_search["p95"]
    assert all(e.truly_square(5.0) for e in found if e.ended == "square")


@settings(max_examples=40, derandomize=True, deadline=None)
@given(a=st.floats(-10, 10), b=st.floats(-10, 10), view=st.sampled_from(VIEWS))
def test_turning_there_and_back_changes_nothing(a: float, b: float, view: str) -> None:
    stand = Stand(view, 15.0, 6.0)
    back = moved(stand, moved(stand, (4.0, -3.0), a, 0.0), -a, 0.0)
    assert back == pytest.approx((4.0, -3.0), abs=1e-9)
    back = moved(stand, moved(stand, (4.0, -3.0), 0.0, b), 0.0, -b)
    assert back == pytest.approx((4.0, -3.0), abs=1e-9)


def test_twice_as_wrong_doubles_a_calibrated_error_and_says_so() -> None:
    rng = np.random.default_rng(4)

    class Calibrated:
        def estimate(self, film: object, detection: object) -> Pose:
            r, t = rng.normal(0, [1.0, 1.5])
            return Pose((Hypothesis(r, 1.0, t, 1.5, 1.0),), 0.0, 0.0, None, 100.0)

    worse = TwiceAsWrong(Calibrated(), 2.0, np.random.default_rng(5))  # type: ignore[arg-type]
    found = [worse.estimate(None, None).hypotheses[0] for _ in range(4000)]  # type: ignore[arg-type]
    assert np.std([h.rotation_deg for h in found]) == pytest.approx(2.0, rel=0.05)
    assert np.std([h.tilt_deg for h in found]) == pytest.approx(3.0, rel=0.05)
    assert {(h.rotation_sd, h.tilt_sd) for h in found} == {(2.0, 3.0)}


def test_starts_are_off_and_within_reach() -> None:
    rng = np.random.default_rng(6)
    starts = np.array([draw_start(rng, 15.0, 5.0) for _ in range(200)])
    assert (np.abs(starts).max(axis=1) > 5).all()
    assert np.abs(starts).max() <= 15
    with pytest.raises(Problem, match="all square"):
        draw_start(rng, 5.0, 5.0)


def test_the_whole_loop_runs_on_computed_films() -> None:
    figures = run_loop(
        LoopSettings(
            episodes=1,
            first_seed=800_001,
            most=3,
            scenario={"name": "knee_films", "styles": ["radiography"]},
            detector={"name": "onnx"},
            pose={"name": "fused"},
            workers=1,
        )
    )
    for view in VIEWS:
        assert set(figures["views"][view]) == set(KINDS)
        assert figures["views"][view]["as_read"]["episodes"] == 1
    page = loop_markdown(figures)
    assert page.startswith("A simulation for studying feedback on training images")
    assert page.count("| lateral |") == len(KINDS)
