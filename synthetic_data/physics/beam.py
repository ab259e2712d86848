"""X-ray beams and what they leave behind materials (tables: `make_tables.py`)."""

from __future__ import annotations

import csv
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import nnls

from pipeline.knee.errors import Problem

Array = NDArray[np.float64]

DATA = Path(__file__).parent / "data"
TABLED_FILTER_MM = 2.5
NODES = 8


@lru_cache(maxsize=1)
def _attenuation() -> tuple[Array, dict[str, Array], dict[str, float]]:
    with open(DATA / "attenuation.csv", newline="") as file:
        head, densities, *rows = list(csv.reader(file))
    table = np.array(rows, dtype=np.float64)
    mass = {name: table[:, i] for i, name in enumerate(head) if i}
    return table[:, 0], mass, {name: float(densities[i]) for i, name in enumerate(head) if i}


def materials_known() -> tuple[str, ...]:
    """Names of the materials in the table."""
    return tuple(_attenuation()[1])


def mass_attenuation(material: str, energy_kev: Array | float) -> Array:
    """cm2/g at energies from 10.5 to 99.5 keV, log-log between the table's 1 keV steps."""
    energies, mass, _ = _attenuation()
    _known(material)
    return np.exp(np.interp(np.log(energy_kev), np.log(energies), np.log(mass[material])))


def linear_attenuation(material: str) -> Array:
    """(90,) 1/mm at the energies of `spectrum`."""
    _known(material)
    _, mass, density = _attenuation()
    return mass[material] * density[material] / 10.0


def _known(material: str) -> None:
    if material not in materials_known():
        raise Problem(material, "no such material", f"choose from {', '.join(materials_known())}")


def spectrum(kvp: float, al_mm: float = 2.5, cu_mm: float = 0.0) -> tuple[Array, Array]:
    """Energies (90,) keV and the share of the photons at each, behind the filters.

    Between the tabled tube voltages (50 to 90 kV in steps of 5) spectra are mixed linearly,
    energies taken as shares of the highest one.
    """
    energies, _, _ = _attenuation()
    with open(DATA / "spectra.csv", newline="") as file:
        rows = np.array(list(csv.reader(file))[1:], dtype=np.float64)
    if not rows[0, 0] <= kvp <= rows[-1, 0] or al_mm < TABLED_FILTER_MM or cu_mm < 0:
        raise Problem(
            "beam",
            f"{kvp} kV with {al_mm} mm Al and {cu_mm} mm Cu is not tabled",
            f"choose 50 to 90 kV, {TABLED_FILTER_MM} mm Al or more and Cu of 0 or more",
        )
    upper = int(np.clip(np.searchsorted(rows[:, 0], kvp), 1, len(rows) - 1))
    mixed = np.zeros_like(energies)
    for row, weight in (
        (rows[upper - 1], (rows[upper, 0] - kvp) / (rows[upper, 0] - rows[upper - 1, 0])),
        (rows[upper], (kvp - rows[upper - 1, 0]) / (rows[upper, 0] - rows[upper - 1, 0])),
    ):
        stretched = np.interp(energies * row[0] / kvp, energies, row[1:], left=0.0, right=0.0)
        mixed += weight * stretched
    mixed *= np.exp(
        -linear_attenuation("aluminium") * (al_mm - TABLED_FILTER_MM)
        - linear_attenuation("copper") * cu_mm
    )
    return energies, mixed / mixed.sum()


@dataclass(frozen=True)
class Beam:
    """A spectrum fused to a few energies that give the same detector signal.

    Attributes:
        weights: (K,) share of the open-beam signal at each energy; they add up to 1.
        mu: material to its (K,) linear attenuation, 1/mm.
        energy_kev: (K,) the energies.
        excess: variance of the signal behind a knee over that of as many equal quanta as make
            the open beam: harder quanta add more each.
    """

    weights: Array
    mu: Mapping[str, Array]
    energy_kev: Array
    excess: float


@lru_cache(maxsize=256)
def beam(kvp: float = 65.0, al_mm: float = 2.5, cu_mm: float = 0.0, csi_mm: float = 0.5) -> Beam:
    """The beam as seen by an energy-integrating caesium iodide detector `csi_mm` thick.

    Signal of an energy = photons x share absorbed x energy (no escape of characteristic
    radiation). The 90 energies are fused to at most eight by non-negative least squares over
    400 mixtures of tissue, bone and metal.
    """
    energies, photons = spectrum(kvp, al_mm, cu_mm)
    absorbed = 1.0 - np.exp(-linear_attenuation("caesium_iodide") * csi_mm)
    full = photons * absorbed * energies
    full /= full.sum()
    mu = {name: linear_attenuation(name) for name in materials_known()}

    rng = np.random.default_rng(0)
    soft = np.concatenate([[0.0], rng.uniform(0, 260, 399)])
    fat = np.where(rng.random(400) < 0.5, rng.uniform(0, 120, 400), 0.0)
    bone = np.where(rng.random(400) < 0.7, rng.uniform(0, 45, 400), 0.0)
    metal = np.where(rng.random(400) < 0.15, rng.uniform(0, 6, 400), 0.0)
    fat[0] = bone[0] = metal[0] = 0.0
    paths = np.stack([soft, fat, bone, metal])
    table = np.stack([mu[name] for name in ("muscle", "adipose", "cortical", "titanium")])
    left = np.exp(-(paths.T @ table))
    whole = left @ full
    candidates = np.flatnonzero(full > 0)
    # The full spectrum solves these equations exactly. Only the eight strongest combinations of
    # them are kept, and non-negative least squares then leaves at most eight energies.
    relative = left[:, candidates] / whole[:, None]
    strongest = np.linalg.svd(relative, full_matrices=False)[0][:, :NODES].T
    weights, _ = nnls(strongest @ relative, strongest @ np.ones(400), maxiter=4000)
    kept = candidates[weights > 1e-9]
    weights = weights[weights > 1e-9]
    behind = full * np.exp(-100.0 * mu["muscle"])
    return Beam(
        weights=weights / weights.sum(),
        mu={name: values[kept] for name, values in mu.items()},
        energy_kev=energies[kept],
        excess=float((behind * energies).sum() / behind.sum() / _mean_energy(full, energies)),
    )


def _mean_energy(signal: Array, energies: Array) -> float:
    """keV of the mean quantum that adds up to a signal given per energy."""
    return float(signal.sum() / (signal / energies).sum())


def transmit(
    thickness: Mapping[str, NDArray[np.float32]], used: Beam, rows_at_once: int = 16
) -> NDArray[np.float32]:
    """Primary detector signal as a share of the open beam's.

    Args:
        thickness: material to its (rows, columns) path lengths, mm; all of one shape.
        used: from `beam`.
        rows_at_once: rows worked on together, so that the products stay in the cache.

    Returns:
        (rows, columns) float32, 1 = nothing in the way.
    """
    names: Sequence[str] = list(thickness)
    shape = thickness[names[0]].shape
    mu = np.stack([used.mu[name] for name in names]).astype(np.float32).T
    weights = used.weights.astype(np.float32)
    out = np.empty(shape, np.float32)
    for top in range(0, shape[0], rows_at_once):
        block = np.stack([thickness[name][top : top + rows_at_once] for name in names])
        left = -mu @ block.reshape(len(names), -1)
        np.exp(left, out=left)
        out[top : top + rows_at_once] = (weights @ left).reshape(-1, shape[1])
    return out
