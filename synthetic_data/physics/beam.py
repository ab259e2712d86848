"""X-ray beams and what they leave behind materials (tables: `make_tables.py`)."""

from __future__ import annotations

import csv
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import nnls

from pipeline.knee.compiled import compiled
from pipeline.knee.errors import Problem

Array = NDArray[np.float64]
Map = NDArray[Any]

DATA = Path(__file__).parent / "data"
TABLED_FILTER_MM = 2.5
NODES = 8
POLY = (0.999999945, 0.693143202, 0.240179489, 0.055299607, 0.009210876, 0.000947554)


@lru_cache(maxsize=1)
def _attenuation() -> tuple[Array, dict[str, Array], dict[str, float]]:
    with open(DATA / "attenuation.csv", newline="") as file:
        head, densities, *rows = list(csv.reader(file))
    table = np.array(rows, dtype=np.float64)
    mass = {name: table[:, i] for i, name in enumerate(head) if i}
    return table[:, 0], mass, {name: float(densities[i]) for i, name in enumerate(head) if i}


@lru_cache(maxsize=1)
def _spectra() -> Array:
    with open(DATA / "spectra.csv", newline="") as file:
        return np.array(list(csv.reader(file))[1:], dtype=np.float64)


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
    rows = _spectra()
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


@lru_cache(maxsize=1024)
def beam(kvp: float = 65.0, al_mm: float = 2.5, cu_mm: float = 0.0, csi_mm: float = 0.5) -> Beam:
    """The beam as seen by an energy-integrating caesium iodide detector `csi_mm` thick.

    Signal of an energy = photons x share absorbed x energy (no escape of characteristic
    radiation). The 90 energies are fused to at most eight by non-negative least squares over
    120 mixtures of tissue, bone and metal.
    """
    energies, photons = spectrum(kvp, al_mm, cu_mm)
    absorbed = 1.0 - np.exp(-linear_attenuation("caesium_iodide") * csi_mm)
    full = photons * absorbed * energies
    full /= full.sum()
    mu = {name: linear_attenuation(name) for name in materials_known()}

    rng = np.random.default_rng(0)
    count = 120
    soft = rng.uniform(0, 260, count)
    fat = np.where(rng.random(count) < 0.5, rng.uniform(0, 120, count), 0.0)
    bone = np.where(rng.random(count) < 0.7, rng.uniform(0, 45, count), 0.0)
    metal = np.where(rng.random(count) < 0.15, rng.uniform(0, 6, count), 0.0)
    soft[0] = fat[0] = bone[0] = metal[0] = 0.0
    paths = np.stack([soft, fat, bone, metal])
    table = np.stack([mu[name] for name in ("muscle", "adipose", "cortical", "titanium")])
    left = np.exp(-(paths.T @ table))
    whole = left @ full
    candidates = np.flatnonzero(full > 0)
    # The full spectrum solves these equations exactly. Only the eight strongest combinations of
    # them are kept, and non-negative least squares then leaves at most eight energies.
    relative = left[:, candidates] / whole[:, None]
    # (Found by subspace iteration: a full decomposition costs a hundred times as much.)
    strongest = rng.standard_normal((len(relative), NODES))
    for _ in range(4):
        strongest = np.linalg.qr(relative @ (relative.T @ strongest))[0]
    weights, _ = nnls(strongest.T @ relative, strongest.T @ np.ones(len(relative)), maxiter=4000)
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


@compiled
def _add_node(blocks, mu, weight, depth, out):  # type: ignore[no-untyped-def]
    """Adds weight x exp(-mu . path) of one energy to `out` (pixels,)."""
    depth[:] = np.float32(0.0)
    for m in range(blocks.shape[0]):
        for i in range(out.shape[0]):
            depth[i] += mu[m] * blocks[m, i]
    for i in range(out.shape[0]):
        # 2 ** -(whole + part): the whole goes into the exponent's bits, the part into a
        # polynomial (least squares at Chebyshev nodes, relative error below 4e-7).
        y = min(depth[i] * np.float32(1.44269504), np.float32(125.0))
        whole = np.int32(y)
        p = np.float32(whole) - y
        part = np.float32(POLY[5])
        part = part * p + np.float32(POLY[4])
        part = part * p + np.float32(POLY[3])
        part = part * p + np.float32(POLY[2])
        part = part * p + np.float32(POLY[1])
        part = part * p + np.float32(POLY[0])
        scale = np.int32((np.int32(127) - whole) << np.int32(23)).view(np.float32)
        out[i] += weight * part * scale
    return 0


def transmit(thickness: Mapping[str, Map], used: Beam) -> Map:
    """Primary detector signal as a share of the open beam's.

    Args:
        thickness: material to its (rows, columns) path lengths, mm; all of one shape.
        used: from `beam`.

    Returns:
        (rows, columns) float32, 1 = nothing in the way.
    """
    names = list(thickness)
    shape = thickness[names[0]].shape
    mu = np.stack([used.mu[name] for name in names]).astype(np.float32).T
    weights = used.weights.astype(np.float32)
    out = np.zeros(shape, np.float32)
    # Few rows at once, so that the work stays in the cache.
    step = max(1, 8192 // max(1, shape[1]))
    for top in range(0, shape[0], step):
        block = np.stack([thickness[name][top : top + step] for name in names], dtype=np.float32)
        block = block.reshape(len(names), -1)
        depth = np.empty(block.shape[1], np.float32)
        part = np.zeros(block.shape[1], np.float32)
        for node, weight in zip(mu, weights, strict=True):
            _add_node(block, node, weight, depth, part)
        out[top : top + step] = part.reshape(-1, shape[1])
    return out
