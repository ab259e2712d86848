"""The table that says how often the condyles were named rightly."""

from dataclasses import replace

import numpy as np
import pytest
from condyle_names import (
    Naming,
    calibrate,
    condyle_markdown,
    condyle_summary,
    naming_of,
    separation_mm,
)

from pipeline.knee.detection import Hypothesis, Pose
from pipeline.knee.landmarks import names_of
from pipeline.knee.truth import KneeTruth

NAMES = names_of("lateral")


def truth(rotation: float, tilt: float, offset: tuple[float, float] = (0.0, 0.0)) -> KneeTruth:
    """A lateral whose lateral condyle reaches `offset` px further along x and y."""
    xy = np.zeros((len(NAMES), 2))
    for end in ("posterior", "distal"):
        xy[NAMES.index(f"lateral_condyle_{end}")] = offset
    return KneeTruth(
        view="lateral",
        side="right",
        lateral_to_right=False,
        names=NAMES,
        xy=xy,
        normal=np.zeros_like(xy),
        seen=np.ones(len(NAMES), bool),
        rotation_deg=rotation,
        tilt_deg=tilt,
        roll_deg=0.0,
        flexion_deg=20.0,
        off_centre_deg=(0.0, 0.0),
        width_px=200.0,
        width_mm=80.0,
        centre=np.zeros(2),
        up=np.array([0.0, -1.0]),
        mm_per_px_knee=0.5,
    )


def pose(*angles: tuple[float, float, float]) -> Pose:
    return Pose(tuple(Hypothesis(r, 1.0, t, 1.0, p) for r, t, p in angles), 0.0, 20.0, None, 200.0)


def test_separation_is_front_to_back_and_along_the_shaft() -> None:
    assert separation_mm(truth(0, 0, (6.0, 8.0))) == pytest.approx(5.0)
    turned = replace(truth(0, 0, (6.0, 8.0)), up=np.array([1.0, 0.0]))
    assert separation_mm(turned) == pytest.approx(5.0)


def test_right_is_what_lies_nearer_than_its_opposite() -> None:
    t = truth(6.0, -3.0)
    assert naming_of(t, pose((5.0, -1.0, 1.0))).right
    assert not naming_of(t, pose((-5.0, 1.0, 1.0))).right
    both = naming_of(t, pose((-5.0, 1.0, 0.6), (5.0, -1.0, 0.4)))
    assert not both.right
    assert both.covered
    sure = naming_of(t, pose((-5.0, 1.0, 0.95), (5.0, -1.0, 0.05)))
    assert not sure.covered  # the moves would carry the wrong one alone


def test_the_table_counts_what_it_is_given() -> None:
    namings = [Naming(0.5, 0.6, False, True)] * 2 + [Naming(5.0, 0.99, True, True)] * 8
    rows = condyle_summary(namings)["rows"]
    assert [r["n"] for r in rows] == [2, 8, 10]
    assert [r["right"] for r in rows] == [0.0, 1.0, 0.8]
    assert [r["both_given"] for r in rows] == [1.0, 0.0, 0.2]
    assert condyle_markdown({"rows": rows}).count("\n") == 4


def test_calibration_finds_the_weights_that_made_the_names() -> None:
    rng = np.random.default_rng(1)
    odds, costs = rng.normal(2, 3, 6000), rng.normal(4, 8, 6000)
    p = 1 / (1 + np.exp(-(0.4 * odds + 0.5 * 0.3 * costs)))
    trust, evidence = calibrate(odds, costs, rng.random(6000) < p)
    assert trust == pytest.approx(0.4, abs=0.06)
    assert evidence == pytest.approx(0.3, abs=0.05)
