"""Writes `data/attenuation.csv` and `data/spectra.csv`; needed only to change them.

Run as `python -m synthetic_data.physics.make_tables attenuation` (needs xraylib) and
`python -m synthetic_data.physics.make_tables spectra` (needs spekpy, which brings its own large
tables: an environment to throw away is the place for it).

Elemental mass fractions: ICRU Report 44 (1989), *Tissue Substitutes in Radiation Dosimetry and
Measurement*, for tissues and PMMA; from memory, checked by tests against the published
coefficients. Alloys: nominal mid-range compositions of ASTM F138 (steel), F136 (titanium, 6 %
aluminium, 4 % vanadium) and F75 (cobalt-chrome), from memory. Cement: PMMA with a tenth of its
mass barium sulphate, common practice, no source.
"""

from __future__ import annotations

import csv
import sys
from pathlib import Path

import numpy as np

DATA = Path(__file__).parent / "data"
ENERGIES_KEV = np.arange(10.5, 100.0, 1.0)

H, C, N, OX, NA, MG, P, S, CL, K, CA = 1, 6, 7, 8, 11, 12, 15, 16, 17, 19, 20
MATERIALS: dict[str, tuple[float, dict[int, float]]] = {
    "cortical": (
        1.92,
        {H: 3.4, C: 15.5, N: 4.2, OX: 43.5, NA: 0.1, MG: 0.2, P: 10.3, S: 0.3, CA: 22.5},
    ),
    # Half red, half yellow marrow by mass.
    "marrow": (
        1.00,
        {
            H: 11.0,
            C: 52.9,
            N: 2.05,
            OX: 33.5,
            NA: 0.05,
            P: 0.05,
            S: 0.15,
            CL: 0.15,
            K: 0.1,
            26: 0.05,
        },
    ),
    "muscle": (
        1.05,
        {H: 10.2, C: 14.3, N: 3.4, OX: 71.0, NA: 0.1, P: 0.2, S: 0.3, CL: 0.1, K: 0.4},
    ),
    "adipose": (0.95, {H: 11.4, C: 59.8, N: 0.7, OX: 27.8, NA: 0.1, S: 0.1, CL: 0.1}),
    "water": (1.00, {H: 11.19, OX: 88.81}),
    "polyethylene": (0.94, {H: 14.37, C: 85.63}),
    "cement": (
        1.25,
        {H: 0.9 * 8.05, C: 0.9 * 59.98, OX: 0.9 * 31.96 + 2.742, S: 1.374, 56: 5.884},
    ),
    "steel": (8.0, {26: 64.0, 24: 18.0, 28: 14.0, 42: 2.5, 25: 1.5}),
    "titanium": (4.43, {22: 90.0, 13: 6.0, 23: 4.0}),
    "cobalt_chrome": (8.3, {27: 65.0, 24: 28.5, 42: 6.0, 14: 0.5}),
    "lead": (11.35, {82: 100.0}),
    "aluminium": (2.699, {13: 100.0}),
    "copper": (8.96, {29: 100.0}),
    "caesium_iodide": (4.51, {55: 51.15, 53: 48.85}),
}
KILOVOLTS = tuple(range(50, 91, 5))
FILTER_MM = 2.5


def attenuation() -> None:
    """Mass attenuation with coherent scattering, cm2/g, by xraylib."""
    import xraylib

    with open(DATA / "attenuation.csv", "w", newline="") as file:
        out = csv.writer(file, lineterminator="\n")
        out.writerow(["keV", *MATERIALS])
        out.writerow(["g/cm3", *(density for density, _ in MATERIALS.values())])
        for energy in ENERGIES_KEV:
            row = []
            for _, parts in MATERIALS.values():
                whole = sum(parts.values())
                mu = sum(w * xraylib.CS_Total(z, float(energy)) for z, w in parts.items()) / whole
                row.append(f"{mu:.5g}")
            out.writerow([energy, *row])


def spectra() -> None:
    """Share of the photons in each 1 keV bin behind 2.5 mm of aluminium, by spekpy.

    Tungsten anode at 12 degrees. More filtration is applied at run time by Beer and Lambert.
    """
    import spekpy

    with open(DATA / "spectra.csv", "w", newline="") as file:
        out = csv.writer(file, lineterminator="\n")
        out.writerow(["kV", *ENERGIES_KEV])
        for kilovolts in KILOVOLTS:
            beam = spekpy.Spek(kvp=kilovolts, th=12, dk=1.0, physics="casim")
            beam.filter("Al", FILTER_MM)
            energy, photons = beam.get_spectrum(edges=False)
            row = np.interp(ENERGIES_KEV, energy, photons, left=0.0, right=0.0)
            row /= row.sum()
            out.writerow([kilovolts, *(f"{value:.4g}" for value in row)])


if __name__ == "__main__":
    {"attenuation": attenuation, "spectra": spectra}[sys.argv[1]]()
