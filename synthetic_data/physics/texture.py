"""Structure too fine for surfaces: trabeculae, the emptying medullary canal, fat in muscle.

Everything here works in the plane of the film. Trabeculae overlie one another along a ray, so
their share of the path's variation falls with the root of its length.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from concurrent.futures import Executor
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.knee.anatomy import Knee
from pipeline.knee.camera import Camera
from pipeline.knee.compiled import compiled

Map = NDArray[Any]

TILE = 1024
TILE_MM = 0.2
"""A stored pattern: pixels on a side, and the size of one of them at the knee."""

NO_SHAFT = {"patella"}


@dataclass(frozen=True)
class BoneAxis:
    """How a bone lies on the film.

    Attributes:
        joint: (2,) pixels, its end at the knee.
        along: (2,) unit vector on the film from there into the shaft; (0, 0) without a shaft
            or where the shaft points along the rays.
        width_px: width of the knee (W of the conventions, roughly), pixels.
        mm_per_px: at the knee.
    """

    joint: NDArray[np.float64]
    along: NDArray[np.float64]
    width_px: float
    mm_per_px: float


def bone_axes(knee: Knee, camera: Camera, width_mm: float = 82.0) -> dict[str, BoneAxis]:
    """The axes of a knee's bones on a film, from the vertices' main direction in 3-D."""
    out = {}
    for name, mesh in knee.bones.items():
        vertices = np.asarray(mesh.vertices)
        centre = vertices.mean(axis=0)
        direction = np.linalg.svd(vertices - centre, full_matrices=False)[2][0]
        reach = (vertices - centre) @ direction
        ends = centre + np.array([[reach.min()], [reach.max()]]) * direction
        near, far = sorted(ends, key=lambda end: float(np.linalg.norm(end)))
        seen = camera.project(np.stack([near, far]))
        per_px = float(np.linalg.norm(camera.step_x)) * float(camera.depth(near)) / camera.sid
        along = seen[1] - seen[0]
        size = float(np.linalg.norm(along))
        lies = name in NO_SHAFT or size * per_px < 0.3 * float(np.linalg.norm(far - near))
        out[name] = BoneAxis(
            seen[0], np.zeros(2) if lies else along / size, width_mm / per_px, per_px
        )
    return out


@lru_cache(maxsize=64)
def tile(kind: str, blur: float = 0.0) -> Map:
    """(TILE, TILE) float32 of mean 0 and standard deviation 1 that repeats at its edges.

    `trabeculae` are thin bright lines, most of them up and down, some across, and finer ones
    without direction; `mottle` has no direction and is coarse; `fibres` run up and down and are
    long. The same everywhere and always. `blur`: standard deviation in pixels of a blur laid
    over it (after which it is no longer scaled), for films with larger pixels.
    """
    if blur > 0:
        return cv2.GaussianBlur(tile(kind), (0, 0), blur, borderType=cv2.BORDER_REFLECT)
    rng = np.random.default_rng(["trabeculae", "mottle", "fibres"].index(kind))
    y, x = np.meshgrid(np.fft.fftfreq(TILE, TILE_MM), np.fft.fftfreq(TILE, TILE_MM), indexing="ij")

    def noise(along_mm: float, across_mm: float) -> NDArray[np.float64]:
        spectrum = np.exp(-2.0 * ((y * along_mm) ** 2 + (x * across_mm) ** 2))
        made = np.fft.ifft2(np.fft.fft2(rng.standard_normal((TILE, TILE))) * spectrum).real
        return made / made.std()

    def lines(along_mm: float, across_mm: float) -> NDArray[np.float64]:
        """Bright where the noise changes sign: a net of thin curves."""
        made = np.exp(-((noise(along_mm, across_mm) / 0.35) ** 2))
        return (made - made.mean()) / made.std()

    if kind == "trabeculae":
        # Where lines are strong varies from place to place.
        made = (
            0.6 * noise(6.0, 1.8)
            + lines(4.0, 0.8) * (1.0 + 0.4 * noise(12.0, 6.0))
            + noise(2.8, 0.7)
            + 0.4 * lines(1.0, 3.0) * (1.0 + 0.5 * noise(8.0, 8.0))
            + 0.4 * lines(0.7, 0.7)
        )
    elif kind == "mottle":
        made = noise(26.0, 16.0) + 0.5 * noise(12.0, 8.0)
    else:
        made = noise(45.0, 3.0) + 0.5 * noise(15.0, 1.5)
    made -= made.mean()
    return (made / made.std()).astype(np.float32)


def laid(
    kind: str,
    mm_per_px: float,
    along: NDArray[np.float64],
    rng: np.random.Generator,
    stretch: float = 1.0,
) -> tuple[Map, NDArray[np.float64]]:
    """A stored pattern for a film, and the (2, 3) map from the film's pixels to the tile's.

    Args:
        kind: see `tile`.
        mm_per_px: at the knee.
        along: (2,) image direction of the fibres; (0, 0) draws one.
        stretch: above 1 makes everything coarser.
    """
    matrix, blur = laid_at(mm_per_px, along, rng, stretch)
    return tile(kind, blur), matrix


def laid_at(
    mm_per_px: float,
    along: NDArray[np.float64],
    rng: np.random.Generator,
    stretch: float = 1.0,
) -> tuple[NDArray[np.float64], float]:
    """The map of `laid`, and the blur of the pattern it wants."""
    if np.hypot(*along) < 1e-6:
        angle = rng.uniform(0, 2 * np.pi)
        along = np.array([np.cos(angle), np.sin(angle)])
    angle = np.arctan2(along[0], along[1]) + np.deg2rad(rng.normal(0, 5))
    scale = mm_per_px / (TILE_MM * stretch)
    cos, sin = np.cos(angle) * scale, np.sin(angle) * scale
    flip = rng.choice((-1.0, 1.0))
    shift = rng.uniform(0, TILE, 2)
    matrix = np.array([[cos * flip, -sin * flip, shift[0]], [sin, cos, shift[1]]])
    # Larger pixels average over more of the pattern; steps keep few tiles in memory.
    return matrix, round(2 * np.sqrt(max(scale**2 - 1.0, 0.0))) / 4


@compiled
def _at(pattern, x, y):  # type: ignore[no-untyped-def]
    """The repeating pattern between its pixels, linearly."""
    fx, fy = np.floor(x), np.floor(y)
    i, j = int(fx), int(fy)
    u, v = np.float32(x - fx), np.float32(y - fy)
    mask = TILE - 1
    i0, i1, j0, j1 = i & mask, (i + 1) & mask, j & mask, (j + 1) & mask
    one = np.float32(1.0)
    upper = pattern[j0, i0] * (one - u) + pattern[j0, i1] * u
    lower = pattern[j1, i0] * (one - u) + pattern[j1, i1] * u
    return upper * (one - v) + lower * v


@compiled
def _fill_shares(inner, fine, fine_at, coarse, coarse_at, run, dose, out):  # type: ignore[no-untyped-def]
    """Fills `out` with the mineral share where `inner` is above 0.

    run: x, y, constant of the distance along the shaft in widths. dose: fraction, floor,
    strength, mottle, subchondral.
    """
    fraction, floor, strength, mottle, plate = dose[0], dose[1], dose[2], dose[3], dose[4]
    for row in range(inner.shape[0]):
        for column in range(inner.shape[1]):
            path = inner[row, column]
            if path <= 0.0:
                continue
            u = run[0] * column + run[1] * row + run[2]
            t = min(max((u - 0.3) / 0.6, 0.0), 1.0)
            share = fraction * (1.0 - (1.0 - floor) * t * t * (3.0 - 2.0 * t))
            if u < 0.2:
                share *= 1.0 + plate * (1.0 - max(u, 0.0) / 0.2) ** 2
            x = fine_at[0, 0] * column + fine_at[0, 1] * row + fine_at[0, 2]
            y = fine_at[1, 0] * column + fine_at[1, 1] * row + fine_at[1, 2]
            varied = strength * np.sqrt(10.0 / max(path, 2.0)) * _at(fine, x, y)
            x = coarse_at[0, 0] * column + coarse_at[0, 1] * row + coarse_at[0, 2]
            y = coarse_at[1, 0] * column + coarse_at[1, 1] * row + coarse_at[1, 2]
            varied += mottle * _at(coarse, x, y)
            out[row, column] = min(share * min(max(1.0 + varied, 0.1), 2.5), 0.9)
    return 0


@dataclass(frozen=True)
class Cancellous:
    """What fills the marrow surfaces.

    Attributes:
        fraction: share of mineralised bone by volume near the joint. Distal femur and proximal
            tibia hold about 150 to 250 mg/cm3 against 1150 in the cortex (from memory).
        floor: what is left of it in the shaft, 0 to 1.
        strength: trabeculae: standard deviation of the share through 10 mm, relative to it.
        mottle: the same of slow variation, whatever the length of the path.
        subchondral: how much denser it is at the joint's end, 0 = not.
        stretch: above 1 makes trabeculae coarser (osteopenia).
    """

    fraction: float = 0.16
    floor: float = 0.1
    strength: float = 0.2
    mottle: float = 0.08
    subchondral: float = 0.4
    stretch: float = 1.0


def bone_fractions(
    paths: Mapping[str, Map],
    axes: Mapping[str, BoneAxis],
    rng: np.random.Generator,
    made: Cancellous,
    mm_per_px: float = 0.3,
    pool: Executor | None = None,
) -> dict[str, Map]:
    """Mineral share inside every marrow surface, per pixel.

    The share falls to its floor between 0.3 and 0.9 widths of the knee from the joint's end,
    where the medullary canal begins: common practice, no source.

    Args:
        paths: path lengths, mm; every `<bone>_marrow` among them is given a map.
        axes: bone's name to its axis; a bone without one has no canal and no main direction.
        mm_per_px: at the knee, for bones without an axis.
        pool: threads that fill the bones' maps, several at a time; None = one after the other.

    Returns:
        Bone's name to its (rows, columns) float32 share; 0 outside the marrow surface.
    """
    out, jobs = {}, []
    for name in paths:
        if not name.endswith("_marrow"):
            continue
        bone = name.removesuffix("_marrow")
        path = paths[name]
        share = np.zeros(path.shape, np.float32)
        out[bone] = share
        axis = axes.get(bone, BoneAxis(np.zeros(2), np.zeros(2), 1.0, mm_per_px))
        has_shaft = bool(np.hypot(*axis.along) > 1e-6)
        along = axis.along / axis.width_px if has_shaft else np.zeros(2)
        run = np.array([along[0], along[1], -float(along @ axis.joint) if has_shaft else 0.25])
        fine, fine_at = laid("trabeculae", axis.mm_per_px, axis.along, rng, made.stretch)
        coarse, coarse_at = laid("mottle", axis.mm_per_px, axis.along, rng)
        dose = np.array([made.fraction, made.floor, made.strength, made.mottle, made.subchondral])
        jobs.append((path, fine, fine_at, coarse, coarse_at, run, dose, share))
    deque((map if pool is None else pool.map)(lambda job: _fill_shares(*job), jobs), maxlen=0)
    return out


@compiled
def _modulate(path, pattern, at, strength, limit):  # type: ignore[no-untyped-def]
    """Multiplies `path` by 1 + strength x pattern, in place."""
    for row in range(path.shape[0]):
        for column in range(path.shape[1]):
            if path[row, column] > 0.0:
                x = at[0, 0] * column + at[0, 1] * row + at[0, 2]
                y = at[1, 0] * column + at[1, 1] * row + at[1, 2]
                varied = min(max(_at(pattern, x, y), -limit), limit)
                path[row, column] *= np.float32(1.0) + strength * varied
    return 0


def mottled(
    path: Map, along: NDArray[np.float64], rng: np.random.Generator, strength: float, per_px: float
) -> None:
    """Varies a path slowly by a standard deviation of `strength`, in place."""
    pattern, at = laid("mottle", per_px, along, rng, 0.6)
    _modulate(path, pattern, at, np.float32(strength), np.float32(2.5))


@compiled
def _take_fat(muscle, fat, pattern, at, strength):  # type: ignore[no-untyped-def]
    for row in range(muscle.shape[0]):
        for column in range(muscle.shape[1]):
            path = muscle[row, column]
            if path > 0.0:
                x = at[0, 0] * column + at[0, 1] * row + at[0, 2]
                y = at[1, 0] * column + at[1, 1] * row + at[1, 2]
                share = min(max(strength * (_at(pattern, x, y) + 0.6), 0.0), 0.6)
                taken = min(np.float32(share * np.sqrt(path * 40.0)), path)
                muscle[row, column] = path - taken
                fat[row, column] += taken
    return 0


def streak(
    muscle: Map,
    fat: Map,
    along: NDArray[np.float64],
    rng: np.random.Generator,
    strength: float,
    per_px: float,
) -> None:
    """Turns some of `muscle` into `fat` in streaks along the limb, both in place.

    `strength` is the standard deviation through 40 mm, as a share of the path (0 to 0.15).
    """
    pattern, at = laid("fibres", per_px, along, rng)
    _take_fat(muscle, fat, pattern, at, np.float32(strength))
