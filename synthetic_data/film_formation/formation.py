"""From the detector's signal to the picture that a console or an archive shows."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from synthetic_data.film_formation import damage, drawing, tone
from synthetic_data.film_formation.distortion import Distortion
from synthetic_data.film_formation.marks import Mark, place, press, stamp
from synthetic_data.film_formation.shutters import Shutter, opening

Map = NDArray[Any]

STEP = 7
"""Every how many pixels the window is measured."""


@dataclass(frozen=True)
class Formation:
    """Everything that is done to one film.

    `draw` makes random ones; the plain constructor gives a mild, clean film.

    Attributes:
        style: `radiography`, `c_arm` or `scanned_film`.
        gains: gain of each scale, finest first; 1 leaves it alone.
        base: gain of the coarsest scale.
        sharpen, sharpen_share: amount and radius (share of the smaller side) of an unsharp mask.
        low, high: ends of the window, as quantiles' places: 0 = the open beam (or the thinnest
            place where there is none), 1 = nearly the thickest place.
        gamma, sigmoid, dark, bright: see `tone.curve`.
        equalise, equalise_clip, equalise_tiles: see `tone.equalised`; 0 = not at all.
        blur_px: standard deviation of a blur of the finished picture.
        noise: standard deviation of noise added to the finished picture.
        grid, grid_period_px, grid_upright: see `damage.grid_lines`.
        bits: grey levels kept, 2 to the power of it.
        jpeg: quality, 0 = none.
        shutters: openings.
        border, border_grey: width of a border as a share of the smaller side, 0 = none.
        border_sides: which sides have it: top, right, bottom, left.
        marks: text; the side marker, where there is one, comes first.
        side_marked: `R` or `L` where the film carries a side marker, else "".
        boxes: burnt-in rectangles (x0, y0, x1, y1, grey), shares of the film.
        cables, cable_strength: how many, and -ln of what gets through.
        slab: -ln of what gets through the table's edge, 0 = none.
        dust, scratches, leak, uneven: see `damage`; 0 = none.
        dead_pixels, dead_lines, dead_mended: see `damage.dead`; 0 = none.
        pincushion, twist_deg: distortion of an image intensifier about its round field
            (`distortion.Distortion`); 0 = none.
    """

    style: str = "radiography"
    gains: tuple[float, ...] = (1.2, 1.3, 1.2, 1.1)
    base: float = 0.8
    sharpen: float = 0.0
    sharpen_share: float = 0.01
    low: float = 0.0
    high: float = 1.0
    gamma: float = 2.0
    sigmoid: float = 0.2
    dark: float = 0.05
    bright: float = 1.0
    equalise: float = 0.0
    equalise_clip: float = 2.0
    equalise_tiles: int = 8
    blur_px: float = 0.0
    noise: float = 0.0
    grid: float = 0.0
    grid_period_px: float = 4.0
    grid_upright: bool = True
    bits: int = 12
    jpeg: int = 0
    shutters: tuple[Shutter, ...] = ()
    border: float = 0.0
    border_grey: float = 0.0
    border_sides: tuple[bool, bool, bool, bool] = (True, True, True, True)
    marks: tuple[Mark, ...] = ()
    side_marked: str = ""
    boxes: tuple[tuple[float, float, float, float, float], ...] = ()
    cables: int = 0
    cable_strength: float = 0.2
    slab: float = 0.0
    dust: float = 0.0
    scratches: float = 0.0
    leak: float = 0.0
    uneven: float = 0.0
    dead_pixels: float = 0.0
    dead_lines: int = 0
    dead_mended: bool = False
    pincushion: float = 0.0
    twist_deg: float = 0.0

    @classmethod
    def draw(cls, rng: np.random.Generator, style: str, side: str = "") -> Formation:
        """A random film of a style.

        Args:
            style: `radiography`, `c_arm` or `scanned_film`.
            side: `right` or `left`: what a side marker, if one is drawn, will say; "" = none.
        """
        return cls(**drawing.settings(rng, style, side))

    def distortion(self, shape: tuple[int, int]) -> Distortion | None:
        """The map that a film of (rows, columns) went through; None where there is none."""
        if self.pincushion == 0 and self.twist_deg == 0:
            return None
        rows, columns = shape
        field = next((s for s in self.shutters if s.kind == "round"), Shutter("round"))
        return Distortion(
            (field.centre[0] * columns, field.centre[1] * rows),
            field.half[0] * min(shape),
            self.pincushion,
            self.twist_deg,
        )

    def shows(self, shape: tuple[int, int], xy: NDArray[Any]) -> NDArray[np.bool_]:
        """(N,) whether a film of (rows, columns) shows anything at (N, 2) pixels: nothing beyond
        its edge, behind a shutter, under a border or a box."""
        shown = np.ones(shape, dtype=np.float32)
        for shutter in self.shutters:
            np.minimum(shown, opening(shape, shutter), out=shown)
        bare = replace(
            self,
            shutters=(),
            boxes=tuple((*box[:4], 0.0) for box in self.boxes),
            border_grey=0.0,
            marks=(),
        )
        _cover(shown, bare, [])
        at = np.rint(np.asarray(xy, dtype=np.float64)).astype(np.int64).reshape(-1, 2)
        on_film = ((at >= 0) & (at < np.array(shape[::-1]))).all(axis=1)
        found = np.zeros(len(at), dtype=bool)
        found[on_film] = shown[at[on_film, 1], at[on_film, 0]] > 0.5
        return found

    def facts(self) -> Mapping[str, float | str]:
        """Plain values for the record."""
        plain: dict[str, float | str] = {}
        for name, value in asdict(self).items():
            if isinstance(value, bool | int | float):
                plain[name] = float(value)
            elif isinstance(value, str):
                plain[name] = value
        return plain | {"shutters": ",".join(s.kind for s in self.shutters)}


def form(signal: Map, formation: Formation, rng: np.random.Generator) -> Map:
    """The picture.

    Args:
        signal: (rows, columns) float32, 1 = open beam, above 0 (`physics.exposure.expose`).
        formation: settings.
        rng: where specks, hairs and noise fall.

    Returns:
        (rows, columns) float32, 0 (black) to 1 (white), bone bright; geometry untouched but for
        `formation.distortion`.
    """
    distortion = formation.distortion(signal.shape)  # type: ignore[arg-type]
    if distortion is not None:
        signal = distortion.picture(signal)
    if formation.dead_pixels > 0 or formation.dead_lines > 0:
        signal = signal.copy()
        damage.dead(signal, formation.dead_pixels, formation.dead_lines, formation.dead_mended, rng)
    thick = tone.density(signal)
    if formation.slab > 0:
        damage.slab(thick, formation.slab, rng)
    for _ in range(formation.cables):
        width = rng.uniform(0.004, 0.02) * min(signal.shape)
        damage.cable(thick, formation.cable_strength, width, rng)
    exposed = np.ones_like(thick[::STEP, ::STEP], dtype=bool)
    low, high = window(thick, exposed)
    spots = [place(thick, mark) for mark in formation.marks]
    for mark, spot in zip(formation.marks, spots, strict=True):
        if mark.lead:
            cover, rows, columns = stamp(signal.shape, mark, spot)  # type: ignore[arg-type]
            thick[rows, columns] += cover * np.float32(1.2 * (high - low))
            _leave_out(exposed, cover, rows, columns)
    for shutter in formation.shutters:
        if not shutter.after:
            open_share = opening(thick.shape, shutter)  # type: ignore[arg-type]
            exposed &= open_share[::STEP, ::STEP] > 0.9
            open_share *= np.float32(1.0 - shutter.leak)
            open_share += np.float32(shutter.leak)
            thick -= np.log(open_share)
    ceiling = low + 1.6 * (high - low)
    np.clip(thick, low - 0.5, ceiling, out=thick)

    picture = tone.enhanced(thick, formation.gains, formation.base)
    if formation.sharpen:
        picture = tone.unsharp(
            picture, formation.sharpen_share * min(picture.shape), formation.sharpen
        )
    bottom, top = window(picture, exposed)
    picture = tone.curve(
        picture,
        bottom + formation.low * (top - bottom),
        bottom + formation.high * (top - bottom),
        gamma=formation.gamma,
        sigmoid=formation.sigmoid,
        dark=formation.dark,
        bright=formation.bright,
    )
    if formation.equalise > 0:
        picture = tone.equalised(
            picture, formation.equalise_clip, formation.equalise_tiles, formation.equalise
        )
    _finish(picture, formation, rng)
    if formation.blur_px > 0:
        picture = cv2.GaussianBlur(picture, (0, 0), formation.blur_px)
    if formation.noise > 0:
        picture += np.float32(formation.noise) * rng.standard_normal(
            picture.shape, dtype=np.float32
        )
    _cover(picture, formation, spots)
    picture = tone.quantised(picture, formation.bits)
    if formation.jpeg:
        picture = tone.recompressed(picture, formation.jpeg)
    return picture


def _leave_out(exposed: NDArray[np.bool_], cover: Map, rows: slice, columns: slice) -> None:
    """Takes what lead covers out of the window's places, in place: consoles know it is no bone."""
    top, bottom = -(-rows.start // STEP), -(-rows.stop // STEP)
    left, right = -(-columns.start // STEP), -(-columns.stop // STEP)
    here = cover[top * STEP - rows.start :: STEP, left * STEP - columns.start :: STEP]
    exposed[top:bottom, left:right] &= here < 0.05


def window(thick: Map, exposed: NDArray[np.bool_]) -> tuple[float, float]:
    """The thinnest and nearly the thickest exposed place: 0.5 % and 99.3 % quantiles.

    `exposed` is for every `STEP`th pixel of `thick`. A film hardly exposed anywhere counts whole.
    """
    seen = thick[::STEP, ::STEP]
    if exposed.mean() > 0.02:
        seen = seen[exposed]
    low, high = np.quantile(seen, (0.005, 0.993))
    return float(low), float(max(high, low + 0.05))


def _finish(picture: Map, formation: Formation, rng: np.random.Generator) -> None:
    """Grid lines and a scanned film's damage, in place."""
    if formation.grid > 0:
        damage.grid_lines(picture, formation.grid, formation.grid_period_px, formation.grid_upright)
    if formation.uneven > 0:
        damage.uneven(picture, formation.uneven, rng)
    if formation.leak > 0:
        damage.light_leak(picture, formation.leak, rng)
    if formation.dust > 0:
        damage.dust(picture, formation.dust, rng)
    if formation.scratches > 0:
        damage.scratches(picture, formation.scratches, rng)


def _cover(picture: Map, formation: Formation, spots: list[tuple[float, float]]) -> None:
    """Software shutters, borders, boxes and drawn text, in place."""
    rows, columns = picture.shape
    for shutter in formation.shutters:
        if shutter.after:
            inside = opening(picture.shape, shutter)  # type: ignore[arg-type]
            picture -= np.float32(shutter.fill)
            picture *= inside
            picture += np.float32(shutter.fill)
    for x0, y0, x1, y1, grey in formation.boxes:
        picture[int(y0 * rows) : int(y1 * rows), int(x0 * columns) : int(x1 * columns)] = grey
    if formation.border > 0:
        wide = max(1, int(formation.border * min(rows, columns)))
        top, right, bottom, left = formation.border_sides
        if top:
            picture[:wide] = formation.border_grey
        if bottom:
            picture[-wide:] = formation.border_grey
        if left:
            picture[:, :wide] = formation.border_grey
        if right:
            picture[:, -wide:] = formation.border_grey
    for mark, spot in zip(formation.marks, spots, strict=True):
        if not mark.lead:
            press(picture, mark, spot)
