"""The measures of realism against known answers, and a quick look at real films where they are
at hand. The whole comparison is `python tests/films/realism.py`; its numbers are in
docs/explanation/realism.md."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from real_films import FOLDER
from realism import measured, real_crops, synthetic_crops, told_apart
from realism_measures import (
    BINS,
    across_shaft,
    balanced_accuracy,
    band_power,
    by_film,
    coverage,
    gradient,
    grain,
    histogram,
    radial_power,
    roughness,
    sample,
    slope,
    transport,
    transport_of_samples,
)
from scipy.stats import wasserstein_distance

from pipeline.registry import build

numbers = st.lists(st.floats(-5, 5), min_size=1, max_size=20)


def noise_of(exponent: float, size: int = 256, seed: int = 0) -> np.ndarray:
    """A picture whose power falls with frequency to the power of `exponent`."""
    at = np.fft.fftfreq(size, 1 / size)
    radius = np.hypot(at[:, None], at[None, :])
    radius[0, 0] = np.inf
    white = np.fft.fft2(np.random.default_rng(seed).standard_normal((size, size)))
    return np.fft.ifft2(white * radius ** (exponent / 2)).real


@pytest.mark.parametrize("exponent", [-3.0, -2.0, 0.0])
def test_slope_of_known_noise(exponent):
    """The window leaks a little of a steep spectrum upward: 0.07 of an exponent of -3."""
    fits = []
    for seed in range(8):
        frequency, power = radial_power(noise_of(exponent, seed=seed))
        fits.append(slope(frequency[4:], power[4:]))
    assert np.mean(fits) == pytest.approx(exponent, abs=0.1)


def test_power_is_the_variance():
    """Parseval: the rings of white noise hold its variance, a share each by their pixels."""
    picture = 0.1 * np.random.default_rng(1).standard_normal((256, 256))
    frequency, power = radial_power(picture)
    # Power per frequency cell; 256 x 256 cells share the variance alike.
    assert np.mean(power * 256**2) == pytest.approx(0.01, rel=0.03)
    bands = band_power(frequency, power)
    assert np.ptp(bands) < 0.1


def test_a_wave_is_in_its_band():
    x = np.arange(256)
    wave = 0.5 + 0.3 * np.sin(2 * np.pi * 30 * x / 256) * np.ones((256, 1))
    frequency, power = radial_power(wave)
    assert frequency[power.argmax()] == 30
    # 30 cycles in 3 W are 10 per W: the band from 6 to 12.
    assert band_power(frequency, power).argmax() == 2


@given(numbers, numbers)
@settings(max_examples=60, deadline=None)
def test_transport_of_samples_is_scipys(one, other):
    ours = transport_of_samples(np.array(one), np.array(other))
    assert ours == pytest.approx(wasserstein_distance(one, other), abs=1e-9)


def test_transport_of_histograms_is_scipys():
    rng = np.random.default_rng(2)
    a, b = rng.beta(2, 3, 4000), rng.beta(3, 2, 4000)
    at = np.arange(BINS) / BINS
    one, other = histogram(a), histogram(b)
    assert one.sum() == pytest.approx(1)
    assert transport(one, other) == pytest.approx(wasserstein_distance(at, at, one, other))
    # Binning hardly matters: means 0.4 and 0.6, one wholly above the other.
    assert transport(one, other) == pytest.approx(0.2, abs=0.01)


def test_shaft_of_a_known_tube():
    """Path lengths of a tube of cortex 16 px in radius, 5 px thick, on flesh of 0.3."""
    width = 85.0
    x = np.arange(256) - 128.0
    outer = np.sqrt(np.maximum(16.0**2 - x**2, 0))
    inner = np.sqrt(np.maximum(11.0**2 - x**2, 0))
    profile = 0.3 + 0.02 * 2 * (outer - inner)
    picture = np.tile(profile, (256, 1)).astype(np.float32)
    found = across_shaft(
        picture,
        np.array([112.0, 128.0]),
        np.array([144.0, 128.0]),
        np.array([0.0, 1.0]),
        width,
    )
    assert found["flesh"] == pytest.approx(0.3, abs=0.002)
    assert found["canal"] == pytest.approx(0.02 * 2 * 5, abs=0.01)
    peak = 0.02 * 2 * np.sqrt(16.0**2 - 11.0**2)
    assert found["cortex"] == pytest.approx(peak, rel=0.05)
    # Above half way between canal and ridge: from 1.7 px inside the edge to 1.0 px beyond the
    # inner face, worked out from the formula above.
    t = np.linspace(0, 16, 200_001)
    exact = 0.04 * (np.sqrt(np.maximum(16.0**2 - t**2, 0)) - np.sqrt(np.maximum(11.0**2 - t**2, 0)))
    wide = (exact > 0.5 * (exact.max() + exact[0])).mean() * 16 / width
    assert found["cortex width"] == pytest.approx(wide, rel=0.1)


def test_grain_follows_the_stripes():
    stripes = np.tile(np.sin(np.arange(128) * 1.5), (128, 1)).astype(np.float32)
    at, down = np.array([64.0, 64.0]), np.array([0.0, 1.0])
    assert grain(stripes, at, down, 12.0) > 1
    assert grain(stripes, at, np.array([1.0, 0.0]), 12.0) < -1
    plain = np.random.default_rng(3).standard_normal((128, 128)).astype(np.float32)
    assert abs(grain(plain, at, down, 12.0)) < 0.1
    assert np.isnan(grain(plain, np.array([2.0, 2.0]), down, 12.0))


def test_gradient_of_a_slope():
    ramp = np.tile(0.01 * np.arange(64, dtype=np.float32), (64, 1))
    assert gradient(ramp, 1.0)[16:-16, 16:-16] == pytest.approx(0.01, rel=1e-3)


def test_roughness_tells_fine_from_coarse():
    rng = np.random.default_rng(4)
    white = 0.01 * rng.standard_normal((64, 64)).astype(np.float32)
    fine, middling = roughness(white, np.array([32.0, 32.0]), 12)
    assert 10**fine == pytest.approx(0.01, rel=0.15)
    assert middling < fine - 0.3
    assert np.isnan(roughness(white, np.array([-9.0, 32.0]), 12)[0])


def test_sampling_is_linear():
    y, x = np.mgrid[0:20, 0:30].astype(np.float32)
    plane = 2 * x + 3 * y
    values = sample(plane, np.array([[4.5, 7.25], [40.0, 3.0]]))
    assert values[0] == pytest.approx(2 * 4.5 + 3 * 7.25, abs=0.05)
    assert np.isnan(values[1])


def test_coverage_of_known_clouds():
    rng = np.random.default_rng(5)
    small, wide = rng.normal(0, 0.3, (30, 4)), rng.normal(0, 1.5, (300, 4))
    among, back = coverage(small, wide)
    assert among > 0.9
    assert back < 0.3
    assert coverage(small, wide + 50) == (0.0, 0.0)


def test_accuracy_and_its_interval():
    truth = np.array([True] * 4 + [False] * 16)
    said = np.array([True, True, True, False] + [False] * 12 + [True] * 4)
    assert balanced_accuracy(truth, said) == pytest.approx(0.75)
    rng = np.random.default_rng(6)
    # Deviation of a mean of 100 draws of deviation 1: the interval is 2 x 1.96 x 0.1 wide.
    draws = rng.standard_normal(100)
    value, low, high = by_film(lambda i, _: float(draws[i].mean()), 100, 5, rng, 2000)
    assert low < value < high
    assert high - low == pytest.approx(2 * 1.96 * draws.std() / 10, rel=0.1)


@pytest.fixture(scope="module")
def synthetic():
    detector = build("detector", "onnx", {"threads": 1})
    return synthetic_crops(detector, "radiography", 12)[0]


def test_the_judge_is_fair(synthetic):
    """It cannot tell a set of films from itself shuffled, and does tell a changed one."""
    pytest.importorskip("sklearn", reason="scikit-learn comes with the test extra")
    from dataclasses import replace

    same = told_apart(synthetic[0::2], synthetic[1::2], folds=5, trees=50)
    assert same.low < 0.65
    dim = [replace(c, picture=0.4 * c.picture) for c in synthetic[1::2]]
    for crop in dim:
        crop.features = measured(crop)
    changed = told_apart(synthetic[0::2], dim, folds=5, trees=50)
    assert changed.accuracy > 0.9


@pytest.mark.skipif(
    not FOLDER.is_dir(), reason="the real films are not part of the project and not at hand"
)
def test_real_films_lie_within_synthetic_ones(synthetic):
    """What real films have in the middle, the synthetic ones have within their range."""
    real = real_crops(build("detector", "onnx", {"threads": 1}), most=8)
    assert len(real) >= 5
    inside = []
    for name in real[0].features:
        middle = np.nanmedian([c.features[name] for c in real])
        values = np.array([c.features[name] for c in synthetic])
        inside.append(np.nanmin(values) <= middle <= np.nanmax(values))
    assert np.mean(inside) > 0.95
    # Bone is as thick-walled as on real films; 0.043 W before it was measured.
    wall = [
        np.nanmedian([c.features["femoral far cortex width"] for c in s]) for s in (real, synthetic)
    ]
    assert wall[1] == pytest.approx(wall[0], rel=0.3)
