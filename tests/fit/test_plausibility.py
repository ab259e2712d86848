"""What makes a reading hardly one of a knee, and the sentence that says so."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.fit.plausibility import Plausibility, doubts
from pipeline.knee.detection import Detection, DirectPose, Hypothesis, Pose
from pipeline.knee.landmarks import names_of

NAMES = names_of("AP")
POSE = Pose((Hypothesis(1.0, 1.0, 1.0, 1.0, 1.0),), 0.0, 5.0, None, 200.0)


def knee(
    sd: float = 4.0, rotation: float = 1.5, flexion: float = 3.0, view: float = 0.999
) -> Detection:
    """A knee 200 px wide whose every sign of doubt is, by default, the usual one."""
    return Detection(
        box=(0.0, 0.0, 400.0, 400.0),
        view="AP",
        view_probability=view,
        lateral_to_right=False,
        lateral_to_right_probability=1.0,
        side="right",
        side_probability=1.0,
        names=NAMES,
        xy=np.zeros((len(NAMES), 2)),
        covariance=np.repeat(sd**2 * np.eye(2)[None], len(NAMES), axis=0),
        seen=np.ones(len(NAMES)),
        direct=DirectPose(0.0, rotation, 0.0, 2.0, 5.0, flexion),
    )


def test_a_usual_knee_has_no_doubts() -> None:
    assert doubts(knee(), POSE) == pytest.approx(dict.fromkeys(doubts(knee(), POSE), 0.0))
    assert Plausibility().probability(knee(), POSE) == pytest.approx(1 / (1 + math.exp(-5.25)))
    assert Plausibility().refusal(knee(), POSE) is None


@pytest.mark.parametrize(
    ("found", "why"),
    [
        (knee(sd=60.0), "landmarks"),
        (knee(rotation=40.0, flexion=9.0, sd=6.0), "turned"),
        (knee(flexion=60.0), "bent"),
        (knee(view=0.7), "view"),
    ],
)
def test_each_sign_can_refuse_and_is_named(found: Detection, why: str) -> None:
    said = Plausibility().refusal(found, POSE)
    assert said is not None
    assert why in said
    assert "hardly a knee" in said
    assert Plausibility(least=0.0).refusal(found, POSE) is None


@given(
    st.floats(0.5, 80),
    st.floats(0.3, 30),
    st.floats(0.5, 40),
    st.floats(0.3, 0.9999),
    st.floats(1, 5),
)
def test_more_doubt_is_never_more_plausible(
    sd: float, rotation: float, flexion: float, view: float, more: float
) -> None:
    rule = Plausibility()
    base = rule.probability(knee(sd, rotation, flexion, view), POSE)
    assert 0.0 <= base <= 1.0
    for worse in (
        knee(sd * more, rotation, flexion, view),
        knee(sd, rotation * more, flexion, view),
        knee(sd, rotation, flexion * more, view),
        knee(sd, rotation, flexion, view / more),
    ):
        assert rule.probability(worse, POSE) <= base + 1e-12


def test_size_on_the_film_does_not_matter() -> None:
    half = replace(knee(), covariance=knee().covariance / 4)
    assert doubts(half, replace(POSE, width_px=100.0)) == pytest.approx(doubts(knee(), POSE))


def test_a_detector_without_angles_is_judged_by_the_rest() -> None:
    alone = doubts(replace(knee(sd=8.0), direct=None), POSE)
    assert alone["flexion"] == alone["rotation"] == 0.0
    assert alone["spread"] == pytest.approx(math.log(2.0))
