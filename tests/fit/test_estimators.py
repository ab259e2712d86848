"""The landmark fit, the network's own angles, and the two fused: what each may look at."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from knees import Shot, knee_at, shoot

from pipeline.contracts import PoseEstimator
from pipeline.fit.direct_regression import DirectRegression
from pipeline.fit.fused import FusedPose
from pipeline.fit.fusion import Belief, fused
from pipeline.fit.landmark_fit import LandmarkFit
from pipeline.knee.detection import DirectPose
from pipeline.knee.errors import Problem
from pipeline.knee.landmarks import View

DIRECT = DirectPose(5.0, 0.5, -2.0, 0.4, 10.0, 3.0, flip_probability=0.2)


def shot_of(view: View, direct: DirectPose | None = DIRECT, seed: int = 9) -> Shot:
    rng = np.random.default_rng(seed)
    knee, frames = knee_at(10, rng)
    return shoot(knee, frames, view, rng, rotation=4, tilt=-2, noise_px=0.4, direct=direct)


@pytest.mark.parametrize("plugin", [LandmarkFit(), DirectRegression(), FusedPose()])
def test_each_fulfils_the_contract(plugin: PoseEstimator) -> None:
    assert isinstance(plugin, PoseEstimator)
    for view in ("AP", "lateral"):
        shot = shot_of(view)  # type: ignore[arg-type]
        pose = plugin.estimate(shot.film, shot.detection)
        assert sum(h.probability for h in pose.hypotheses) == pytest.approx(1.0)
        assert pose.hypotheses[0].probability == max(h.probability for h in pose.hypotheses)
        assert pose.roll_deg == pytest.approx(shot.angles.roll, abs=2.0)
        with pytest.raises(Problem, match="neither AP nor lateral"):
            plugin.estimate(shot.film, replace(shot.detection, view="other"))


@pytest.mark.parametrize("view", ["AP", "lateral"])
def test_the_two_readings_are_independent(view: View) -> None:
    """The fit never looks at the network's angles, nor the direct reading at the landmarks."""
    shot = shot_of(view)
    other = replace(DIRECT, rotation_deg=-20.0, tilt_deg=15.0, rotation_sd=0.1)
    a, b = (
        LandmarkFit().estimate(shot.film, replace(shot.detection, direct=d)).hypotheses
        for d in (DIRECT, other)
    )
    assert a == b
    moved = replace(shot.detection, xy=shot.detection.xy * 1.1 + 7.0)
    c, d = (DirectRegression().estimate(shot.film, x).hypotheses for x in (shot.detection, moved))
    assert c == d


def test_the_network_says_its_angles_with_its_deviations() -> None:
    shot = shot_of("AP")
    (h,) = DirectRegression(ap_sd_factor=(2.0, 3.0)).estimate(shot.film, shot.detection).hypotheses
    assert (h.rotation_deg, h.tilt_deg) == (5.0, -2.0)
    assert (h.rotation_sd, h.tilt_sd) == pytest.approx((1.0, 1.2))


def test_exchanged_condyles_turn_the_signs_of_the_direct_reading() -> None:
    shot = shot_of("lateral")
    one, two = DirectRegression().estimate(shot.film, shot.detection).hypotheses
    assert (one.rotation_deg, one.tilt_deg, one.probability) == pytest.approx((5.0, -2.0, 0.8))
    assert (two.rotation_deg, two.tilt_deg, two.probability) == pytest.approx((-5.0, 2.0, 0.2))


@pytest.mark.parametrize(("view", "name"), [("AP", "W"), ("lateral", "C")])
def test_the_direct_reading_measures_the_width_as_the_fit_does(view: View, name: str) -> None:
    shot = shot_of(view)
    widths = [
        plugin.estimate(shot.film, shot.detection).width_px
        for plugin in (DirectRegression(), LandmarkFit())
    ]
    assert widths[0] == pytest.approx(widths[1], rel=0.05), name


def test_no_angles_no_direct_reading() -> None:
    shot = shot_of("AP", direct=None)
    with pytest.raises(Problem, match="reads no angles"):
        DirectRegression().estimate(shot.film, shot.detection)
    fit, both = (p.estimate(shot.film, shot.detection) for p in (LandmarkFit(), FusedPose()))
    assert both.hypotheses == fit.hypotheses


def test_fusing_narrows_where_the_two_agree_and_widens_where_they_do_not() -> None:
    shot = shot_of("AP")
    fit = LandmarkFit().estimate(shot.film, shot.detection).hypotheses[0]
    near = replace(DIRECT, rotation_deg=fit.rotation_deg + 0.2, rotation_sd=1.0)
    far = replace(near, rotation_deg=fit.rotation_deg + 25.0)
    agreed, torn = (
        FusedPose().estimate(shot.film, replace(shot.detection, direct=d)).hypotheses[0]
        for d in (near, far)
    )
    assert agreed.rotation_sd < fit.rotation_sd
    assert torn.rotation_sd > 2 * agreed.rotation_sd
    assert fit.rotation_deg < torn.rotation_deg <= far.rotation_deg


angle = st.floats(-30, 30)
sd = st.floats(0.1, 8)


@given(angle, angle, sd, sd, st.floats(0, 0.95))
def test_fusion_lies_between_and_is_the_best_linear_one(
    x: float, y: float, s: float, t: float, correlation: float
) -> None:
    """Against generalised least squares where its weights are not negative (Aitken 1935)."""
    one, two = (Belief(np.array([m, 0.0]), np.diag([d**2, 1.0])) for m, d in ((x, s), (y, t)))
    both = fused(one, two, correlation)
    assert min(x, y) - 1e-9 <= both.mean[0] <= max(x, y) + 1e-9
    joint = np.array([[s * s, correlation * s * t], [correlation * s * t, t * t]])
    inverse = np.linalg.inv(joint)
    weights = inverse.sum(axis=0) / inverse.sum()
    if (weights > 1e-6).all():
        assert both.mean[0] == pytest.approx(weights @ [x, y], abs=1e-6)
        best = 1 / inverse.sum()
        if abs(x - y) <= 2 * np.hypot(s, t):
            assert both.covariance[0, 0] == pytest.approx(best)
        else:
            assert both.covariance[0, 0] > best
