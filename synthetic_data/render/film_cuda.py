"""Whole films on a CUDA device, many at once: from path lengths to grey values.

The arithmetic is that of `physics.beam.transmit`, `physics.exposure.detect` and
`film_formation.tone`, for tissue alone: no inserts, no texture inside a material, no veiling
glare, no multi-scale enhancement, and none of what `film_formation` draws on a film. Those stay
with the CPU. Without noise both give the same film; noise comes from a counter, so that a film
of a seed is the same in every batch.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from synthetic_data.film_formation.formation import STEP, Formation
from synthetic_data.physics.beam import Beam, beam, linear_attenuation, spectrum
from synthetic_data.physics.exposure import PHOTONS_PER_MM2_UGY, Technique
from synthetic_data.render.cuda import THREADS, cupy

ROLES = ("skin", "muscle", "bone", "marrow")
TISSUES = ("adipose", "muscle", "cortical", "marrow")
GIVEN = (
    "heel_x",
    "heel_y",
    "scatter",
    "quantum",
    "electronic",
    "least",
    "low",
    "high",
    "gamma",
    "sigmoid",
    "dark",
    "bright",
)
PIXELS = 4
"""Pixels a thread of `transmit` works on; as in `film.cu`."""

SOURCE = Path(__file__).parent / "film.cu"


class Device(Protocol):
    """Where kernels run: an array module and a way to start one of them."""

    @property
    def xp(self) -> Any:
        """numpy or CuPy."""
        ...

    def start(self, name: str, threads: int, films: int, arguments: tuple[Any, ...]) -> None:
        """Runs kernel `name` with so many threads for each film; ints are passed as C ints."""
        ...


@lru_cache(maxsize=1)
def _functions() -> dict[str, Any]:
    names = (
        "transmit",
        "coarsen",
        "spread_rows",
        "spread_columns",
        "count_quanta",
        "blur_rows",
        "blur_columns",
        "tone",
    )
    module = cupy().RawModule(code=SOURCE.read_text())
    return {name: module.get_function(name) for name in names}


@dataclass(frozen=True)
class CudaDevice:
    """The current CUDA device. Raises `Problem` where there is none."""

    @property
    def xp(self) -> Any:
        """CuPy."""
        return cupy()

    def start(self, name: str, threads: int, films: int, arguments: tuple[Any, ...]) -> None:
        """Queues a kernel; does not wait for it."""
        plain = tuple(np.int32(value) if isinstance(value, int) else value for value in arguments)
        _functions()[name]((-(-threads // THREADS), films), (THREADS,), plain)


def binned_beam(technique: Technique, energies: int = 64) -> Beam:
    """The technique's spectrum in equal bins, not fused: `energies` of them.

    For comparisons; `physics.beam.beam` needs eight for the same signal.
    """
    kev, photons = spectrum(round(technique.kvp), technique.al_mm, technique.cu_mm)
    absorbed = 1.0 - np.exp(-linear_attenuation("caesium_iodide") * technique.csi_mm)
    signal = photons * absorbed * kev
    used = np.flatnonzero(signal > 0)
    parts = [part for part in np.array_split(used, energies) if len(part)]
    weights = np.array([signal[part].sum() for part in parts])
    mu = {
        name: np.array([np.average(of[part], weights=signal[part]) for part in parts])
        for name in TISSUES
        for of in (linear_attenuation(name),)
    }
    middle = np.array([np.average(kev[part], weights=signal[part]) for part in parts])
    excess = beam(round(technique.kvp), technique.al_mm, technique.cu_mm).excess
    return Beam(weights / weights.sum(), mu, middle, excess)


@dataclass(frozen=True)
class Recipe:
    """How the films of one batch are taken and shown; numbers on the host, one row a film.

    Attributes:
        given: (films, len(GIVEN)) float32.
        nodes: (films, energies, 8) float32: attenuation of the four tissues, weight, zeros.
        scatter_taps: (films, 2, reach + 1) float32 of the near and the far Gaussian, coarse cells.
        blur_taps: (films, reach + 1) float32, pixels.
        seeds: (films, 2) uint32.
        step: pixels to a coarse cell.
    """

    given: NDArray[np.float32]
    nodes: NDArray[np.float32]
    scatter_taps: NDArray[np.float32]
    blur_taps: NDArray[np.float32]
    seeds: NDArray[np.uint32]
    step: int

    @staticmethod
    def of(
        techniques: Sequence[Technique],
        formations: Sequence[Formation],
        seeds: Sequence[int],
        beams: Sequence[Beam] | None = None,
    ) -> Recipe:
        """Raises `ValueError` for films of different pixel pitch or with veiling glare."""
        pitches = {technique.mm_per_px for technique in techniques}
        if len(pitches) != 1:
            raise ValueError(f"expected films of one pixel pitch, got {sorted(pitches)}")
        if any(technique.glare > 0 for technique in techniques):
            raise ValueError("veiling glare is not made on the device; use physics.exposure")
        pitch = pitches.pop()
        step = max(1, round(4.0 / pitch))
        if beams is None:
            beams = [beam(round(t.kvp), round(t.al_mm, 1), t.cu_mm, t.csi_mm) for t in techniques]
        given = np.empty((len(techniques), len(GIVEN)), np.float32)
        for row, (technique, formation, used) in enumerate(
            zip(techniques, formations, beams, strict=True)
        ):
            quanta = technique.dose_ugy * PHOTONS_PER_MM2_UGY * pitch**2
            angle, heel = np.deg2rad(technique.heel_deg), technique.heel * pitch / 400.0
            given[row] = (
                heel * np.cos(angle),
                heel * np.sin(angle),
                technique.scatter / 120.0,
                used.excess / quanta,
                technique.electronic / quanta,
                0.25 / quanta,
                formation.low,
                formation.high,
                formation.gamma,
                formation.sigmoid,
                formation.dark,
                formation.bright,
            )
        spread = np.array([t.scatter_mm for t in techniques]) / (pitch * step)
        blur = np.array([t.blur_mm for t in techniques]) / pitch
        words = np.array([(seed & 0xFFFFFFFF, (seed >> 32) & 0xFFFFFFFF) for seed in seeds])
        return Recipe(
            given,
            _nodes(beams),
            gaussian_taps(np.stack([spread, 2.5 * spread], axis=1)),
            gaussian_taps(np.where(blur > 0.15, blur, 0.0)),
            words.astype(np.uint32),
            step,
        )

    def on(self, xp: Any) -> Recipe:
        """The same with its arrays on a device."""
        return Recipe(
            xp.asarray(self.given),
            xp.asarray(self.nodes),
            xp.asarray(self.scatter_taps),
            xp.asarray(self.blur_taps),
            xp.asarray(self.seeds),
            self.step,
        )


def _nodes(beams: Sequence[Beam]) -> NDArray[np.float32]:
    out = np.zeros((len(beams), max(len(used.weights) for used in beams), 8), np.float32)
    for row, used in zip(out, beams, strict=True):
        for column, tissue in enumerate(TISSUES):
            row[: len(used.weights), column] = used.mu[tissue] * np.log2(np.e)
        row[: len(used.weights), 4] = used.weights
    return out


def gaussian_taps(sigma: NDArray[np.float64]) -> NDArray[np.float32]:
    """(..., reach + 1) weights from the middle outward of Gaussians; sigma 0 leaves all alone.

    Each ends at 4 sigma, as OpenCV's do for floating-point pictures.
    """
    sigma = np.asarray(sigma, np.float64)
    reach = (np.rint(sigma * 8 + 1).astype(np.int64) | 1) // 2
    n = np.arange(int(reach.max()) + 1)
    with np.errstate(divide="ignore", invalid="ignore"):
        tap = np.exp(-(n**2) / (2 * sigma[..., None] ** 2))
    tap = np.where((n <= reach[..., None]) & (sigma[..., None] > 0), tap, n == 0)
    total = tap[..., 0] + 2 * tap[..., 1:].sum(axis=-1)
    return (tap / total[..., None]).astype(np.float32)


@dataclass(frozen=True)
class Films:
    """The steps of films in one batch. `make` runs them all.

    Attributes:
        device: where they run.
        roles: of each surface, a word of `ROLES`; a marrow comes right after its bone.
        fractions: mineral share inside each surface that is a marrow; others are not looked at.
        noisy: with quantum and electronic noise.
    """

    device: Device
    roles: tuple[str, ...]
    fractions: tuple[float, ...]
    noisy: bool = True

    def make(self, paths: Any, recipe: Recipe) -> Any:
        """(films, rows, columns) float32 grey values on the device.

        Args:
            paths: (films, surfaces, rows, columns) float32 mm on the device.
            recipe: from `Recipe.on`.
        """
        primary, body = self.transmit(paths, recipe)
        scatter = self.scatter(primary, body, recipe)
        density = self.detect(primary, scatter, recipe)
        return self.show(density, recipe)

    def transmit(self, paths: Any, recipe: Recipe) -> tuple[Any, Any]:
        """Primary signal, open beam = 1, and mm of tissue; (films, rows, columns) each."""
        xp = self.device.xp
        films, surfaces, rows, columns = paths.shape
        primary = xp.empty((films, rows, columns), xp.float32)
        body = xp.empty_like(primary)
        roles = xp.asarray(np.array([ROLES.index(role) for role in self.roles], np.int32))
        fractions = xp.asarray(np.array(self.fractions, np.float32))
        sizes = (surfaces, int(recipe.nodes.shape[1]), rows, columns)
        self.device.start(
            "transmit",
            -(-rows * columns // PIXELS),
            films,
            (paths, roles, fractions, recipe.nodes, recipe.given, primary, body, *sizes),
        )
        return primary, body

    def scatter(self, primary: Any, body: Any, recipe: Recipe) -> Any:
        """(films, coarse rows, coarse columns) scattered signal."""
        xp = self.device.xp
        films, rows, columns = primary.shape
        coarse = (max(1, rows // recipe.step), max(1, columns // recipe.step))
        cells, reach = coarse[0] * coarse[1], int(recipe.scatter_taps.shape[-1]) - 1
        source = xp.empty((films, *coarse), xp.float32)
        both = xp.empty((films, 2, *coarse), xp.float32)
        out = xp.empty_like(source)
        start = self.device.start
        start(
            "coarsen", cells, films, (primary, body, recipe.given, source, rows, columns, *coarse)
        )
        start("spread_rows", cells, films, (source, recipe.scatter_taps, both, *coarse, reach))
        start("spread_columns", cells, films, (both, recipe.scatter_taps, out, *coarse, reach))
        return out

    def detect(self, primary: Any, scatter: Any, recipe: Recipe) -> Any:
        """(films, rows, columns) -ln of the detector's signal."""
        xp = self.device.xp
        films, rows, columns = primary.shape
        reach = int(recipe.blur_taps.shape[-1]) - 1
        signal, half, density = (xp.empty_like(primary) for _ in range(3))
        sizes, coarse = (rows, columns), tuple(int(n) for n in scatter.shape[1:])
        start, pixels, noisy = self.device.start, rows * columns, int(self.noisy)
        start(
            "count_quanta",
            pixels,
            films,
            (primary, scatter, recipe.given, recipe.seeds, signal, *sizes, *coarse, noisy),
        )
        start("blur_rows", pixels, films, (signal, recipe.blur_taps, half, *sizes, reach))
        start(
            "blur_columns",
            pixels,
            films,
            (half, recipe.blur_taps, recipe.given, recipe.seeds, density, *sizes, reach, noisy),
        )
        return density

    def show(self, density: Any, recipe: Recipe) -> Any:
        """(films, rows, columns) grey values, 0 black to 1."""
        xp = self.device.xp
        films, rows, columns = density.shape
        seen = xp.sort(density[:, ::STEP, ::STEP].reshape(films, -1), axis=1)
        windows = xp.empty((films, 2), xp.float32)
        for column, share in enumerate((0.005, 0.993)):
            place = share * (seen.shape[1] - 1)
            below = int(place)
            above = min(below + 1, seen.shape[1] - 1)
            windows[:, column] = seen[:, below] + (seen[:, above] - seen[:, below]) * (
                place - below
            )
        windows[:, 1] = xp.maximum(windows[:, 1], windows[:, 0] + 0.05)
        picture = xp.empty_like(density)
        self.device.start(
            "tone", rows * columns, films, (density, windows, recipe.given, picture, rows, columns)
        )
        return picture
