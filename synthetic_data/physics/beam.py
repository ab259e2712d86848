"""X-ray beams and what they leave behind materials (tables: `make_tables.py`)."""

from __future__ import annotations

import csv
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import nnls

from pipeline.knee.compiled import fused
from pipeline.knee.errors import Problem

Array = NDArray[np.float64]
Map = NDArray[Any]

DATA = Path(__file__).parent / "data"
TABLED_FILTER_MM = 2.5
NODES = 8
TISSUES = ("cortical", "marrow", "muscle", "adipose")
POLY = (1.00000007, 0.69314695, 0.24022122, 0.05550743, 0.00967546, 0.0013267)
"""2 to the power of -0.5 to 0.5: least squares at Chebyshev nodes, relative error 8e-8."""


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


@fused
def _half_to(y):  # type: ignore[no-untyped-def]
    """2 ** -y for float32 y of 0 or more, relative error below 4e-7."""
    y = min(y, np.float32(125.0))
    # Adding 1.5 x 2**23 leaves the nearest whole number in the last bits. The rest, half at
    # most, goes into a polynomial, the whole number into the exponent's bits.
    whole = y + np.float32(12582912.0)
    f = (whole - np.float32(12582912.0)) - y
    p = np.float32(POLY[5])
    p = p * f + np.float32(POLY[4])
    p = p * f + np.float32(POLY[3])
    p = p * f + np.float32(POLY[2])
    p = p * f + np.float32(POLY[1])
    p = p * f + np.float32(POLY[0])
    down = np.float32(whole).view(np.int32) << np.int32(23)
    return np.int32(np.float32(p).view(np.int32) - down).view(np.float32)


@fused
def _add_tissue(a, b, c, d, mu, weight, out):  # type: ignore[no-untyped-def]
    """Adds to `out` the signal behind four thicknesses (pixels,), two energies at a time.

    Args:
        mu: (K, 4) attenuation x log2(e), K even.
        weight: (K,).
    """
    for n in range(0, mu.shape[0], 2):
        a0, b0, c0, d0, w0 = mu[n, 0], mu[n, 1], mu[n, 2], mu[n, 3], weight[n]
        a1, b1, c1, d1 = mu[n + 1, 0], mu[n + 1, 1], mu[n + 1, 2], mu[n + 1, 3]
        w1 = weight[n + 1]
        for i in range(out.shape[0]):
            first = _half_to(a0 * a[i] + b0 * b[i] + c0 * c[i] + d0 * d[i])
            second = _half_to(a1 * a[i] + b1 * b[i] + c1 * c[i] + d1 * d[i])
            out[i] += w0 * first + w1 * second
    return 0


@fused
def _through_tissue(a, b, c, d, mu, weight, out):  # type: ignore[no-untyped-def]
    """The signal itself, in `out`."""
    size, run = out.shape[0], 512
    for begin in range(0, size, run):
        # A run of pixels stays in the cache for all energies; air at its ends is left out.
        i, j = begin, min(begin + run, size)
        while i < j and a[i] + b[i] + c[i] + d[i] == np.float32(0.0):
            out[i] = np.float32(1.0)
            i += 1
        while i < j and a[j - 1] + b[j - 1] + c[j - 1] + d[j - 1] == np.float32(0.0):
            j -= 1
            out[j] = np.float32(1.0)
        out[i:j] = np.float32(0.0)
        _add_tissue(a[i:j], b[i:j], c[i:j], d[i:j], mu, weight, out[i:j])
    return 0


@fused
def _through_all(blocks, mu, weight, out):  # type: ignore[no-untyped-def]
    """The same for any number of thicknesses (M, pixels), `mu` (K, M)."""
    depth = np.empty(out.shape[0], np.float32)
    out[:] = np.float32(0.0)
    for n in range(mu.shape[0]):
        depth[:] = np.float32(0.0)
        for m in range(blocks.shape[0]):
            for i in range(out.shape[0]):
                depth[i] += mu[n, m] * blocks[m, i]
        for i in range(out.shape[0]):
            out[i] += weight[n] * _half_to(depth[i])
    return 0


def transmit(thickness: Mapping[str, Map], used: Beam) -> Map:
    """Primary detector signal as a share of the open beam's.

    Args:
        thickness: material to its (rows, columns) path lengths, mm; all of one shape.
        used: from `beam`.

    Returns:
        (rows, columns) float32, 1 = nothing in the way.
    """
    shape = next(iter(thickness.values())).shape
    weight = used.weights.astype(np.float32)
    flat = {
        name: np.ascontiguousarray(path, dtype=np.float32).reshape(-1)
        for name, path in thickness.items()
    }

    def attenuation(names: Sequence[str]) -> Map:
        rows = [used.mu[name] if name else 0 * used.weights for name in names]
        return np.ascontiguousarray(np.stack(rows, axis=1) * np.log2(np.e), dtype=np.float32)

    out = np.empty(shape[0] * shape[1], np.float32)
    tissue = [name if name in flat else "" for name in TISSUES]
    nothing = np.zeros_like(out) if "" in tissue else out
    mu, pairs = attenuation(tissue), weight
    if len(weight) % 2:
        mu, pairs = np.vstack([mu, 0 * mu[:1]]), np.append(weight, np.float32(0))
    _through_tissue(*(flat.get(name, nothing) for name in tissue), mu, pairs, out)
    # What is not tissue covers few pixels: only there is everything counted.
    others = [name for name in flat if name not in TISSUES]
    if others:
        covered = flat[others[0]] > 0
        for name in others[1:]:
            covered |= flat[name] > 0
        places = np.flatnonzero(covered)
        mu = attenuation(list(flat))
        for begin in range(0, len(places), 2048):
            here = places[begin : begin + 2048]
            part = np.empty(len(here), np.float32)
            _through_all(np.stack([path[here] for path in flat.values()]), mu, weight, part)
            out[here] = part
    return out.reshape(shape)
