"""Whole films by the CUDA kernels against the CPU's: as plain C++, and on a device if any."""

from __future__ import annotations

import shutil

import numpy as np
import pytest
from plain_cuda import PlainDevice
from shapes import SURFACES, camera, limb

from pipeline.knee.errors import Problem
from synthetic_data.film_formation import tone
from synthetic_data.film_formation.formation import Formation, window
from synthetic_data.physics.beam import beam, transmit
from synthetic_data.physics.exposure import Technique, detect, heel
from synthetic_data.physics.materials import materials
from synthetic_data.render import film_cuda
from synthetic_data.render.cuda import cupy
from synthetic_data.render.film_cuda import CudaDevice, Device, Films, Recipe, binned_beam
from synthetic_data.render.raster import path_lengths

SIZE = 96
ROLES = tuple(role for _, role in SURFACES)
FRACTIONS = tuple(0.2 if role == "marrow" else 0.0 for role in ROLES)
TECHNIQUES = (
    Technique(mm_per_px=205 / SIZE, scatter=0.8, blur_mm=3.0, heel=0.2, heel_deg=30.0),
    Technique(mm_per_px=205 / SIZE, kvp=75, cu_mm=0.1, scatter=0.2, scatter_mm=20, blur_mm=0.1),
)
FORMATIONS = (Formation(), Formation(gamma=1.3, sigmoid=0.9, low=0.1, high=1.2, dark=0.1))


@pytest.fixture(scope="module")
def plain(tmp_path_factory: pytest.TempPathFactory) -> PlainDevice:
    if shutil.which("g++") is None:
        pytest.skip("no C++ compiler (g++) to run the kernels without a device")
    return PlainDevice(film_cuda.SOURCE, tmp_path_factory.mktemp("film"))


@pytest.fixture(scope="module")
def paths() -> np.ndarray:
    made = [
        np.stack([path_lengths(mesh, camera(SIZE, seed)) for mesh in limb(6000, seed)])
        for seed in range(2)
    ]
    return np.stack(made)


def quiet(technique: Technique, paths: np.ndarray) -> dict[str, np.ndarray]:
    """The CPU's film without noise, step by step."""

    class Silence:
        def standard_normal(self, shape, dtype):  # type: ignore[no-untyped-def]
            return np.zeros(shape, dtype)

    named = {name: path for (name, _), path in zip(SURFACES, paths, strict=True)}
    shares = {name.removesuffix("_marrow"): 0.2 for name in named if name.endswith("_marrow")}
    through = materials(named, None, shares)
    used = beam(round(technique.kvp), technique.al_mm, technique.cu_mm)
    primary = transmit(through, used) * heel((SIZE, SIZE), technique)
    body = np.asarray(sum(through.values()), dtype=np.float32)
    signal = detect(primary, body, technique, used, Silence())  # type: ignore[arg-type]
    return {"primary": primary, "body": body, "density": tone.density(signal)}


def shown(density: np.ndarray, formation: Formation) -> np.ndarray:
    low, high = window(density, np.ones_like(density[::7, ::7], dtype=bool))
    return tone.curve(
        density,
        low + formation.low * (high - low),
        low + formation.high * (high - low),
        gamma=formation.gamma,
        sigmoid=formation.sigmoid,
        dark=formation.dark,
        bright=formation.bright,
    )


def compare(device: Device, paths: np.ndarray) -> None:
    xp = device.xp
    host = (lambda array: array) if xp is np else xp.asnumpy
    recipe = Recipe.of(TECHNIQUES, FORMATIONS, (1, 2)).on(xp)
    films = Films(device, ROLES, FRACTIONS, noisy=False)
    primary, body = films.transmit(xp.asarray(paths), recipe)
    density = films.detect(primary, films.scatter(primary, body, recipe), recipe)
    picture = films.make(xp.asarray(paths), recipe)
    for film, (technique, formation) in enumerate(zip(TECHNIQUES, FORMATIONS, strict=True)):
        cpu = quiet(technique, paths[film])
        np.testing.assert_allclose(host(primary)[film], cpu["primary"], rtol=2e-5)
        np.testing.assert_allclose(host(body)[film], cpu["body"], rtol=1e-5, atol=1e-4)
        np.testing.assert_allclose(host(density)[film], cpu["density"], atol=2e-4)
        # A table of 4096 steps: a hair of difference may fall into the next one.
        steepest = np.abs(np.diff(shown(np.linspace(0, 1, 4097)[None], formation))).max()
        grey = shown(cpu["density"], formation)
        assert np.abs(host(picture)[film] - grey).max() < 5e-4 + 2 * steepest
        assert np.ptp(grey) > 0.5


def test_kernels_as_plain_code_give_the_cpus_film(plain: PlainDevice, paths: np.ndarray) -> None:
    compare(plain, paths)


def test_device_gives_the_cpus_film(paths: np.ndarray) -> None:
    try:
        cupy()
    except Problem as problem:
        pytest.skip(f"no GPU test: {problem}")
    compare(CudaDevice(), paths)


def test_noise_has_the_cpus_variance_and_is_a_films_own(plain: PlainDevice) -> None:
    """Variance / mean is excess / quanta, as in the CPU's test; other seeds, other noise."""
    paths = np.zeros((3, 1, 256, 256), np.float32)
    technique = Technique(
        mm_per_px=0.4, dose_ugy=1.0, scatter=0.0, blur_mm=0.0, heel=0.0, electronic=0.0
    )
    recipe = Recipe.of([technique] * 3, [Formation()] * 3, [5, 6, 5])
    films = Films(plain, ("skin",), (0.0,))
    density = films.detect(
        np.ones((3, 256, 256), np.float32), np.zeros((3, 25, 25), np.float32), recipe
    )
    signal = np.exp(-density.astype(np.float64))
    expected = beam(65).excess / (30000 * 0.4**2)
    for one in signal:
        assert one.mean() == pytest.approx(1, abs=5e-4)
        assert one.var() == pytest.approx(expected, rel=0.02)
        assert abs(np.corrcoef(one[:, 1:].ravel(), one[:, :-1].ravel())[0, 1]) < 0.02
    np.testing.assert_array_equal(signal[0], signal[2])
    assert abs(np.corrcoef(signal[0].ravel(), signal[1].ravel())[0, 1]) < 0.02
    np.testing.assert_array_equal(
        films.make(paths, recipe)[0],
        films.make(paths[2:], Recipe.of([technique], [Formation()], [5]))[0],
    )
    z = (signal[0] - 1).ravel() / np.sqrt(expected)
    assert (z**3).mean() == pytest.approx(0, abs=0.05)
    assert (z**4).mean() == pytest.approx(3, abs=0.15)


def test_philox_gives_the_published_numbers(plain: PlainDevice) -> None:
    """Known answers of Philox 4x32-10 for all zeros (Random123's kat_vectors, from memory)."""
    technique = Technique(
        mm_per_px=4.0, dose_ugy=1e9, scatter=0.0, blur_mm=0.0, heel=0.0, electronic=0.0
    )
    recipe = Recipe.of([technique], [Formation()], [0])
    recipe.given[0, film_cuda.GIVEN.index("quantum")] = 0.01
    density = Films(plain, ("skin",), (0.0,)).detect(
        np.ones((1, 8, 8), np.float32), np.zeros((1, 8, 8), np.float32), recipe
    )
    u, v = 0x6627E8D5 >> 8, 0xE169C58D >> 8
    normal = np.sqrt(-2 * np.log((u + 0.5) / 2**24)) * np.cos(2 * np.pi * v / 2**24)
    assert np.exp(-density[0, 0, 0]) == pytest.approx(1 + 0.1 * normal, abs=1e-3)


def test_eight_energies_stand_for_sixty_four() -> None:
    """The fused beam against the binned one, within 0.3 % through a limb."""
    technique = Technique(kvp=65)
    mm = np.array([[0, 20, 60, 120, 160]], np.float32)
    bone = np.array([[0, 5, 20, 30, 0]], np.float32)
    fine = transmit({"muscle": mm, "cortical": bone}, binned_beam(technique))
    fused = transmit({"muscle": mm, "cortical": bone}, beam(65))
    np.testing.assert_allclose(fused, fine, rtol=3e-3)
    assert len(binned_beam(technique).weights) >= 50


def test_films_of_unlike_pitch_or_with_glare_are_refused() -> None:
    two = (Technique(mm_per_px=0.4), Technique(mm_per_px=0.5))
    with pytest.raises(ValueError, match="one pixel pitch"):
        Recipe.of(two, FORMATIONS, (1, 2))
    with pytest.raises(ValueError, match="glare"):
        Recipe.of([Technique(glare=0.1)], FORMATIONS[:1], [1])


def test_limb_is_closed_and_nested(paths: np.ndarray) -> None:
    """The test's own limb: every surface is seen, and each lies in the one that should hold it."""
    assert (paths.max(axis=(2, 3)) > 5).all()
    skin, muscle, *bones = np.moveaxis(paths, 1, 0)
    assert (muscle <= skin + 1e-3).all()
    for outer, inner in zip(bones[::2], bones[1::2], strict=True):
        assert (inner <= outer + 1e-3).all()
