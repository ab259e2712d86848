"""Depth scores: pairs of tips, bands of misalignment, shares counted by hand."""

import numpy as np
import pytest

from pipeline.bench.depths import TipResult, depth_summary, paired, tip_results
from pipeline.bench.suite_tables import _depths
from pipeline.fit.fused import FusedPose
from pipeline.registry import build


def tip(apart=0.5, true=50.0, found=52.0, off=1.0, half=4.0):
    span = (found - half, found + half)
    return TipResult(apart, 20.0, "femur", true, true, found, span, found, span, off)


def test_pairs_are_nearest_first_and_each_found_tip_serves_once():
    true = np.array([[0.0, 0.0], [10.0, 0.0], [50.0, 50.0]])
    found = np.array([[9.0, 0.0], [4.0, 0.0]])
    assert paired(true, found) == [1, 0, None]
    assert paired(true, np.zeros((0, 2))) == [None] * 3
    assert paired(np.zeros((0, 2)), found) == []


def test_shares_by_hand():
    """Of four square tips one is off by 5 points and one was found elsewhere."""
    tips = [tip(), tip(found=48.0), tip(found=55.0), tip(apart=2.0), tip(off=7.0, found=70.0)]
    out = depth_summary(tips)
    assert out["square"]["found"]["n"] == 3
    assert out["square"]["found"]["within_3"]["share"] == pytest.approx(2 / 3)
    assert out["square"]["found"]["mae"] == pytest.approx((2 + 2 + 5) / 3)
    assert out["square"]["found"]["coverage_90"]["share"] == pytest.approx(2 / 3)
    assert out["square"]["marked"]["n"] == 4
    assert out["5_to_10_deg"]["found"]["within_3"]["share"] == 0.0
    assert out["2_to_5_deg"]["found"] == {"n": 0}
    assert out["all"]["found"]["n"] == 4
    assert depth_summary([])["square"]["found"] == {"n": 0}


def test_a_suite_prints_depths_where_they_were_measured():
    films = [tip(), tip(found=55.0), tip(off=8.0, found=70.0)]
    tips = {"within_1.5": {"n": 3}, "found_nowhere": 0, "depth": depth_summary(films)}
    lines = _depths({"with_instruments": {"tips": tips}, "without": {"tips": {}}})
    (square,) = [line for line in lines if "up to 2 degrees" in line]
    assert square.startswith("| with instruments | up to 2 degrees off | 50")
    assert "| 3.5 |" in square
    assert _depths({"without": {"tips": {}}}) == []


def test_a_rendered_film_end_to_end():
    """On one square lateral film of a procedure the shipped reader comes near the truth."""
    options = {
        "styles": ["c_arm"],
        "views": ["lateral"],
        "rotation_deg": 0.0,
        "tilt_deg": 0.0,
        "off_centre_mm": 0.0,
        "flexion_deg": [20.0, 40.0],
        "other_share": 0.0,
        "no_knee_share": 0.0,
        "findings": {"procedure": 1.0},
    }
    labelled = build("scenario", "knee_films", options).make(600_003)
    film, (truth,) = labelled.film, labelled.knees
    detection = build("detector", "onnx", {"threads": 1}).detect(film)[0]
    results = tip_results(film, truth, detection, FusedPose().estimate(film, detection))
    assert results
    assert all(r.off_deg < 0.1 for r in results)
    for result in results:
        assert result.marked == pytest.approx(result.true, abs=15.0)
        assert result.shown == pytest.approx(result.true, abs=10.0)
        assert result.marked_90[0] < result.marked < result.marked_90[1]
    nothing = tip_results(film, truth, None, None)
    assert len(nothing) == len(results)
    assert all(np.isinf(r.apart_mm) and np.isnan(r.found) for r in nothing)


def test_tips_behind_a_shutter_are_told_apart():
    """The scenario says which tips its film shows, and the scores carry it."""
    options = {"styles": ["c_arm"], "other_share": 0.0, "no_knee_share": 0.0}
    scenario = build("scenario", "knee_films", {**options, "findings": {"procedure": 1.0}})
    told = []
    for seed in range(720_000, 720_012):
        labelled = scenario.make(seed)
        (truth,) = labelled.knees
        assert truth.tips_open.shape == (len(truth.tips),)
        edge = np.array([labelled.film.columns, labelled.film.rows]) - 1
        on_film = ((truth.tips >= 0) & (truth.tips <= edge)).all(axis=1)
        assert not (truth.tips_open & ~((truth.tips > -1) & (truth.tips < edge + 1)).all(1)).any()
        results = tip_results(labelled.film, truth, None, None)
        assert [r.open for r in results] == truth.tips_open[on_film].tolist()
        told += [r.open for r in results]
    assert any(told)
    assert not all(told)
