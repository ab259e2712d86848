"""What a physicist would measure on the films: noise power, sharpness by an edge, contrast."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from synthetic_data.film_formation import damage
from synthetic_data.film_formation.formation import Formation, form
from synthetic_data.physics.beam import beam, spectrum, transmit
from synthetic_data.physics.exposure import Technique, detect, moved

PITCH = 0.2
PLAIN = Technique(mm_per_px=PITCH, scatter=0.0, blur_mm=0.0, electronic=0.0, heel=0.0)


def flat(level: float, technique: Technique, seed: int, size: int = 512) -> np.ndarray:
    primary = np.full((size, size), level, np.float32)
    made = detect(primary, 0 * primary, technique, beam(65), np.random.default_rng(seed))
    return made.astype(np.float64)


def noise_power(technique: Technique, level: float = 1.0) -> tuple[np.ndarray, np.ndarray]:
    """Frequencies (1/mm) and radial noise power (mm2): |FFT|2 x pixel area / pixels, over
    regions of 128 pixels (the definition of IEC 62220-1; from memory)."""
    n, powers = 128, []
    for seed in range(3):
        film = flat(level, technique, seed)
        for top in range(0, 512, n):
            for left in range(0, 512, n):
                part = film[top : top + n, left : left + n]
                powers.append(np.abs(np.fft.fft2(part - part.mean())) ** 2 * PITCH**2 / n**2)
    f = np.fft.fftfreq(n, PITCH)
    radius = np.hypot(f[:, None], f[None])
    band = np.digitize(radius, np.arange(0.1, 2.4, 0.2))
    mean = np.mean(powers, axis=0)
    which = range(1, 12)
    return (
        np.array([radius[band == k].mean() for k in which]),
        np.array([mean[band == k].mean() for k in which]),
    )


def test_noise_power_is_white_and_falls_with_the_dose() -> None:
    """Per unit area it is excess / (quanta per mm2): ten times the dose, a tenth of the power."""
    for dose in (2.0, 20.0):
        _, power = noise_power(replace(PLAIN, dose_ugy=dose))
        np.testing.assert_allclose(power, beam(65).excess / (dose * 30000), rtol=0.05)


def test_noise_power_follows_the_square_of_the_blur() -> None:
    """Quanta are counted before the light spreads, so noise is blurred as the picture is."""
    technique = replace(PLAIN, dose_ugy=10.0, blur_mm=0.25)
    f, blurred = noise_power(technique)
    _, sharp = noise_power(replace(technique, blur_mm=0.0))
    mtf = np.exp(-2 * (np.pi * f * 0.25) ** 2)
    np.testing.assert_allclose(blurred / sharp, mtf**2, rtol=0.12, atol=0.004)


def test_noise_behind_an_object_is_that_of_what_gets_through() -> None:
    """Signal to noise goes with the root of the signal: 1 % left, a tenth of it."""
    technique = replace(PLAIN, dose_ugy=50.0)
    open_beam, behind = flat(1.0, technique, 1), flat(0.01, technique, 2)
    ratio = (open_beam.mean() / open_beam.std()) / (behind.mean() / behind.std())
    assert ratio == pytest.approx(10, rel=0.02)


def test_electronic_noise_adds_its_variance() -> None:
    technique = replace(PLAIN, dose_ugy=0.02)
    quanta = 0.02 * 30000 * PITCH**2
    quiet, loud = (flat(0.5, replace(technique, electronic=level), 3).var() for level in (0.0, 2.0))
    # Rarely a pixel would fall below nothing and is held above it.
    assert loud - quiet == pytest.approx((2.0 / quanta) ** 2, rel=0.05)


def test_sharpness_by_a_slanted_edge() -> None:
    """The edge method of IEC 62220-1 / ISO 12233 (from memory): an edge 3 degrees off the
    columns, its profile finer than a pixel, the derivative's spectrum."""
    blur, n = 0.3, 400
    technique = replace(PLAIN, dose_ugy=1e8, blur_mm=blur)
    y, x = np.meshgrid(np.arange(n), np.arange(n), indexing="ij")
    angle = np.deg2rad(3.0)
    away = ((x - n / 2) * np.cos(angle) + (y - n / 2) * np.sin(angle)) * PITCH
    # What a pixel collects over its own width (its own sharpness, a sinc, is divided out).
    share = np.clip(away / PITCH + 0.5, 0, 1)
    primary = (0.2 + 0.6 * share).astype(np.float32)
    film = detect(primary, 0 * primary, technique, beam(65), np.random.default_rng(0))
    near = (np.abs(away) < 4) & (y > 20) & (y < n - 20)
    step = PITCH / 8
    place = np.round(away[near] / step).astype(int)
    place -= place.min()
    profile = np.bincount(place, film[near]) / np.bincount(place)
    line = np.diff(profile) * np.hanning(len(profile) - 1)
    spectrum_of_line = np.abs(np.fft.rfft(line))
    f = np.fft.rfftfreq(len(line), step)
    measured = spectrum_of_line / spectrum_of_line[0] / np.sinc(f * PITCH)
    use = (f > 0.15) & (f < 1.0)
    expected = np.exp(-2 * (np.pi * f * blur) ** 2)
    np.testing.assert_allclose(measured[use], expected[use], atol=0.02)


def test_contrast_of_cortical_bone_in_water_is_xraylibs() -> None:
    """10 mm of bone in 100 mm of water, from elements alone: ICRU Report 44's cortical bone
    (1.92 g/cm3; fractions from memory), attenuation from xraylib."""
    xraylib = pytest.importorskip("xraylib", reason="xraylib is not installed")
    bone = {1: 0.034, 6: 0.155, 7: 0.042, 8: 0.435, 11: 0.001, 12: 0.002}
    bone |= {15: 0.103, 16: 0.003, 20: 0.225}
    energies, photons = spectrum(65.0)
    use = photons > 1e-6
    energies, photons = energies[use], photons[use]
    water = np.array([xraylib.CS_Total_CP("H2O", e) for e in energies])
    solid = np.array(
        [sum(share * xraylib.CS_Total(z, e) for z, share in bone.items()) for e in energies]
    )
    csi = np.array([xraylib.CS_Total_CP("CsI", e) for e in energies])
    signal = photons * energies * (1 - np.exp(-csi * 4.51 * 0.05))
    without = signal @ np.exp(-water * 10.0)
    behind = signal @ np.exp(-water * 9.0 - solid * 1.92 * 1.0)
    maps = [
        {"water": np.full((1, 1), w, np.float32), "cortical": np.full((1, 1), b, np.float32)}
        for w, b in ((100.0, 0.0), (90.0, 10.0))
    ]
    used = beam(65)
    ours = np.log(transmit(maps[0], used)[0, 0] / transmit(maps[1], used)[0, 0])
    assert ours == pytest.approx(np.log(without / behind), rel=0.01)
    assert 0.5 < ours < 1.1


# ---- faults that are rarely drawn ------------------------------------------------------


@pytest.mark.parametrize("angle", [0.0, 37.0, 90.0, 210.0])
def test_motion_spreads_a_point_evenly_about_its_place(angle: float) -> None:
    picture = np.zeros((81, 61), np.float32)
    picture[40, 30] = 1.0
    made = moved(picture, 12.0, angle)
    y, x = np.meshgrid(np.arange(81) - 40, np.arange(61) - 30, indexing="ij")
    assert made.sum() == pytest.approx(1, abs=1e-5)
    assert (made * x).sum() == pytest.approx(0, abs=1e-4)
    assert (made * y).sum() == pytest.approx(0, abs=1e-4)
    along = x * np.cos(np.deg2rad(angle)) + y * np.sin(np.deg2rad(angle))
    across = -x * np.sin(np.deg2rad(angle)) + y * np.cos(np.deg2rad(angle))
    # Even over 12 pixels: 12 / sqrt(12), and the width of a pixel between its neighbours.
    assert (made * along**2).sum() == pytest.approx(12**2 / 12, rel=0.04)
    assert (made * across**2).sum() < 0.3


def test_motion_leaves_of_a_wave_what_a_moving_slit_would() -> None:
    """sinc of frequency x length."""
    x = np.arange(256)
    for cycles in (4, 10, 20):
        wave = np.tile(1 + 0.3 * np.sin(2 * np.pi * cycles * x / 256), (8, 1)).astype(np.float32)
        made = moved(wave, 9.0, 0.0)[4, 32:224]
        left = (made.max() - made.min()) / 0.6
        # Sampling along the line by tents costs another sinc squared of one pixel.
        expected = abs(np.sinc(cycles * 9.0 / 256)) * np.sinc(cycles / 256) ** 2
        assert left == pytest.approx(expected, abs=0.02)


def test_motion_blurs_bone_and_not_the_noise() -> None:
    still, shaken = (
        replace(PLAIN, dose_ugy=10.0, motion_mm=mm, motion_deg=0.0) for mm in (0.0, 4.0)
    )
    assert flat(0.5, shaken, 4).std() == pytest.approx(flat(0.5, still, 4).std(), rel=0.01)
    edge = np.where(np.arange(200) < 100, 0.2, 0.8).astype(np.float32)[None].repeat(64, 0)
    films = [
        detect(edge, 0 * edge, t, beam(65), np.random.default_rng(0)).mean(axis=0)
        for t in (still, shaken)
    ]
    assert films[0][90] == pytest.approx(0.2, abs=0.01)
    assert 0.22 < films[1][95] < 0.5
    assert films[1][99:101].mean() == pytest.approx(0.5, abs=0.03)


def test_dead_pixels_and_lines() -> None:
    rng = np.random.default_rng(0)
    signal = (0.3 + 0.1 * np.linspace(0, 1, 200)[None] + rng.normal(0, 1e-3, (240, 200))).astype(
        np.float32
    )
    signal[0, 0], signal[0, 1] = 0.01, 1.0
    raw, mended = signal.copy(), signal.copy()
    damage.dead(raw, 0.002, 3, False, np.random.default_rng(1))
    damage.dead(mended, 0.002, 3, True, np.random.default_rng(1))
    gone = raw != signal
    assert 0.001 < gone.mean() < 0.02
    assert set(np.unique(raw[gone])) == {np.float32(0.01), np.float32(1.0)}
    lines = max(gone.sum(axis=0).max() / 240, gone.sum(axis=1).max() / 200)
    assert lines > 0.3
    assert np.abs(mended - signal)[2:].max() < 0.01
    assert (mended != signal)[gone].mean() > 0.95


def test_few_films_are_drawn_with_them_and_none_has_them_by_default() -> None:
    rngs = [np.random.default_rng(seed) for seed in range(400)]
    films = [Formation.draw(rng, "radiography", "left") for rng in rngs]
    assert 4 <= sum(film.dead_pixels > 0 for film in films) <= 60
    shaken = [Technique.draw(rng, "radiography", 0.3).motion_mm for rng in rngs]
    assert 4 <= sum(mm > 0 for mm in shaken) <= 50
    assert max(shaken) < 5
    assert all(Formation.draw(rng, "scanned_film").dead_pixels == 0 for rng in rngs)
    assert Formation().dead_pixels == Formation().dead_lines == Technique().motion_mm == 0
    rng = np.random.default_rng(0)
    signal = rng.uniform(0.1, 1, (64, 64)).astype(np.float32)
    kept = signal.copy()
    made = form(signal, Formation(dead_pixels=0.01, dead_lines=1), np.random.default_rng(2))
    np.testing.assert_array_equal(signal, kept)
    assert np.abs(made - form(signal, Formation(), np.random.default_rng(2))).max() > 0.1
