"""The verdict: probability, score, intervals, criteria."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats
from sights import sight

from pipeline.align.align import align
from pipeline.align.criteria import (
    CondyleOffset,
    EpicondyleSymmetry,
    FibularOverlap,
    PatellaCentring,
    PlateauGap,
)
from pipeline.align.options import AlignOptions
from pipeline.align.square import calibrated, score, square_probability, verdict, within
from pipeline.knee.detection import Hypothesis
from pipeline.knee.errors import Problem

ALL = (PatellaCentring(), PlateauGap(), CondyleOffset(), FibularOverlap(), EpicondyleSymmetry())


@given(st.floats(-15, 15), st.floats(0.05, 8), st.sampled_from([2.0, 5.0]))
def test_within_is_the_normal_distribution_of_scipy(mean: float, sd: float, tol: float) -> None:
    law = stats.norm(mean, sd)
    assert within(mean, sd, tol) == pytest.approx(law.cdf(tol) - law.cdf(-tol), abs=1e-12)


def test_mixture_by_sampling() -> None:
    hypotheses = (Hypothesis(4, 1, 1, 2, 0.6), Hypothesis(-6, 2, 3, 1, 0.4))
    rng = np.random.default_rng(5)
    n = 400_000
    pick = rng.random(n) < 0.6
    rotation = np.where(pick, rng.normal(4, 1, n), rng.normal(-6, 2, n))
    tilt = np.where(pick, rng.normal(1, 2, n), rng.normal(3, 1, n))
    share = np.mean((abs(rotation) <= 5) & (abs(tilt) <= 5))
    p = square_probability(hypotheses, "lateral", AlignOptions())
    assert p == pytest.approx(share, abs=0.003)


def test_zero_moves_the_ap_verdict_only() -> None:
    h = (Hypothesis(3, 0.5, 0, 0.5, 1),)
    options = AlignOptions(tolerance="strict", ap_rotation_zero=3.0)
    assert square_probability(h, "AP", options) > 0.99
    assert square_probability(h, "lateral", options) < 0.05


@pytest.mark.parametrize(
    ("p", "flexion", "expected"),
    [(0.8, 0, "yes"), (0.79, 0, "cannot tell"), (0.2, 0, "no"), (0.99, 46, "cannot tell")],
)
def test_verdict_limits(p: float, flexion: float, expected: str) -> None:
    assert verdict(p, "AP", flexion) == expected


def test_flexion_does_not_matter_on_a_lateral() -> None:
    assert verdict(0.95, "lateral", 80.0) == "yes"


@pytest.mark.parametrize(("r", "t", "s"), [(0, 0, 100), (-3, 1, 70), (2, -12, 0), (10, 0, 0)])
def test_score(r: float, t: float, s: float) -> None:
    assert score(r, t) == pytest.approx(s)


@given(st.floats(0, 1))
def test_calibration_keeps_order_and_range(p: float) -> None:
    options = AlignOptions(
        temperature=1.7, table_raw=(0.0, 0.5, 1.0), table_calibrated=(0.0, 0.4, 1.0)
    )
    assert 0 <= calibrated(p, options) <= 1
    assert calibrated(p, options) <= calibrated(min(1.0, p + 0.01), options) + 1e-12
    assert calibrated(p, AlignOptions()) == p


def test_wrong_options_are_explained() -> None:
    with pytest.raises(Problem, match="usable, strict"):
        AlignOptions(tolerance="lenient")
    with pytest.raises(Problem, match="rising"):
        AlignOptions(table_raw=(0.0, 1.0), table_calibrated=(1.0, 0.0))


def test_intervals_cover_both_hypotheses_and_follow_the_likelier() -> None:
    s = sight("lateral", ((4, 1, 1, 1, 0.7), (-4, 1, 2, 1, 0.3)))
    alignment, _, cautions = align(s, AlignOptions(), ALL)
    assert alignment.rotation_deg == 4
    assert alignment.rotation_90 == pytest.approx((-4 - 1.6449, 4 + 1.6449), abs=1e-3)
    assert alignment.hypotheses[1].tilt_90 == pytest.approx((2 - 1.6449, 2 + 1.6449), abs=1e-3)
    assert any("Two readings" in c for c in cautions)


def test_widening_widens() -> None:
    s = sight("lateral")
    plain, _, _ = align(s, AlignOptions(), ())
    wide, _, _ = align(s, AlignOptions(widening=2.0), ())
    assert plain.rotation_90 is not None
    assert wide.rotation_90 == pytest.approx(tuple(2 * x for x in plain.rotation_90))


def test_bent_ap_is_not_judged() -> None:
    alignment, moves, cautions = align(
        sight("AP", ((9, 1, 0, 1, 1),), flexion=60), AlignOptions(), ()
    )
    assert alignment.square == "cannot tell"
    assert alignment.square_probability is None
    assert moves == ()
    assert any("bent" in c for c in cautions)


def test_condyle_offset_signs_and_units() -> None:
    # Patella toward smaller x: anterior is -x. Lateral condyle 10 px behind, 6 px below.
    points = {
        "trochlea_anterior": (100.0, 480.0),
        "medial_condyle_posterior": (400.0, 500.0),
        "lateral_condyle_posterior": (410.0, 500.0),
        "medial_condyle_distal": (300.0, 600.0),
        "lateral_condyle_distal": (300.0, 606.0),
    }
    rows = CondyleOffset().judge(sight("lateral", points=points, mm_per_px=0.15))
    assert [r.value for r in rows] == pytest.approx([1.5, 0.9])
    assert {r.unit for r in rows} == {"mm at the knee"}
    assert [r.verdict for r in rows] == ["pass", "pass"]
    unscaled = CondyleOffset().judge(sight("lateral", points=points, width_px=300.0))
    assert [r.value for r in unscaled] == pytest.approx([10 / 3, 2.0])
    assert unscaled[0].unit == "% of C"


def test_a_film_on_its_side_gives_the_same_offsets() -> None:
    points = {
        "trochlea_anterior": (100.0, 480.0),
        "medial_condyle_posterior": (400.0, 500.0),
        "lateral_condyle_posterior": (410.0, 503.0),
        "medial_condyle_distal": (300.0, 600.0),
        "lateral_condyle_distal": (300.0, 606.0),
    }
    turned = {n: (-y, x) for n, (x, y) in points.items()}  # clockwise by 90 degrees
    a = CondyleOffset().judge(sight("lateral", points=points))
    b = CondyleOffset().judge(sight("lateral", points=turned, roll=90.0))
    assert [r.value for r in b] == pytest.approx([r.value for r in a])


def test_plateau_gap_is_positive_when_the_anterior_rim_is_distal() -> None:
    points = {
        "medial_plateau_anterior": (300.0, 520.0),
        "medial_plateau_posterior": (300.0, 500.0),
        "lateral_plateau_anterior": (200.0, 500.0),
        "lateral_plateau_posterior": (200.0, 500.0),
    }
    medial, lateral = PlateauGap().judge(sight("AP", points=points, mm_per_px=0.2))
    assert medial.value == pytest.approx(4.0)
    assert medial.verdict == "fail"
    assert lateral.value == pytest.approx(0.0)
    assert lateral.verdict == "pass"


def test_noisy_landmarks_cannot_tell_and_missing_ones_have_no_value() -> None:
    points = {"medial_plateau_anterior": (300.0, 508.0), "medial_plateau_posterior": (300.0, 500.0)}
    medial, lateral = PlateauGap().judge(sight("AP", points=points, mm_per_px=0.2, sd_px=6.0))
    assert medial.verdict == "cannot tell"
    assert lateral.value is None
    assert lateral.verdict == "cannot tell"


def test_patella_centring_is_positive_toward_lateral_on_either_side() -> None:
    points = {
        "medial_epicondyle": (500.0, 400.0),
        "lateral_epicondyle": (100.0, 400.0),
        "patella_medial": (390.0, 300.0),
        "patella_lateral": (190.0, 300.0),
    }
    (row,) = PatellaCentring().judge(sight("AP", points=points, mm_per_px=0.2))
    assert row.value == pytest.approx(2.0)
    mirrored = {n: (-x, y) for n, (x, y) in points.items()}
    (row,) = PatellaCentring().judge(sight("AP", points=mirrored, mm_per_px=0.2))
    assert row.value == pytest.approx(2.0)


def test_each_criterion_keeps_to_its_view() -> None:
    for view, names in (
        ("AP", {"patella centring", "medial plateau gap", "lateral plateau gap"}),
        ("lateral", {"condyle offset front to back", "condyle offset up and down"}),
    ):
        alignment, _, _ = align(sight(view), AlignOptions(), ALL)
        rows = {r.name for r in alignment.criteria}
        assert names <= rows
        assert all(r.source for r in alignment.criteria)
