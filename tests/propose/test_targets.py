"""Targets: where they lie, when they are withheld, and what is never proposed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.contracts import Sight
from pipeline.knee.detection import Detection, Hypothesis, Pose
from pipeline.knee.film import Film, Scale
from pipeline.knee.landmarks import names_of
from pipeline.propose.depth import cortices, depth_percent, outline_extent
from pipeline.propose.peroneal import peroneal_zone
from pipeline.propose.rules import ClassicalTargets, RevisedTargets, radius_90

# An invented right knee, W = 400 px, lateral toward smaller x, joint line at y = 600.
AP = {
    "medial_epicondyle": (600.0, 480.0),
    "lateral_epicondyle": (200.0, 480.0),
    "adductor_tubercle": (590.0, 375.0),
    "medial_condyle_distal": (500.0, 600.0),
    "lateral_condyle_distal": (300.0, 600.0),
    "medial_femoral_flare": (500.0, 360.0),
    "lateral_femoral_flare": (290.0, 360.0),
    "femoral_shaft_medial_low": (470.0, 300.0),
    "femoral_shaft_lateral_low": (330.0, 300.0),
    "patella_superior": (400.0, 380.0),
    "medial_plateau_edge": (590.0, 640.0),
    "lateral_plateau_edge": (210.0, 640.0),
    "medial_plateau_anterior": (500.0, 640.0),
    "medial_plateau_posterior": (500.0, 640.0),
    "lateral_plateau_anterior": (300.0, 640.0),
    "lateral_plateau_posterior": (300.0, 640.0),
    "medial_tibial_flare": (510.0, 780.0),
    "tibial_shaft_medial_high": (470.0, 940.0),
    "tibial_shaft_medial_low": (470.0, 1080.0),
    "tibial_shaft_lateral_high": (330.0, 940.0),
    "tibial_shaft_lateral_low": (330.0, 1080.0),
    "fibular_head": (215.0, 690.0),
}
# The same knee from the side at half the pixels, patella toward smaller x.
LATERAL = {
    "adductor_tubercle": (260.0, 187.5),
    "medial_condyle_distal": (220.0, 300.0),
    "lateral_condyle_distal": (220.0, 300.0),
    "medial_condyle_posterior": (320.0, 260.0),
    "lateral_condyle_posterior": (320.0, 260.0),
    "trochlea_anterior": (160.0, 250.0),
    "femoral_shaft_anterior_low": (200.0, 150.0),
    "femoral_shaft_anterior_high": (200.0, 80.0),
    "femoral_shaft_posterior_low": (280.0, 150.0),
    "femoral_shaft_posterior_high": (280.0, 80.0),
    "tibial_shaft_anterior_high": (200.0, 470.0),
    "tibial_shaft_anterior_low": (200.0, 540.0),
    "tibial_shaft_posterior_high": (290.0, 470.0),
    "tibial_shaft_posterior_low": (290.0, 540.0),
    "medial_plateau_anterior": (190.0, 320.0),
    "medial_plateau_posterior": (290.0, 320.0),
    "lateral_plateau_anterior": (190.0, 320.0),
    "lateral_plateau_posterior": (290.0, 320.0),
    "fibular_head": (285.0, 345.0),
}
RULES = (ClassicalTargets(suprapatellar=True), RevisedTargets(suprapatellar=True))


def film(view: str, rotation: float = 0.0, sd: float = 1.0, mm: float | None = 0.2) -> Sight:
    points = AP if view == "AP" else LATERAL
    names = names_of(view)  # type: ignore[arg-type]
    detection = Detection(
        box=(0, 0, 1000, 1200),
        view=view,  # type: ignore[arg-type]
        view_probability=1.0,
        lateral_to_right=False,
        lateral_to_right_probability=1.0,
        side="right",
        side_probability=1.0,
        names=names,
        xy=np.array([points.get(n, (0.0, 0.0)) for n in names]),
        covariance=np.repeat(np.eye(2)[None] * sd**2, len(names), axis=0),
        seen=np.array([float(n in points) for n in names]),
    )
    pose = Pose(
        (Hypothesis(rotation, 1, 0, 1, 1),), 0.0, 5.0, None, 400.0 if view == "AP" else 160.0
    )
    scale = Scale(mm, mm, "invented") if mm else Scale()
    return Sight(
        Film(np.zeros((4, 4), np.float32), "invented", "0" * 64, scale=scale),
        detection,
        pose,
        "right",
        5.0,
        0.0,
    )


def test_classical_targets_are_the_flares() -> None:
    found = {p.target: p for p in ClassicalTargets().propose(film("AP"), "yes")}
    assert found["superomedial"].points == ((500.0, 360.0),)
    assert found["superolateral"].points == ((290.0, 360.0),)
    assert found["inferomedial"].points == ((510.0, 780.0),)
    assert all(p.status == "proposal" and p.why is None for p in found.values())
    assert "suprapatellar" not in found


def test_suprapatellar_is_on_the_midline_50_mm_above_the_patella() -> None:
    found = {p.target: p for p in RULES[0].propose(film("AP"), "yes")}
    assert found["suprapatellar"].points[0] == pytest.approx((400.0, 380.0 - 250.0))
    unscaled = {p.target: p for p in RULES[0].propose(film("AP", mm=None), "yes")}
    assert unscaled["suprapatellar"].points[0] == pytest.approx((400.0, 380.0 - 240.0))


def test_revised_heights() -> None:
    found = {p.target: p for p in RevisedTargets().propose(film("AP"), "yes")}
    assert found["superomedial"].points[0][1] == pytest.approx(375.0)
    assert found["superolateral"].points[0][1] == pytest.approx(360 + 0.33 * 120)
    assert found["inferomedial"].points[0][1] == pytest.approx(780 - 0.33 * 140)
    assert all("2019" in p.basis for p in found.values())


@pytest.mark.parametrize("rule", RULES)
@pytest.mark.parametrize("view", ["AP", "lateral"])
@pytest.mark.parametrize("square", ["yes", "no", "cannot tell"])
def test_never_an_inferolateral_target_and_the_zone_is_always_there(
    rule: ClassicalTargets, view: str, square: str
) -> None:
    found = rule.propose(film(view), square)
    assert found
    assert all("inferolateral" not in p.target for p in found)
    assert peroneal_zone(film(view)) is not None


@pytest.mark.parametrize("rule", RULES)
def test_withheld_when_not_square(rule: ClassicalTargets) -> None:
    for p in rule.propose(film("AP"), "no"):
        assert p.status == "withheld"
        assert p.why == "the film is not square on"
        assert p.points == ()


def test_cannot_tell_is_a_proposal_with_a_caution() -> None:
    for p in ClassicalTargets().propose(film("AP"), "cannot tell"):
        assert p.status == "proposal"
        assert p.why is not None
        assert "may not be square" in p.why


def test_withheld_when_the_radius_exceeds_6_mm() -> None:
    # 0.2 mm a pixel: sd 14 px = 2.8 mm gives 6.01 mm at 90 %.
    assert all(
        p.status == "proposal" for p in ClassicalTargets().propose(film("AP", sd=13.9), "yes")
    )
    withheld = ClassicalTargets().propose(film("AP", sd=14.0), "yes")
    assert {p.status for p in withheld} == {"withheld"}
    assert all(p.why is not None and "6 mm" in p.why for p in withheld)


def test_misalignment_counts_in_the_radius() -> None:
    straight, turned = (ClassicalTargets().propose(film("AP", r), "yes")[0] for r in (0.0, 8.0))
    assert straight.radius_90_px is not None
    assert turned.radius_90_px is not None
    shift_mm = (turned.radius_90_px - straight.radius_90_px) * 0.2
    assert shift_mm == pytest.approx(25 * np.sin(np.radians(8.0)))


def test_misalignment_of_the_partner_counts_in_the_radius_of_a_lateral() -> None:
    lateral = film("lateral", sd=0.5, mm=0.4)
    found = [
        ClassicalTargets().propose(replace(lateral, partner=film("AP", r, mm=0.2)), "yes")[0]
        for r in (0.0, 8.0)
    ]
    straight, turned = (p.radius_90_px for p in found)
    assert straight is not None
    assert turned is not None
    assert (turned - straight) * 0.4 == pytest.approx(25 * np.sin(np.radians(8.0)))


def test_lateral_without_heights_is_withheld() -> None:
    for p in ClassicalTargets().propose(film("lateral"), "yes"):
        assert p.status == "withheld"
        assert p.why is not None
        assert "no fitted knee" in p.why


@pytest.mark.parametrize("mm", [None, 0.2])
def test_lateral_bands_from_the_partner(mm: float | None) -> None:
    ap = film("AP", mm=mm)
    lateral = film("lateral", sd=0.5, mm=None if mm is None else 2 * mm)
    lateral = replace(lateral, partner=ap)
    found = {p.target: p for p in ClassicalTargets().propose(lateral, "yes")}
    for target, height, front, back in (
        ("superomedial", 180.0, 200.0, 280.0),
        ("superolateral", 180.0, 200.0, 280.0),
        ("inferomedial", 390.0, 200.0, 290.0),
    ):
        low, high = found[target].points
        assert low == pytest.approx((front + 0.5 * (back - front), height), abs=1e-6)
        assert high == pytest.approx((front + 0.6 * (back - front), height), abs=1e-6)
        assert found[target].heights_from == "partner AP film"


def test_lateral_bands_from_the_fit() -> None:
    s = film("lateral", sd=0.5)
    pose = replace(
        s.pose,
        heights={
            "medial_femoral_flare": np.array([240.0, 170.0]),
            "lateral_femoral_flare": np.array([240.0, 190.0]),
            "medial_tibial_flare": np.array([245.0, 400.0]),
        },
        heights_covariance={
            n: np.diag([0.0, 4.0])
            for n in ("medial_femoral_flare", "lateral_femoral_flare", "medial_tibial_flare")
        },
    )
    found = {p.target: p for p in ClassicalTargets().propose(replace(s, pose=pose), "yes")}
    assert found["superomedial"].points[0] == pytest.approx((240.0, 170.0))
    assert found["superomedial"].heights_from == "fitted knee"
    assert found["superomedial"].status == "proposal"


def test_the_peroneal_zone_by_its_words() -> None:
    zone = peroneal_zone(film("AP"))
    assert zone is not None
    p = np.array(zone.polygon)
    assert p[:, 1].min() == pytest.approx(690.0)
    assert np.ptp(p[:, 1]) == pytest.approx(60 / 0.2)
    fibula = 80 * 0.25 / 0.2
    assert np.ptp(p[:, 0]) == pytest.approx(fibula + 2 * 15 / 0.2)


@given(st.floats(0.01, 9), st.floats(0.01, 9), st.floats(0, 3.1))
def test_radius_holds_90_percent(a: float, b: float, angle: float) -> None:
    c, s = np.cos(angle), np.sin(angle)
    turn = np.array([[c, -s], [s, c]])
    draws = np.random.default_rng(0).normal(size=(20_000, 2)) * np.sqrt([a, b]) @ turn.T
    covariance = turn @ np.diag([a, b]) @ turn.T
    inside = np.mean(np.linalg.norm(draws, axis=1) <= radius_90(covariance))
    assert inside == pytest.approx(0.9, abs=0.015)


@given(st.floats(0, 100))
def test_depth_percent_of_a_point_on_the_line(percent: float) -> None:
    s = film("lateral", sd=0.5)
    edges = cortices(s, "femur", np.array([0.0, 120.0]))
    assert edges is not None
    found = depth_percent(s, edges.at(percent), sd_px=1.0)
    assert found is not None
    assert found[0] == pytest.approx(percent, abs=1e-6)
    assert found[1][0] < percent < found[1][1]


def test_outline_extent_of_a_square() -> None:
    square = np.array([[0.0, 0], [10, 0], [10, 10], [0, 10]])
    up, forward = np.array([0.0, -1]), np.array([-1.0, 0])
    assert outline_extent(square, np.array([4.0, 5.0]), up, forward) == pytest.approx((-6, 4))
    assert outline_extent(square, np.array([4.0, 15.0]), up, forward) is None
