"""Tissues by nested subtraction, noise, scatter, blur, texture."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.knee.errors import Problem
from synthetic_data.physics.beam import beam, transmit
from synthetic_data.physics.exposure import Technique, detect, expose, scattered
from synthetic_data.physics.materials import Insert, materials
from synthetic_data.physics.texture import TILE, BoneAxis, Cancellous, bone_fractions, tile


def flat(value: float, shape: tuple[int, int] = (6, 8)) -> np.ndarray:
    return np.full(shape, value, np.float32)


@settings(max_examples=50, deadline=None)
@given(
    st.floats(60, 200),
    st.floats(30, 60),
    st.floats(1, 25),
    st.floats(0, 1),
    st.floats(0, 0.5),
)
def test_everything_inside_the_skin_is_something(
    skin: float, muscle: float, bone: float, inner: float, share: float
) -> None:
    """Nested surfaces: the materials add up to the skin's path, none is negative."""
    out = materials(
        {
            "skin": flat(skin),
            "muscle": flat(muscle),
            "femur": flat(bone),
            "femur_marrow": flat(bone * inner),
            "patella": flat(3.0),
        },
        bone_fraction={"femur": share},
    )
    total = sum(path.astype(np.float64) for path in out.values())
    np.testing.assert_allclose(total, skin, rtol=1e-5)
    assert min(path.min() for path in out.values()) >= 0
    # Paths are float32: 60 mm are known to 4e-6.
    np.testing.assert_allclose(out["adipose"], skin - muscle, rtol=1e-4, atol=1e-4)
    np.testing.assert_allclose(out["muscle"], muscle - bone - 3.0, atol=1e-4)
    mineral = bone * (1 - inner) + bone * inner * share + 3.0
    np.testing.assert_allclose(out["cortical"], mineral, rtol=1e-4, atol=1e-4)


@pytest.mark.parametrize("within", ["skin", "muscle", "femur", "femur_marrow"])
def test_an_insert_displaces_what_it_lies_in(within: str) -> None:
    paths = {
        "skin": flat(120.0),
        "muscle": flat(90.0),
        "femur": flat(30.0),
        "femur_marrow": flat(20.0),
    }
    plain = materials(paths)
    with_nail = materials(
        paths | {"nail": flat(8.0)}, {"nail": Insert("titanium", within)}, {"femur": 0.25}
    )
    np.testing.assert_allclose(with_nail["titanium"], 8.0)
    total = sum(path.astype(np.float64) for path in with_nail.values())
    np.testing.assert_allclose(total, 120.0, rtol=1e-6)
    changed = {m for m in plain if np.abs(plain[m] - with_nail[m]).max() > 1e-4}
    assert (
        changed
        == {
            "skin": {"adipose"},
            "muscle": {"muscle"},
            "femur": {"cortical"},
            "femur_marrow": {"cortical", "marrow"},
        }[within]
    )


def test_an_insert_larger_than_its_place_takes_from_the_next_outward() -> None:
    paths = {"skin": flat(120.0), "muscle": flat(90.0), "femur": flat(30.0)}
    out = materials(paths | {"plate": flat(34.0)}, {"plate": Insert("steel", "femur")})
    assert out["cortical"].max() == 0
    np.testing.assert_allclose(out["muscle"], 56.0)
    np.testing.assert_allclose(sum(out.values()), 120.0)


def test_materials_problems() -> None:
    with pytest.raises(Problem, match="marrow without its bone"):
        materials({"femur_marrow": flat(3.0)})
    with pytest.raises(Problem, match="within tibia"):
        materials({"femur": flat(3.0), "x": flat(1.0)}, {"x": Insert("steel", "tibia")})
    with pytest.raises(Problem, match="no surface"):
        materials({})


def quiet(**changes: float) -> Technique:
    plain = {"scatter": 0.0, "blur_mm": 0.0, "electronic": 0.0, "heel": 0.0}
    return Technique(mm_per_px=0.4, **(plain | changes))


@pytest.mark.parametrize("dose", [1.0, 10.0])
def test_noise_variance_is_proportional_to_the_mean(dose: float) -> None:
    """Poisson: variance / mean = 1 / quanta, whatever lies in the way."""
    used = beam(65)
    technique = quiet(dose_ugy=dose)
    for level in (1.0, 0.2, 0.05):
        primary = flat(level, (400, 400))
        made = detect(primary, flat(0.0, (400, 400)), technique, used, np.random.default_rng(1))
        quanta = dose * 30000 * 0.4**2
        assert made.mean() == pytest.approx(level, rel=0.002)
        assert made.var() / made.mean() == pytest.approx(used.excess / quanta, rel=0.02)


def test_blur_is_the_configured_curve() -> None:
    """A Gaussian of s mm leaves exp(-2 (pi f s)^2) of a wave of f per mm."""
    technique = quiet(blur_mm=0.5, dose_ugy=1e9)
    x = np.arange(512)
    for cycles in (8, 24, 48):
        wave = 0.5 + 0.2 * np.sin(2 * np.pi * cycles * x / 512)
        primary = np.tile(wave.astype(np.float32), (64, 1))
        made = detect(primary, 0 * primary, technique, beam(65), np.random.default_rng(0))
        left = np.abs(np.fft.rfft(made[32])[cycles]) / np.abs(np.fft.rfft(wave)[cycles])
        frequency = cycles / 512 / 0.4
        assert left == pytest.approx(np.exp(-2 * (np.pi * frequency * 0.5) ** 2), abs=0.01)


def test_scatter_to_primary_ratio_is_the_one_asked_for() -> None:
    """In the middle of a wide slab 120 mm thick the ratio is `scatter`; thinner, in proportion."""
    technique = quiet(scatter=0.8)
    primary = flat(0.1, (500, 500))
    for thickness in (120.0, 60.0):
        added = scattered(primary, flat(thickness, (500, 500)), technique)
        assert added[250, 250] / 0.1 == pytest.approx(0.8 * thickness / 120, rel=0.01)


def test_contrast_of_bone_survives_the_chain() -> None:
    """5 mm of cortex in 100 mm of muscle, from the tables, within the noise."""
    bone = flat(0.0, (200, 200))
    bone[:, 100:] = 5.0
    paths = {"muscle": flat(100.0, (200, 200)), "femur": bone}
    technique = quiet(cortical_mottle=0.0, fat_streaks=0.0, dose_ugy=500.0)
    made = expose(paths, technique, np.random.default_rng(0))
    used = beam(65)
    expected = (
        transmit({"muscle": flat(95.0), "cortical": flat(5.0)}, used)[0, 0]
        / transmit({"muscle": flat(100.0)}, used)[0, 0]
    )
    assert made[:, 110:].mean() / made[:, :90].mean() == pytest.approx(expected, rel=0.003)


def test_same_generator_same_film() -> None:
    paths = {"muscle": flat(80.0, (64, 48)), "femur": flat(30.0, (64, 48))}
    paths["femur_marrow"] = flat(25.0, (64, 48))
    for style in ("radiography", "c_arm", "scanned_film"):
        films = []
        for _ in range(2):
            rng = np.random.default_rng(5)
            films.append(expose(paths, Technique.draw(rng, style, 0.4), rng))
        np.testing.assert_array_equal(*films)
        assert films[0].dtype == np.float32
        assert films[0].min() > 0


def test_tiles_repeat_and_run_along_the_shaft() -> None:
    for kind in ("trabeculae", "mottle", "fibres"):
        made = tile(kind)
        assert made.shape == (TILE, TILE)
        assert abs(made.mean()) < 1e-3
        assert made.std() == pytest.approx(1, abs=1e-3)
        # Across the seam it changes no more than elsewhere.
        for axis in (0, 1):
            steps = np.abs(np.diff(made, axis=axis)).mean()
            seam = np.abs(made.take(0, axis) - made.take(-1, axis)).mean()
            assert seam < 1.3 * steps
    for kind in ("trabeculae", "fibres"):
        made = tile(kind)
        assert np.diff(made, axis=1).std() > 1.3 * np.diff(made, axis=0).std()


def test_canal_empties_along_the_shaft_and_longer_paths_vary_less() -> None:
    shape = (300, 200)
    axis = BoneAxis(np.array([100.0, 20.0]), np.array([0.0, 1.0]), 120.0, 0.4)
    paths = {"femur_marrow": flat(20.0, shape)}
    plain = Cancellous(0.2, 0.1, 0.0, 0.0, 0.0)
    share = bone_fractions(paths, {"femur": axis}, np.random.default_rng(0), plain)["femur"]
    np.testing.assert_allclose(share[20:50], 0.2, rtol=1e-5)
    np.testing.assert_allclose(share[160:], 0.02, rtol=1e-5)
    assert (np.diff(share[:, 3]) <= 1e-7).all()

    rough = Cancellous(0.2, 1.0, 0.2, 0.0, 0.0)
    spread = [
        bone_fractions(
            {"femur_marrow": flat(mm, shape)}, {"femur": axis}, np.random.default_rng(0), rough
        )["femur"].std()
        / 0.2
        for mm in (10.0, 40.0)
    ]
    assert spread[0] == pytest.approx(0.17, abs=0.05)
    assert spread[0] / spread[1] == pytest.approx(2.0, rel=0.15)
