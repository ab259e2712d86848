"""Scatter against photons followed one by one, and against what is published."""

from __future__ import annotations

import numpy as np
import pytest

pytest.importorskip("xraylib")

from photons import scatter_to_primary

from synthetic_data.physics.exposure import Technique, scattered

RADII = np.array([30.0, 60, 100, 150, 220])


def counted(thickness: float, radius: float, gap: float, photons: int = 10000) -> float:
    return scatter_to_primary(thickness, kvp=65, radius=radius, gap=gap, photons=photons)


def ours(thickness: float, radius: float, scatter: float, reach: float) -> float:
    """Scatter to primary in the middle of a round field that ends at `radius`."""
    taken = Technique(scatter=scatter, scatter_mm=reach, mm_per_px=4.0)
    size = 301
    y, x = np.mgrid[:size, :size] * 4.0 - (size // 2) * 4.0
    field = (np.hypot(x, y) < radius).astype(np.float32)
    body = np.full((size, size), thickness, np.float32)
    return float(scattered(field, body, taken)[size // 2, size // 2])


def test_photons_give_what_is_published() -> None:
    """About 1.2 behind 100 mm of water and 3 to 4.5 behind 200 mm, in fields of 20 and 30 cm
    side (from memory of textbook tables)."""
    assert 0.8 < counted(100, 113, 20) < 1.7
    assert 2.2 < counted(200, 170, 20) < 5.0


def test_scatter_grows_with_the_thickness() -> None:
    at = {mm: counted(mm, 100, 40, 20000) for mm in (60, 120, 180)}
    for mm in (60, 180):
        assert at[mm] / at[120] == pytest.approx(mm / 120, rel=0.12)


@pytest.mark.parametrize(("gap", "reach"), [(40, 38.0), (100, 62.0), (250, 115.0)])
def test_two_gaussians_spread_it_as_photons_are_spread(gap: float, reach: float) -> None:
    """Largest difference a tenth of the whole scatter; fields of 60 to 440 mm across."""
    want = np.array([counted(110, radius, gap) for radius in RADII])
    unit = np.array([ours(110, radius, 1.0, reach) for radius in RADII])
    amount = float(want @ unit / (unit @ unit))
    assert np.abs(amount * unit - want).max() < 0.1 * amount * 110 / 120


@pytest.mark.parametrize(
    ("style", "gaps", "radii"),
    [("radiography", (0, 75), (60, 130)), ("c_arm", (150, 330), (65, 130))],
)
def test_drawn_ratios_are_those_of_real_fields(
    style: str, gaps: tuple[float, float], radii: tuple[float, float]
) -> None:
    """Films without a grid reach over what photons give from the least field behind the widest
    gap to the largest behind the narrowest; with one, down to a sixth of it."""
    least, most = counted(120, radii[0], gaps[1]), counted(120, radii[1], gaps[0])
    drawn = [Technique.draw(np.random.default_rng(n), style, 0.3).scatter for n in range(400)]
    assert max(drawn) == pytest.approx(most, rel=0.25)
    assert least / 6 < min(drawn) < least / 2
    # Between a film with a grid and one without there is room, but no more than that.
    assert np.mean([least < value < most for value in drawn]) > 0.3
