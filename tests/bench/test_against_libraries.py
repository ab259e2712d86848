"""Figures of the benchmark against scikit-learn, scipy and closed forms."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from pipeline.align.options import AlignOptions
from pipeline.align.square import square_probability
from pipeline.bench.accuracy import FilmResult, KneeResult, square_summary
from pipeline.bench.conformal import factor
from pipeline.bench.exam import Scored
from pipeline.bench.figures import abstention, angle_summary, knees_of, landmark_summary
from pipeline.bench.intervals import binomial, interval
from pipeline.knee.detection import Hypothesis
from pipeline.knee.landmarks import names_of

K = len(names_of("AP"))


def knee(seed: int, rng: np.random.Generator, sd: float = 1.5, spread: float = 4.0) -> KneeResult:
    true = rng.uniform(-spread, spread, 2)
    found = true + rng.normal(0, sd, 2)
    radial = np.linalg.norm(rng.normal(0, 1.0, (K, 2)), axis=1)
    return KneeResult(
        seed=seed,
        knee=0,
        style="",
        view="AP",
        found_view="AP",
        view_probability=1.0,
        right_way_round=1.0,
        radial_mm=radial,
        normal_mm=np.full(K, np.nan),
        rotation=(true[0], found[0], sd),
        tilt=(true[1], found[1], sd),
        direct=(found[0], found[1]),
        flexion=(0.0, 0.0),
        hypotheses=((found[0], sd, found[1], sd, 1.0),),
    )


def test_the_interval_of_a_share_is_that_of_scipy() -> None:
    for hits, trials in ((0, 5), (3, 7), (12, 12)):
        theirs = stats.binomtest(hits, trials).proportion_ci(method="exact")
        assert binomial(hits, trials) == pytest.approx((theirs.low, theirs.high))


def scored(knees: list[KneeResult], per_person: int = 2) -> list[Scored]:
    seen = np.ones(K, dtype=bool)
    return [
        Scored(FilmResult(k.seed, (k,), 0, False), str(i // per_person), (seen,), 0.1)
        for i, k in enumerate(knees)
    ]


@pytest.fixture(scope="module")
def knees() -> list[KneeResult]:
    rng = np.random.default_rng(0)
    return [knee(k, rng) for k in range(400)]


def test_brier_and_calibration_error_against_scikit_learn(knees: list[KneeResult]) -> None:
    metrics = pytest.importorskip("sklearn.metrics")
    calibration = pytest.importorskip("sklearn.calibration")
    found = square_summary(knees)["strict"]
    options = AlignOptions(tolerance="strict")
    p = np.array(
        [square_probability([Hypothesis(*h) for h in k.hypotheses], k.view, options) for k in knees]
    )
    true = np.array([max(abs(k.rotation[0]), abs(k.tilt[0])) <= 2.0 for k in knees])
    assert found["brier"] == pytest.approx(metrics.brier_score_loss(true, p))
    share, said = calibration.calibration_curve(true, p, n_bins=10)
    counts = np.bincount(np.minimum((p * 10).astype(int), 9), minlength=10)
    weights = counts[counts > 0] / len(p)
    assert found["ece"] == pytest.approx(float((weights * np.abs(share - said)).sum()), abs=1e-9)


def test_angle_figures_against_libraries(knees: list[KneeResult]) -> None:
    metrics = pytest.importorskip("sklearn.metrics")
    found = angle_summary(knees_of(scored(knees)), 0)
    true = np.array([k.rotation[0] for k in knees])
    said = np.array([k.rotation[1] for k in knees])
    error = said - true
    assert found["mae"]["value"] == pytest.approx(metrics.mean_absolute_error(true, said))
    assert found["bias"]["value"] == pytest.approx(error.mean())
    low, high = found["limits_of_agreement"]
    assert (low, high) == pytest.approx(
        (error.mean() - 1.96 * error.std(ddof=1), error.mean() + 1.96 * error.std(ddof=1))
    )
    off = np.abs(true) > 2
    right = int((np.sign(said[off]) == np.sign(true[off])).sum())
    exact = stats.binomtest(right, int(off.sum())).proportion_ci(0.95)
    direction = found["direction"]
    assert (direction["low"], direction["high"]) == pytest.approx((exact.low, exact.high))


def test_intervals_hold_what_a_normal_law_promises(knees: list[KneeResult]) -> None:
    """Deviations are true here: a level p interval holds p of the angles, and the conformal
    factor (split conformal, Lei et al. 2018) is 1 to within its Beta law's spread."""
    found = angle_summary(knees_of(scored(knees)), 1)
    for level, held in found["held_at"].items():
        expected = float(level)
        spread = np.sqrt(expected * (1 - expected) / len(knees))
        assert abs(held - expected) < 4 * spread, level
    assert found["interval_90"]["factor_needed"] == pytest.approx(1.0, abs=0.12)
    scores = np.array([k.scores()[1] for k in knees])
    assert found["interval_90"]["factor_needed"] == factor(scores)


def test_the_interval_over_persons_is_that_of_whole_persons_drawn(knees: list[KneeResult]) -> None:
    """The fast bootstrap from sums against the plain one that draws persons' values."""
    films = scored(knees[:60], per_person=3)
    found = landmark_summary(knees_of(films), lambda k: k.radial_mm)["mean"]
    grouped: dict[str, list[np.ndarray]] = {}
    for film in films:
        grouped.setdefault(film.subject, []).append(film.result.knees[0].radial_mm)
    values = [np.concatenate(each) for each in grouped.values()]
    value, low, high = interval(values, lambda v: float(v.mean()), 2000)
    assert found["value"] == pytest.approx(value)
    assert found["low"] == pytest.approx(low, abs=0.15 * (high - low))
    assert found["high"] == pytest.approx(high, abs=0.15 * (high - low))


def test_more_films_of_a_person_add_no_certainty(knees: list[KneeResult]) -> None:
    """The same film twice under one person: the interval stays; as two persons it would shrink."""
    once = scored(knees[:40], per_person=1)
    twice = [film for film in once for _ in range(2)]
    one = landmark_summary(knees_of(once), lambda k: k.radial_mm)["mean"]
    two = landmark_summary(knees_of(twice), lambda k: k.radial_mm)["mean"]
    assert two["n"] == 2 * one["n"]
    assert (two["low"], two["high"]) == pytest.approx((one["low"], one["high"]))


def test_abstention_pays_where_deviations_are_honest() -> None:
    """Half of the knees have three times the error and say so: the surer half is three times
    better than the other."""
    rng = np.random.default_rng(3)
    mixed = [knee(k, rng, sd=0.5 if k % 2 else 1.5) for k in range(400)]
    curve = {row["kept"]: row["angles_mae"] for row in abstention(knees_of(scored(mixed)))}
    assert curve[0.5] == pytest.approx(0.5 * np.sqrt(2 / np.pi), rel=0.12)
    assert curve[1.0] == pytest.approx(1.0 * np.sqrt(2 / np.pi), rel=0.12)
    mute = [replace(k, hypotheses=()) for k in mixed]
    assert abstention(knees_of(scored(mute))) == []
