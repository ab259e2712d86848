"""The parts of a total knee replacement: generic shapes invented here, no maker's design.

A part is drawn in its own axes: x anterior, y proximal, z lateral, mm. Sizes follow the bone
that it stands on.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline

from pipeline.knee.anatomy import Mesh
from synthetic_data.anatomy.geometry import smooth_step
from synthetic_data.hardware.bodies import joined, prism, sheet, tube

Array = NDArray[np.float64]

OUTLINE = np.array(
    [
        (0.94, 0.50),
        (0.995, 0.38),
        (0.985, 0.26),
        (0.895, 0.12),
        (0.70, 0.03),
        (0.46, 0.0),
        (0.25, 0.012),
        (0.075, 0.10),
        (0.0, 0.23),
        (0.055, 0.345),
    ]
)
"""The femoral part seen from the side: x in its depth from the back, y in widths of the knee,
from the top of the flange over the front and the bottom to the back. Drawn by eye."""


@dataclass(frozen=True)
class FemoralSize:
    """Where the femoral part lies, in its own axes.

    Attributes:
        back, bottom: x of its rearmost and y of its lowest points.
        depth: from its back to the front of its flange.
        cortex: x of the femur's front cortex at the flange's top.
        width: W of the knee; the part is 0.87 of it wide.
        middle: z of its middle.
        thick: of its distal part.
    """

    back: float
    bottom: float
    depth: float
    cortex: float
    width: float
    middle: float
    thick: float


def _cut_box(size: FemoralSize) -> Array:
    """(6, 2) x, y of the bone's cut from the flange's top round to the back's."""
    top = size.bottom + 0.50 * size.width
    rear = size.back + 0.9 * size.thick
    low = size.bottom + size.thick
    front = size.cortex + 0.2
    chamfer = 0.13 * size.depth
    return np.array(
        [
            (size.cortex, top),
            (front, low + chamfer),
            (front - chamfer, low),
            (rear + chamfer, low),
            (rear, low + chamfer),
            (rear, size.bottom + 0.345 * size.width),
        ]
    )


def femoral_part(size: FemoralSize, groove: float) -> Mesh:
    """A metal cap with a flange for the patella and two condyles with a notch between.

    Args:
        groove: mm of depth of the trochlea.
    """
    knots = np.array([size.back, size.bottom]) + OUTLINE * [size.depth, size.width]
    reach = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(knots, axis=0), axis=1))])
    line = CubicSpline(reach, knots)
    s = np.linspace(0, reach[-1], 52)
    outer = line(s)
    outer[:, 1] += size.bottom - outer[:, 1].min()
    outer[:, 0] += size.back - outer[:, 0].min()
    ahead = line(s, 1)
    inward = np.stack([ahead[:, 1], -ahead[:, 0]], axis=1)
    inward /= np.linalg.norm(inward, axis=1, keepdims=True)

    box = _cut_box(size)
    run = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(box, axis=0), axis=1))])
    fine = np.linspace(0, run[-1], 400)
    inner_line = np.stack([np.interp(fine, run, box[:, k]) for k in (0, 1)], axis=1)
    # Each point of the outline over the nearest of the cut, in order along it.
    apart = np.linalg.norm(outer[:, None] - inner_line, axis=2)
    at = np.maximum.accumulate(np.argmin(apart, axis=1))
    at[0], at[-1] = 0, len(fine) - 1
    inner = inner_line[at]
    room = np.linalg.norm(outer - inner, axis=1)

    share = (outer[:, 1] - size.bottom) / size.width
    front = outer[:, 0] > size.back + 0.55 * size.depth
    flange = np.where(front, smooth_step(share, 0.02, 0.16), 0.0)
    narrow = np.where(
        front, 0.15 * smooth_step(share, 0.0, 0.5), 0.05 * smooth_step(share, 0.16, 0.345) ** 2
    )
    half = size.width * (0.435 - narrow)
    notch = 0.115 * size.width / half
    u = np.concatenate(
        [
            np.linspace(-1, -0.36, 12),
            np.linspace(-0.28, 0.28, 11),
            np.linspace(0.36, 1, 12),
        ]
    )
    hollow = flange[None, :] * groove * np.exp(-((u[:, None] / 0.33) ** 2))
    crown = ((np.abs(u) - 0.55) / 0.45) ** 2
    crown = np.where(np.abs(u) < 0.55, 0.5 * crown, crown)
    hollow = hollow + (1 - 0.6 * flange) * 2.6 * crown[:, None]
    hollow = np.minimum(hollow, np.maximum(room - 1.5, 0.2 * room))
    place = outer[None] + hollow[..., None] * inward[None]
    z = size.middle + u[:, None] * half[None]
    outside = np.concatenate([place, z[..., None]], axis=2)
    inside = np.concatenate(
        [np.broadcast_to(inner, place.shape), size.middle + (0.995 * (z - size.middle))[..., None]],
        axis=2,
    )
    # The notch is open from under the trochlea to the back.
    mid_u = (u[:-1] + u[1:]) / 2
    start = int(np.argmin(np.abs(outer[:, 0] - size.back - 0.6 * size.depth) + 1e3 * (share > 0.1)))
    column = np.arange(len(s) - 1)
    rounded = np.sqrt(np.clip((column - start) / 5.0, 0, 1))
    cells = np.abs(mid_u[:, None]) > notch[None, :-1] * rounded[None]
    cells[:, column <= start] = True
    return sheet(outside, inside, cells)


def cut(points: Array, size: FemoralSize, deeper: float = 0.0) -> Array:
    """Femur points (N, 3) brought back to the cut faces where they stand before them.

    Flattened onto planes they keep enclosing what they enclosed behind them.

    Args:
        deeper: mm by which the faces lie further in.
    """
    box = _cut_box(size)
    out = points.copy()
    fade = 1 - smooth_step(points[:, 1], box[0, 1] - 2.0, box[0, 1] + 6.0)
    middle = box.mean(axis=0)
    for k in range(5):
        edge = box[k + 1] - box[k]
        normal = np.array([-edge[1], edge[0]]) / np.linalg.norm(edge)
        normal = normal if normal @ (box[k] - middle) > 0 else -normal
        over = out[:, :2] @ normal - (box[k] @ normal - deeper)
        out[:, :2] -= (fade * np.maximum(over, 0))[:, None] * normal
    return out


def tray_outline(outline: Array, share: float) -> Array:
    """(72, 2) x, z of a tray for a cut tibia: rounded, hollowed at its back.

    Args:
        outline: (N, 2) x, z of the bone's cut face.
        share: of the bone's width that the tray covers.
    """
    low, high = outline.min(axis=0), outline.max(axis=0)
    centre = (low + high) / 2
    half_x, half_z = share * (high - low) / 2
    angle = 2 * np.pi * np.arange(72) / 72
    c, s = np.cos(angle), np.sin(angle)
    x = half_x * np.sign(c) * np.abs(c) ** 0.8
    z = half_z * np.sign(s) * np.abs(s) ** 0.85
    back = np.where(c < 0, np.exp(-((z / (0.28 * half_z)) ** 2)), 0.0)
    return np.stack([centre[0] + x + 0.22 * half_x * back, centre[1] + z], axis=1)


def tray(outline: Array, thick: float, stem: float, radius: float) -> tuple[Mesh, Mesh]:
    """A plate under y = 0, and the keel and stem below it.

    Args:
        outline: (N, 2) x, z.
        stem: mm of length; radius: mm at its root.
    """
    flat = np.stack([outline[:, 0], np.zeros(len(outline)), outline[:, 1]], axis=1)
    plate = prism(flat, np.array([0.0, -thick, 0.0]), np.zeros(3))
    centre = flat.mean(axis=0) + np.array([0.04 * np.ptp(outline[:, 0]), 0, 0])
    depth = thick - 0.3 + np.array([0.0, 0.55 * stem, 0.92 * stem, stem])
    line = centre - depth[:, None] * np.array([0.0, 1.0, 0.0])
    post = tube(line, radius * np.array([1.0, 0.85, 0.72, 0.4]), 16)
    wide = 0.30 * np.ptp(outline[:, 1])
    fins = []
    for side in (-1.0, 1.0):
        # A wing that runs out toward the stem's lower half, a little behind the middle.
        shape = np.array(
            [
                (0.0, -thick + 0.3, 0.5 * radius * side),
                (0.0, -thick + 0.3, wide * side),
                (0.0, -thick - 0.15 * stem, 0.9 * wide * side),
                (0.0, -thick - 0.6 * stem, 0.6 * radius * side),
            ]
        )
        shape += centre + np.array([-0.06 * wide, 0.0, 0.0])
        fins.append(prism(shape, np.array([-1.3, 0, 0]), np.array([1.3, 0, 0])))
    return plate, joined([post, *fins])
