"""Pictures of something else are refused, knees are not. `abstention.py` measures more of both."""

import itertools

import numpy as np
import odd_pictures
import pytest
import real_films
from abstention import Trial, fitted, measure, report, synthetic

from pipeline.fit.plausibility import Plausibility
from pipeline.registry import build


@pytest.fixture(scope="module")
def stages():
    return build("detector", "onnx", {}), build("pose", "fused", {}), Plausibility()


@pytest.mark.skipif(
    bool(odd_pictures.missing()),
    reason=f"packages with open pictures are not installed: {odd_pictures.missing()}",
)
def test_odd_pictures_are_refused(stages):
    rng = np.random.default_rng(1)
    whole = list(odd_pictures.whole())
    assert len(whole) > 40
    parts = [next(odd_pictures.windows(film, 1, rng)) for film in whole[::3]]
    trials = measure((("odd", film) for film in [*whole, *parts]), *stages)
    assert sum(t.accepted for t in trials) <= 1


def test_synthetic_knees_are_not(stages):
    trials = measure(synthetic("good", 16, 345_000), *stages)
    assert sum(t.accepted for t in trials) >= 14


@pytest.mark.skipif(
    not real_films.FOLDER.is_dir(), reason="the real films are not part of the project"
)
def test_real_knees_are_not(stages):
    films = (("good real", real.film) for real in itertools.islice(real_films.load(), 0, None, 2))
    trials = measure(films, *stages)
    assert sum(t.accepted for t in trials) >= len(trials) - 1


def test_the_fit_finds_the_weights_that_made_the_answers():
    rng = np.random.default_rng(2)
    x = rng.normal(0, 1.5, (4000, 3))
    wrong = rng.random(4000) < 1 / (1 + np.exp(-(-1.0 + x @ [1.5, 0.7, 0.0])))
    intercept, *weights = fitted(x, wrong, penalty=0.0)
    assert intercept == pytest.approx(-1.0, abs=0.15)
    assert weights == pytest.approx([1.5, 0.7, 0.0], abs=0.15)


def test_the_report_counts_each_kind():
    trials = [Trial("odd", "a", ({},), (True,)), Trial("odd", "b", ({},), (False,))]
    trials.append(Trial("good", "c", (), ()))
    lines = report(trials)
    assert "| odd | 2 | 100.0%" in lines[2]
    assert "| 50.0% (1.3% to 98.7%) |" in lines[2]
    assert "| good | 1 | 0.0%" in lines[3]
