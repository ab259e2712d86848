"""Photons followed one by one through water: what scatter really does, to check ours against.

Cross sections and form factors: xraylib. Free-electron Compton angles (Klein and Nishina 1929),
coherent angles by the form factor of water's atoms taken apart.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import xraylib

from synthetic_data.physics.beam import linear_attenuation, spectrum

WATER = (("H", 1, 2 * 1.008 / 18.015), ("O", 8, 15.999 / 18.015))
GRID = np.arange(8.0, 91.0)


@lru_cache(maxsize=1)
def _tables() -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """1/mm by energy: total, Compton, coherent; and cumulated coherent cosines (E, A)."""
    total, compton, coherent = (
        np.array([sum(share * cs(z, float(e)) for _, z, share in WATER) for e in GRID]) / 10
        for cs in (xraylib.CS_Total, xraylib.CS_Compt, xraylib.CS_Rayl)
    )
    angle = np.linspace(0, np.pi, 361)
    spread = np.array(
        [
            [
                sum(share * xraylib.DCS_Rayl(z, float(e), float(a)) for _, z, share in WATER)
                * np.sin(a)
                for a in angle
            ]
            for e in GRID
        ]
    )
    cumulated = np.cumsum(spread, axis=1)
    return total, compton, coherent, cumulated / cumulated[:, -1:]


def scatter_to_primary(
    thickness: float,
    *,
    kvp: float,
    radius: float,
    gap: float,
    photons: int = 60000,
    seed: int = 0,
) -> float:
    """Scatter to primary, energy-integrating detector, in the middle of a round field.

    Args:
        thickness: of the water, mm.
        radius: of the field at the detector, mm.
        gap: of air between water and detector, mm.

    A pencil beam is followed: by reciprocity what falls within `radius` of its axis is what
    the middle of a field of that radius receives.
    """
    rng = np.random.default_rng(seed)
    energies, share = spectrum(kvp)
    total, compton, coherent, coherent_cosines = _tables()
    angle = np.linspace(0, np.pi, 361)
    absorbing = linear_attenuation("caesium_iodide")

    def signal(e: np.ndarray, down: np.ndarray) -> np.ndarray:
        return e * (1 - np.exp(-np.interp(e, energies, absorbing) * 0.5 / down))

    e = rng.choice(energies, photons, p=share)
    through = np.exp(-np.interp(e, GRID, total) * thickness)
    primary = float((signal(e, np.ones(photons)) * through).sum())
    place, way = np.zeros((photons, 3)), np.tile([0.0, 0.0, 1.0], (photons, 1))
    # The first interaction is forced inside the water and weighed.
    mu = np.interp(e, GRID, total)
    first = -np.log(1 - rng.random(photons) * (1 - through)) / mu
    weight = 1 - through
    place[:, 2] = first
    scattered = 0.0
    for _ in range(25):
        mu, c, r = (np.interp(e, GRID, t) for t in (total, compton, coherent))
        weight = weight * (c + r) / mu
        by_compton = rng.random(len(e)) < c / (c + r)
        # Klein and Nishina by rejection (Kahn's angles would do as well).
        cosine = np.empty(len(e))
        left = np.flatnonzero(by_compton)
        while len(left):
            try_ = rng.uniform(-1, 1, len(left))
            ratio = 1 / (1 + e[left] / 511.0 * (1 - try_))
            chance = ratio**2 * (ratio + 1 / ratio - 1 + try_**2) / 2
            ok = rng.random(len(left)) < chance
            cosine[left[ok]] = try_[ok]
            left = left[~ok]
        row = np.clip(np.rint(e - GRID[0]).astype(int), 0, len(GRID) - 1)
        for n in np.unique(row[~by_compton]):
            these = ~by_compton & (row == n)
            drawn = rng.random(these.sum())
            cosine[these] = np.cos(np.interp(drawn, coherent_cosines[n], angle))
        e = np.where(by_compton, e / (1 + e / 511.0 * (1 - cosine)), e)
        way = _turned(way, cosine, rng.uniform(0, 2 * np.pi, len(e)))
        step = -np.log(rng.random(len(e))) / np.interp(e, GRID, total)
        z = place[:, 2] + step * way[:, 2]
        out = z >= thickness
        flown = (thickness - place[out, 2]) / way[out, 2]
        at = place[out] + flown[:, None] * way[out]
        at = at[:, :2] + gap * way[out, :2] / way[out, 2:]
        inside = np.hypot(*at.T) < radius
        scattered += float((weight[out] * signal(e[out], way[out, 2]))[inside].sum())
        go = (z > 0) & ~out & (e > 9)
        place, way, e, weight = (place + step[:, None] * way)[go], way[go], e[go], weight[go]
        if len(e) == 0:
            break
    return scattered / primary


def _turned(way: np.ndarray, cosine: np.ndarray, around: np.ndarray) -> np.ndarray:
    """Directions turned away from `way` by an angle, about it by another."""
    helper = np.where(np.abs(way[:, 2:]) < 0.9, [[0.0, 0.0, 1.0]], [[1.0, 0.0, 0.0]])
    a = np.cross(way, helper)
    a /= np.linalg.norm(a, axis=1, keepdims=True)
    b = np.cross(way, a)
    sine = np.sqrt(np.maximum(0, 1 - cosine**2))
    return (
        cosine[:, None] * way
        + (sine * np.cos(around))[:, None] * a
        + (sine * np.sin(around))[:, None] * b
    )
