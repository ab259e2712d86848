"""The baselines: better than nothing in the order one would expect, and honest where they fail."""

from __future__ import annotations

import numpy as np
import pytest

from models.baselines.averages import VIEWS, averages, count
from models.baselines.classical import Classical, _circle
from models.baselines.mean_shape import MeanShape
from models.baselines.parallel_beam import ParallelBeam, offsets
from pipeline.contracts import Detector, PoseEstimator
from pipeline.knee.errors import Problem
from pipeline.knee.film import Film, HeaderHints
from pipeline.knee.landmarks import names_of
from pipeline.knee.truth import LabelledFilm
from pipeline.registry import build, build_section

SCENARIO = {
    "name": "knee_films",
    "styles": ["radiography"],
    "other_share": 0.0,
    "no_knee_share": 0.0,
    "two_knees_share": 0.0,
}


@pytest.fixture(scope="module")
def films() -> list[LabelledFilm]:
    scenario = build_section("scenario", SCENARIO)
    return [scenario.make(31_000_000 + k) for k in range(8)]


def error_px(labelled: LabelledFilm, detector: Detector) -> float:
    """Median distance of landmarks, W = 1; NaN where the view is wrong."""
    truth, found = labelled.knees[0], detector.detect(labelled.film)[0]
    if found.view != truth.view:
        return float("nan")
    order = [found.names.index(name) for name in truth.names]
    width = truth.width_mm / truth.mm_per_px_knee
    return float(np.median(np.linalg.norm(found.xy[order] - truth.xy, axis=1)) / width)


def test_the_classical_detector_finds_knees_and_the_mean_shape_does_not_look(
    films: list[LabelledFilm],
) -> None:
    classical = [error_px(film, Classical()) for film in films]
    mean = [error_px(film, MeanShape()) for film in films]
    assert np.isfinite(mean).all()  # the header says the view
    assert np.nanmedian(classical) < 0.2
    assert np.nanmedian(classical) < 0.6 * np.median(mean)
    blank = Film(np.zeros((120, 100), dtype=np.float32), "blank", "0")
    assert [one.view for one in Classical().detect(blank)] == ["none"]
    assert MeanShape().detect(blank)[0].view == "AP"


def test_the_mean_shape_believes_the_header() -> None:
    pixels = np.zeros((200, 160), dtype=np.float32)
    left = Film(pixels, "a", "0", header=HeaderHints(view="AP", side="left"))
    right = Film(pixels, "a", "0", header=HeaderHints(view="AP", side="right"))
    one, other = MeanShape().detect(left)[0], MeanShape().detect(right)[0]
    assert one.lateral_to_right
    assert not other.lateral_to_right
    np.testing.assert_allclose(one.xy[:, 0], 159 - other.xy[:, 0])
    assert np.isfinite(build("pose", "direct_regression", {}).estimate(left, one).roll_deg)


def test_the_formula_is_the_one_of_the_conventions(films: list[LabelledFilm]) -> None:
    """A parallel beam separates edges D apart by D sin(angle): D of the condyles is about 0.6 W,
    of a plateau's rims about 47 of 79 mm (docs/explanation/conventions.md, sources.md)."""
    rotation, tilt = averages("lateral").levers[:, 0]
    assert rotation == pytest.approx(0.6, abs=0.1)
    assert tilt == pytest.approx(0.6, abs=0.1)
    assert averages("AP").levers[1, 0] == pytest.approx(47 / 79, abs=0.12)


def test_with_true_landmarks_the_formula_comes_close(films: list[LabelledFilm]) -> None:
    """The cone and the knee's own shape are what is left: a few degrees."""
    estimator: PoseEstimator = ParallelBeam()
    errors = {view: [] for view in VIEWS}
    for film in films:
        truth, found = film.knees[0], MeanShape().detect(film.film)[0]
        marked = type(found)(**{**vars(found), "xy": truth.xy, "names": truth.names})
        pose = estimator.estimate(film.film, marked)
        top = pose.hypotheses[0]
        errors[truth.view] += [
            top.rotation_deg - truth.rotation_deg,
            top.tilt_deg - truth.tilt_deg,
        ]
    for view in VIEWS:
        assert errors[view], view
        assert np.median(np.abs(errors[view])) < 4.0


def test_offsets_of_a_knee_without_misalignment_are_small() -> None:
    for view in VIEWS:
        mean = averages(view)
        assert count(view) == len(mean.places) == len(mean.spread)
        points = dict(zip(names_of(view), mean.places, strict=True))
        assert np.abs(offsets(view, points)).max() < 0.1


def test_a_circle_is_found_among_clutter() -> None:
    rng = np.random.default_rng(0)
    angle = rng.uniform(-1.0, 1.6, 80)
    arc = np.array([100.0, 100.0]) + 20 * np.stack([np.cos(angle), np.sin(angle)], axis=1)
    edges = np.concatenate([arc, rng.uniform(60, 140, (40, 2))])
    found = _circle(edges, np.array([100.0, 100.0]), 256 / 3, rng)
    assert found is not None
    np.testing.assert_allclose(found[0], [100, 100], atol=1.5)
    assert found[1] == pytest.approx(20, abs=1.5)


def test_the_network_that_ships_reads(films: list[LabelledFilm]) -> None:
    found = build("detector", "backbone", {"threads": 1})
    errors = [error_px(film, found) for film in films]
    assert np.nanmedian(errors) < 0.05
    ours = build("detector", "onnx", {"threads": 1})
    assert found.weights != ours.weights
    assert found.weights.startswith("torchvision-baseline ")


def test_no_angles_from_another_view() -> None:
    film = Film(np.zeros((120, 100), dtype=np.float32), "blank", "0")
    none = Classical().detect(film)[0]
    with pytest.raises(Problem, match="neither AP nor lateral"):
        ParallelBeam().estimate(film, none)


def test_plain_films_show_the_same_people_in_the_same_beams(films: list[LabelledFilm]) -> None:
    options = {key: value for key, value in SCENARIO.items() if key != "name"}
    plain = build("scenario", "plain_films", options).make(31_000_000)
    assert plain.film.pixels.shape == films[0].film.pixels.shape
    np.testing.assert_allclose(plain.knees[0].xy, films[0].knees[0].xy)
    assert plain.knees[0].rotation_deg == films[0].knees[0].rotation_deg
    same = np.corrcoef(plain.film.pixels.ravel(), films[0].film.pixels.ravel())[0, 1]
    assert 0.1 < same < 0.99
