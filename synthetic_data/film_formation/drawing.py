"""Random settings of a film's formation: wide on purpose, so that real films lie inside."""

from __future__ import annotations

from typing import Any

import numpy as np

from synthetic_data.film_formation.marks import FONTS, Mark
from synthetic_data.film_formation.shutters import Shutter

STYLES = ("radiography", "c_arm", "scanned_film")
WORDS = ("KNEE", "KNEE AP", "KNEE LAT", "SUPINE", "TABLE", "WB", "PORTABLE", "CR", "IMG", "SERIES")


def settings(rng: np.random.Generator, style: str, side: str) -> dict[str, Any]:
    """The fields of `Formation` for one random film."""
    if style not in STYLES:
        raise ValueError(f"expected a style among {STYLES}, got {style!r}")
    c_arm, scanned = style == "c_arm", style == "scanned_film"
    marks, marked = _marks(rng, style, side)
    shutters = _shutters(rng, c_arm)
    intensifier = c_arm and any(s.kind == "round" for s in shutters)
    return {
        "style": style,
        **_tone(rng, c_arm, scanned),
        "blur_px": _some(rng, 0.2, 0.4, 1.3),
        "noise": _noise(rng, c_arm, scanned),
        "grid": _some(rng, 0.06, 0.003, 0.012),
        "grid_period_px": float(rng.uniform(2.2, 12)),
        "grid_upright": bool(rng.random() < 0.5),
        "bits": int(rng.choice((8, 8, 10, 12))),
        "jpeg": int(rng.integers(40, 96)) if rng.random() < 0.4 else 0,
        "shutters": shutters,
        **_border(rng, scanned),
        "marks": marks,
        "side_marked": marked,
        "boxes": _boxes(rng),
        "cables": int(rng.integers(1, 4)) if rng.random() < (0.25 if c_arm else 0.06) else 0,
        "cable_strength": float(rng.uniform(0.05, 0.8)),
        "slab": _some(rng, 0.15, 0.02, 0.2),
        "dust": _some(rng, 0.8 if scanned else 0.03, 0.1, 1.0),
        "scratches": _some(rng, 0.5 if scanned else 0.0, 0.1, 1.5),
        "leak": _some(rng, 0.3 if scanned else 0.0, 0.1, 0.8),
        "uneven": _some(rng, 0.7 if scanned else 0.1, 0.01, 0.08),
        **_distortion(rng, intensifier),
        **_defects(rng, flat_panel=not scanned and not intensifier),
    }


def _distortion(rng: np.random.Generator, intensifier: bool) -> dict[str, float]:
    """A round field is an image intensifier's: most are distorted, some are corrected.

    Radii grow by a few per cent to a tenth at the rim, and the rim is turned by a few degrees
    (sizes from memory of papers on the calibration of C-arms).
    """
    distorted = intensifier and rng.random() < 0.8
    return {
        "pincushion": float(rng.uniform(0.01, 0.1)) if distorted else 0.0,
        "twist_deg": float(rng.normal(0, 2)) if distorted else 0.0,
    }


def _defects(rng: np.random.Generator, flat_panel: bool) -> dict[str, Any]:
    """Dead pixels and lines of a flat panel: rare, mostly mended (common practice, no source)."""
    if not flat_panel or rng.random() > 0.06:
        return {}
    return {
        "dead_pixels": float(np.exp(rng.uniform(np.log(1e-5), np.log(1e-3)))),
        "dead_lines": int(rng.poisson(0.7)),
        "dead_mended": bool(rng.random() < 0.8),
    }


def _some(rng: np.random.Generator, chance: float, least: float, most: float) -> float:
    """0, or with that chance something between."""
    return float(rng.uniform(least, most)) if rng.random() < chance else 0.0


def _noise(rng: np.random.Generator, c_arm: bool, scanned: bool) -> float:
    """Of the finished picture. The detector's own came with the exposure, and where a curve
    ends, nothing is left of it: most digital films are perfectly flat beside the limb."""
    most = 0.02 if scanned else 0.012
    drawn = float(np.exp(rng.uniform(np.log(0.0008), np.log(most))))
    return drawn if c_arm or scanned or rng.random() < 0.35 else 0.0


def _tone(rng: np.random.Generator, c_arm: bool, scanned: bool) -> dict[str, Any]:
    """Detail, window and curve."""
    if rng.random() < (0.25 if c_arm or scanned else 0.65):
        return _console(rng)
    strength = rng.uniform(0, 0.5) if scanned else rng.gamma(2.0, 0.35)
    shape = np.exp(rng.normal(0, 0.35, 5))
    gains = 1.0 + strength * shape * np.array([0.9, 1.0, 0.9, 0.6, 0.4])
    return {
        "gains": tuple(float(g) for g in gains[: rng.integers(3, 6)]),
        "base": float(rng.uniform(0.6, 1.0) if scanned or c_arm else rng.uniform(0.35, 1.0)),
        "sharpen": _some(rng, 0.35, 0.2, 1.5),
        "sharpen_share": float(np.exp(rng.uniform(np.log(0.002), np.log(0.08)))),
        **_exposure(rng, scanned),
        "dark": float(rng.choice((0.0, rng.uniform(0, 0.15)))),
        "bright": float(rng.uniform(0.75, 1.0)),
        "equalise": _some(rng, 0.2, 0.2, 0.9),
        "equalise_clip": float(rng.uniform(1.0, 4.0)),
        "equalise_tiles": int(rng.integers(2, 13)),
    }


def _console(rng: np.random.Generator) -> dict[str, Any]:
    """What consoles of digital radiography make of a limb today.

    The thickness of the flesh is compressed, everything finer than some 20 mm is raised about
    alike, and a steep curve leaves flesh dark and cortex nearly white. Ranges were
    set by comparison with real films (docs/explanation/realism.md); no other source.
    """
    shape = np.exp(rng.normal(0, 0.15, 6)) * np.array([1.4, 1.1, 0.75, 0.9, 1.3, 0.8])
    gains = 1.0 + rng.uniform(0.3, 1.1) * shape
    return {
        "gains": tuple(float(g) for g in gains[: rng.integers(5, 7)]),
        "base": float(rng.uniform(0.3, 0.6)),
        "sharpen": _some(rng, 0.6, 0.2, 1.5),
        "sharpen_share": float(np.exp(rng.uniform(np.log(0.0015), np.log(0.01)))),
        "low": float(rng.uniform(0.03, 0.2)),
        "high": float(rng.uniform(0.95, 1.15)),
        "gamma": float(np.clip(np.exp(rng.normal(0.68, 0.2)), 1.3, 3.6)),
        "sigmoid": float(rng.uniform(0, 0.4)),
        "dark": float(rng.choice((0.0, rng.uniform(0, 0.12)))),
        "bright": float(rng.uniform(0.85, 1.0)),
    }


def _exposure(rng: np.random.Generator, scanned: bool) -> dict[str, float]:
    """Window and curve: three films in four as they should be, the others at an extreme.

    Soft tissue takes up two thirds of the densities: a gamma about 2 leaves it at a third of the
    greys, as on most real films.
    """
    kind = rng.choice(("good", "washed out", "dark", "flat"), p=(0.76, 0.1, 0.08, 0.06))
    low, high = rng.uniform(-0.05, 0.15), rng.uniform(0.92, 1.25)
    gamma = float(np.clip(np.exp(rng.normal(0.65, 0.3)), 0.9, 3.2))
    sigmoid = rng.uniform(0, 1.0 if scanned else 0.6)
    if kind == "washed out":
        high, gamma = rng.uniform(0.74, 0.95), rng.uniform(0.9, 1.7)
    elif kind == "dark":
        low, high, gamma = rng.uniform(0.0, 0.3), rng.uniform(1.0, 1.15), rng.uniform(2.0, 3.0)
    elif kind == "flat":
        low, high, gamma = rng.uniform(-0.4, 0), rng.uniform(1.15, 1.5), rng.uniform(0.9, 1.7)
        sigmoid = 0.0
    return {"low": float(low), "high": float(high), "gamma": gamma, "sigmoid": float(sigmoid)}


def _shutters(rng: np.random.Generator, c_arm: bool) -> tuple[Shutter, ...]:
    """None, metal blades, software ones, both, or a round field."""
    out = []
    if c_arm and rng.random() < 0.7:
        out.append(
            Shutter(
                "round",
                centre=_pair(rng.normal(0.5, 0.01, 2)),
                half=(float(rng.uniform(0.46, 0.56)),) * 2,
                soft=float(rng.uniform(0.0, 0.006)),
                after=True,
                fill=float(rng.choice((0.0, 0.0, 0.0, rng.uniform(0, 0.2), 1.0))),
            )
        )
    if rng.random() < (0.2 if c_arm else 0.25):
        half = rng.uniform(0.3, 0.5, 2)
        if rng.random() < 0.5:
            half[rng.integers(2)] = 0.6
        after = bool(rng.random() < 0.75)
        out.append(
            Shutter(
                str(rng.choice(("rectangle", "rectangle", "rectangle", "polygon"))),
                centre=_pair(rng.normal(0.5, 0.04, 2)),
                half=_pair(half),
                angle_deg=float(rng.normal(0, 3) * (rng.random() < 0.6)),
                corners=tuple(float(v) for v in rng.uniform(0, 0.3, 8) * (rng.random(8) < 0.4)),
                soft=float(rng.uniform(0.0, 0.012)),
                leak=float(np.exp(rng.uniform(np.log(0.002), np.log(0.1)))),
                after=after,
                fill=float(rng.choice((0.0,) * 7 + (rng.uniform(0, 0.3), 1.0))),
            )
        )
    if rng.random() < 0.12:
        # One blade only: the white band along one side of many real films.
        edge = rng.integers(4)
        deep = rng.uniform(0.01, 0.09)
        shift = np.array([(deep, 0), (-deep, 0), (0, deep), (0, -deep)][edge])
        out.append(
            Shutter(
                "rectangle",
                centre=_pair(0.5 + shift / 2 + np.sign(shift) * 0.1),
                half=_pair(np.where(shift == 0, 0.8, 0.6 - deep / 2)),
                angle_deg=float(rng.normal(0, 0.8)),
                soft=float(rng.uniform(0.001, 0.01)),
                leak=float(np.exp(rng.uniform(np.log(0.002), np.log(0.1)))),
            )
        )
    return tuple(out)


def _pair(values: np.ndarray) -> tuple[float, float]:
    return float(values[0]), float(values[1])


def _border(rng: np.random.Generator, scanned: bool) -> dict[str, Any]:
    wide = _some(rng, 0.4 if scanned else 0.08, 0.003, 0.05)
    sides = (True,) * 4 if rng.random() < 0.5 else tuple(bool(v) for v in rng.random(4) < 0.5)
    grey = float(rng.choice((0.0, 1.0, rng.random())))
    return {"border": wide, "border_grey": grey, "border_sides": sides}


def _places(rng: np.random.Generator, count: int) -> tuple[tuple[float, float], ...]:
    """Anywhere but in the middle, where the joint is."""
    out: list[tuple[float, float]] = []
    while len(out) < count:
        place = rng.uniform(0.06, 0.94, 2)
        if np.abs(place - 0.5).max() > 0.22:
            out.append(_pair(place))
    return tuple(out)


def _marks(rng: np.random.Generator, style: str, side: str) -> tuple[tuple[Mark, ...], str]:
    """A side marker on most films, text on some; what the marker says."""
    marks, marked = [], ""
    if side and rng.random() < (0.35 if style == "c_arm" else 0.75):
        marked = side[0].upper()
        lead = bool(rng.random() < (0.9 if style == "scanned_film" else 0.5))
        below: tuple[str, ...] = ()
        if rng.random() < 0.5:
            below = (str(rng.choice((*WORDS, str(rng.integers(1, 999))))),)
        marks.append(
            Mark(
                (marked, *below),
                _places(rng, int(rng.integers(1, 9))),
                height=float(np.exp(rng.uniform(np.log(0.012), np.log(0.05)))),
                weight=float(rng.uniform(0.1, 0.3)),
                font=int(rng.integers(len(FONTS))),
                angle_deg=float(rng.normal(0, 6) if rng.random() < 0.8 else rng.uniform(-180, 180)),
                mirrored=bool(rng.random() < 0.06),
                frame=str(rng.choice(("none", "none", "none", "box", "ring", "plate"))),
                lead=lead,
                grey=float(rng.uniform(0.6, 1.0)),
            )
        )
    while rng.random() < 0.3 and len(marks) < 5:
        corner = np.array([rng.choice((0.12, 0.5, 0.88)), rng.choice((0.05, 0.95))])
        marks.append(
            Mark(
                (str(rng.choice(WORDS)) + str(rng.choice(("", f" {rng.integers(1, 99999)}"))),),
                (_pair(corner + rng.normal(0, 0.02, 2)),),
                height=float(rng.uniform(0.008, 0.02)),
                weight=float(rng.uniform(0.08, 0.18)),
                font=int(rng.integers(len(FONTS))),
                frame=str(rng.choice(("none", "none", "plate"))),
                grey=float(rng.uniform(0.4, 1.0)),
            )
        )
    return tuple(marks), marked


def _boxes(rng: np.random.Generator) -> tuple[tuple[float, float, float, float, float], ...]:
    """Blanked rectangles, as where a name was taken out."""
    out: list[tuple[float, float, float, float, float]] = []
    while rng.random() < 0.15 and len(out) < 3:
        x, y = rng.uniform(0, 0.9, 2)
        w, h = rng.uniform(0.03, 0.2), rng.uniform(0.02, 0.1)
        grey = rng.choice((0.0, 1.0, rng.random()))
        out.append((float(x), float(y), float(min(1, x + w)), float(min(1, y + h)), float(grey)))
    return tuple(out)
