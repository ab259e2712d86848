"""Structure too fine for surfaces: trabeculae, the emptying medullary canal, fat in muscle.

Everything here works in the plane of the film. Trabeculae overlie one another along a ray, so
their share of the path's variation falls with the root of its length.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.knee.anatomy import Knee
from pipeline.knee.camera import Camera

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


@lru_cache(maxsize=4)
def _tile(kind: str) -> Map:
    """(TILE, TILE) of mean 0 and standard deviation 1 that repeats at its edges.

    `trabeculae` run mostly up and down with some across, at three scales; `mottle` has no
    direction and is coarse; `fibres` run up and down and are long.
    """
    rng = np.random.default_rng(["trabeculae", "mottle", "fibres"].index(kind))
    y, x = np.meshgrid(np.fft.fftfreq(TILE, TILE_MM), np.fft.fftfreq(TILE, TILE_MM), indexing="ij")
    radius = np.hypot(x, y)

    def pattern(along_mm: float, across_mm: float, power: float) -> NDArray[np.float64]:
        stretched = np.hypot(x * across_mm, y * along_mm)
        spectrum = 1.0 / (1.0 + (2.0 * stretched) ** 2) ** power
        noise = np.fft.fft2(rng.standard_normal((TILE, TILE)))
        made = np.fft.ifft2(noise * spectrum * (radius > 0.01)).real
        return made / made.std()

    if kind == "trabeculae":
        made = (
            1.0 * pattern(2.4, 0.55, 1.3)
            + 0.5 * pattern(0.6, 1.5, 1.3)
            + 0.7 * pattern(5.0, 1.6, 1.2)
            + 0.45 * pattern(0.5, 0.5, 1.2)
        )
    elif kind == "mottle":
        made = pattern(6.0, 6.0, 1.5)
    else:
        made = pattern(40.0, 3.0, 1.4) + 0.5 * pattern(12.0, 1.5, 1.4)
    return (made / made.std()).astype(np.float32)


def pattern(
    kind: str,
    shape: tuple[int, int],
    mm_per_px: float,
    along: NDArray[np.float64],
    rng: np.random.Generator,
    stretch: float = 1.0,
) -> Map:
    """(rows, columns) of a stored pattern laid along `along` at a random place.

    Args:
        kind: `trabeculae`, `mottle` or `fibres`.
        mm_per_px: at the knee.
        along: (2,) image direction of the fibres; (0, 0) draws one.
        stretch: above 1 makes everything coarser.
    """
    if np.hypot(*along) < 1e-6:
        angle = rng.uniform(0, 2 * np.pi)
        along = np.array([np.cos(angle), np.sin(angle)])
    angle = np.arctan2(along[0], along[1]) + np.deg2rad(rng.normal(0, 4))
    scale = mm_per_px / (TILE_MM * stretch)
    cos, sin = np.cos(angle) * scale, np.sin(angle) * scale
    flip = rng.choice((-1.0, 1.0))
    shift = rng.uniform(0, TILE, 2)
    matrix = np.array([[cos * flip, -sin * flip, shift[0]], [sin, cos, shift[1]]])
    tile = _tile(kind)
    if scale > 1.0:
        tile = cv2.GaussianBlur(
            tile, (0, 0), 0.5 * np.sqrt(scale**2 - 1.0), borderType=cv2.BORDER_REFLECT
        )
    return cv2.warpAffine(
        tile,
        matrix,
        (shape[1], shape[0]),
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_WRAP,
    )


def canal(axis: BoneAxis, window: tuple[slice, slice], floor: float) -> Map:
    """Share of the joint's bone fraction that is left: 1 at the joint, `floor` in the shaft.

    Falls between about 0.35 and 0.9 widths of the knee from the joint's end: common practice,
    no source.
    """
    rows, columns = window
    shape = (rows.stop - rows.start, columns.stop - columns.start)
    if np.hypot(*axis.along) < 1e-6:
        return np.ones(shape, np.float32)
    y = (np.arange(rows.start, rows.stop) - axis.joint[1]) * (axis.along[1] / axis.width_px)
    x = (np.arange(columns.start, columns.stop) - axis.joint[0]) * (axis.along[0] / axis.width_px)
    u = (y[:, None] + x[None, :]).astype(np.float32)
    t = np.clip((u - 0.35) / 0.55, 0, 1)
    return 1.0 - (1.0 - np.float32(floor)) * t * t * (3 - 2 * t)


def bone_fractions(
    paths: Mapping[str, Map],
    axes: Mapping[str, BoneAxis],
    rng: np.random.Generator,
    *,
    fraction: float,
    floor: float,
    strength: float,
    stretch: float = 1.0,
    mm_per_px: float = 0.3,
) -> dict[str, Map]:
    """Mineral share of every marrow surface, per pixel: canal, trabeculae and mottle.

    Args:
        paths: path lengths, mm; every `<bone>_marrow` among them is given a map.
        axes: bone's name to its axis; a bone without one has no canal and no main direction.
        fraction: share of bone near the joint, e.g. 0.25.
        floor: what is left of it in the shaft, 0 to 1.
        strength: standard deviation of the share through 10 mm, relative to it (0.05 to 0.4).
        stretch: above 1 makes trabeculae coarser (osteopenia).
        mm_per_px: at the knee, for bones without an axis.
    """
    out = {}
    for name in paths:
        if not name.endswith("_marrow"):
            continue
        bone = name.removesuffix("_marrow")
        path = paths[name]
        rows = np.flatnonzero(path.any(axis=1))
        columns = np.flatnonzero(path.any(axis=0))
        share = np.full(path.shape, fraction, np.float32)
        out[bone] = share
        if len(rows) == 0:
            continue
        window = (slice(rows[0], rows[-1] + 1), slice(columns[0], columns[-1] + 1))
        inner = path[window]
        axis = axes.get(bone, BoneAxis(np.zeros(2), np.zeros(2), 1.0, mm_per_px))
        fine = pattern("trabeculae", inner.shape, axis.mm_per_px, axis.along, rng, stretch)
        coarse = pattern("mottle", inner.shape, axis.mm_per_px, axis.along, rng)
        root = np.sqrt(10.0 / np.maximum(inner, 2.0))
        varied = 1.0 + strength * root * (fine + 0.4 * coarse)
        share[window] = fraction * canal(axis, window, floor) * np.clip(varied, 0.05, 3.0)
    return out


def streaked(
    muscle: Map,
    along: NDArray[np.float64],
    rng: np.random.Generator,
    *,
    strength: float,
    mm_per_px: float,
) -> Map:
    """mm of fat between the fibres of `muscle`, to be taken from it and given to fat.

    `strength` is the standard deviation through 40 mm, as a share of the path (0 to 0.15).
    """
    fibres = pattern("fibres", muscle.shape, mm_per_px, along, rng)
    share = np.maximum(strength * (fibres + 0.6), 0.0)
    return np.minimum(share, 0.6) * np.sqrt(np.maximum(muscle, 0.0) * 40.0)
