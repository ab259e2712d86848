"""Attenuation and spectra against published values; transmission against Beer and Lambert."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.knee.errors import Problem
from synthetic_data.physics.beam import (
    Beam,
    beam,
    linear_attenuation,
    mass_attenuation,
    materials_known,
    spectrum,
    transmit,
)

# NIST (Hubbell & Seltzer), cm2/g at 30 and 60 keV; from memory.
NIST = {
    "water": (0.3756, 0.2059),
    "cortical": (1.331, 0.3148),
    "muscle": (0.3783, 0.2048),
    "adipose": (0.3063, 0.1974),
    "aluminium": (1.128, 0.2778),
}


@pytest.mark.parametrize("material", NIST)
def test_attenuation_is_nists(material: str) -> None:
    got = mass_attenuation(material, np.array([30.0, 60.0]))
    np.testing.assert_allclose(got, NIST[material], rtol=0.001)


def test_attenuation_is_xraylibs() -> None:
    """A composition of the other library's own: water and polyethylene by formula."""
    xraylib = pytest.importorskip("xraylib", reason="xraylib is not installed")
    for material, formula in (("water", "H2O"), ("polyethylene", "CH2"), ("caesium_iodide", "CsI")):
        for energy in (20.5, 45.5, 80.5):
            other = xraylib.CS_Total_CP(formula, energy)
            assert mass_attenuation(material, energy) == pytest.approx(other, rel=0.003)


def half_value_layer(kvp: float, al_mm: float, cu_mm: float) -> float:
    """mm of aluminium that halve the air kerma.

    Energy absorbed in air per photon: energy x mass energy-absorption coefficient of air
    (NIST, cm2/g, from memory).
    """
    energies, photons = spectrum(kvp, al_mm, cu_mm)
    at = np.array([10, 15, 20, 30, 40, 50, 60, 80, 100.0])
    air = np.array([4.742, 1.334, 0.5389, 0.1537, 0.06833, 0.04098, 0.03041, 0.02407, 0.02325])
    kerma = photons * energies * np.exp(np.interp(np.log(energies), np.log(at), np.log(air)))
    thickness = np.linspace(0, 10, 2001)
    left = np.exp(-np.outer(thickness, linear_attenuation("aluminium"))) @ kerma
    return float(np.interp(-0.5, -left / left[0], thickness))


@pytest.mark.parametrize(
    ("kvp", "al_mm", "cu_mm", "expected"),
    [
        (50, 2.5, 0.0, 1.750),
        (70, 2.5, 0.0, 2.397),
        (70, 2.5, 0.1, 3.855),
        (70, 3.0, 0.1, 4.012),
        (90, 3.0, 0.0, 3.421),
    ],
)
def test_half_value_layers(kvp: float, al_mm: float, cu_mm: float, expected: float) -> None:
    """spekpy 2's own first half-value layers, tungsten at 12 degrees."""
    assert half_value_layer(kvp, al_mm, cu_mm) == pytest.approx(expected, rel=0.01)


def test_spectrum_between_the_tabled_voltages() -> None:
    energies, photons = spectrum(67.0)
    assert photons.sum() == pytest.approx(1.0)
    assert photons[energies > 67.6].sum() < 1e-6
    low, high = (half_value_layer(k, 2.5, 0) for k in (65, 70))
    assert low < half_value_layer(67.0, 2.5, 0.0) < high


def test_fused_beam_is_the_full_spectrum() -> None:
    """Against all 90 energies, on slabs that the fusing never saw."""
    for kvp, cu_mm in ((55, 0.0), (65, 0.0), (80, 0.1)):
        used = beam(kvp, 2.5, cu_mm)
        assert len(used.weights) <= 8
        energies, photons = spectrum(kvp, 2.5, cu_mm)
        absorbed = 1 - np.exp(-linear_attenuation("caesium_iodide") * 0.5)
        full = photons * absorbed * energies
        full /= full.sum()
        for slab in (
            {"muscle": 60.0},
            {"muscle": 120.0, "cortical": 12.0},
            {"muscle": 90.0, "adipose": 60.0, "cortical": 25.0, "marrow": 20.0},
            {"muscle": 80.0, "polyethylene": 10.0, "titanium": 2.0},
        ):
            exact = full @ np.exp(-sum(linear_attenuation(m) * mm for m, mm in slab.items()))
            paths = {m: np.full((3, 5), mm, np.float32) for m, mm in slab.items()}
            np.testing.assert_allclose(transmit(paths, used), exact, rtol=0.004)


def test_cortical_bone_hardens_the_beam() -> None:
    """Effective attenuation at 65 kV falls from 1.68 to 1.14 per cm between 1 mm and 2 cm, as a
    detector with the spectrum's own energies sees it (computed from the NIST tables)."""
    used = beam(65)
    thin, thick = (
        -np.log(transmit({"cortical": np.full((1, 1), mm, np.float32)}, used))[0, 0] / mm * 10
        for mm in (1.0, 20.0)
    )
    assert thin == pytest.approx(1.68, rel=0.01)
    assert thick == pytest.approx(1.14, rel=0.01)


@settings(max_examples=60, deadline=None)
@given(
    st.floats(0.0, 300.0),
    st.floats(0.0, 60.0),
    st.sampled_from(["muscle", "adipose", "cortical", "steel", "lead"]),
)
def test_one_energy_is_beer_and_lambert(first: float, second: float, material: str) -> None:
    mu = {name: np.array([0.02]) for name in materials_known()} | {material: np.array([0.15])}
    one = Beam(np.array([1.0]), mu, np.array([60.0]), 1.0)
    water = np.full((4, 7), first, np.float32)
    other = np.full((4, 7), second, np.float32)
    expected = np.exp(-0.02 * first - 0.15 * second)
    np.testing.assert_allclose(
        transmit({"water": water, material: other}, one), expected, rtol=2e-5, atol=1e-30
    )


def test_more_in_the_way_never_means_more_signal() -> None:
    used = beam(60)
    path = np.linspace(0, 400, 4001, dtype=np.float32)[None]
    for material in materials_known():
        left = transmit({material: path}, used)[0]
        assert (np.diff(left) <= 1e-7 * left[:-1]).all(), material
        assert left[0] == pytest.approx(1, abs=1e-5)


def test_problems_are_named() -> None:
    with pytest.raises(Problem, match="no such material"):
        linear_attenuation("cheese")
    with pytest.raises(Problem, match="not tabled"):
        spectrum(120)
    with pytest.raises(Problem, match="not tabled"):
        spectrum(70, 1.0)
