"""Skin and, inside it, everything that is neither bone nor fat: two closed tubes round the limb.

A tube is a row of rings. Their planes stand on a curve that runs down the back of the thigh,
round the bend of the knee and down the back of the calf; the bend is convex toward the front,
so planes fan out in front of it and rings never cross. Thicknesses over bone: medial and
lateral 10-35 mm, front 5-15, back 45-80, growing with body mass (ranges from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.knee.anatomy import Mesh
from synthetic_data.anatomy.geometry import smooth_step

Array = NDArray[np.float64]

AROUND = 56
BEND_MM = 56.0
"""Length of the curve over which the knee's bend is spread."""


@dataclass(frozen=True)
class Limb:
    """What the tubes must hold.

    Attributes:
        flexion_deg: of the tubes.
        bones: (N, 3) vertices of all bones in the femur's axes.
        end_mm: how far the tube reaches beyond the bones at either end.
        back_mm: from the femur's origin back to the curve.
    """

    flexion_deg: float
    bones: Array
    end_mm: float
    back_mm: float


def _curve(limb: Limb, s: Array) -> tuple[Array, Array, Array]:
    """Points, forward directions and down directions (each (N, 2): x, y) of the curve at s mm.

    s is 0 at the joint line, positive toward the foot.
    """
    bend = np.radians(limb.flexion_deg)
    t = np.clip(s + BEND_MM / 2, 0.0, BEND_MM) / BEND_MM
    angle = bend * t
    down = np.stack([-np.sin(angle), -np.cos(angle)], axis=1)
    forward = np.stack([np.cos(angle), -np.sin(angle)], axis=1)
    start = np.array([-limb.back_mm, BEND_MM / 2])
    if abs(bend) > 1e-6:
        radius = BEND_MM / bend
        arc = radius * np.stack([np.cos(angle) - 1, -np.sin(angle)], axis=1)
    else:
        arc = np.stack([np.zeros_like(t), -BEND_MM * t], axis=1)
    before = np.minimum(s + BEND_MM / 2, 0.0)
    after = np.maximum(s - BEND_MM / 2, 0.0)
    points = start + arc + (before + after)[:, None] * down
    return points, forward, down


def _unroll(limb: Limb, points: Array) -> Array:
    """(N, 3): s along the curve, distance in front of it, lateral, of (N, 3) points."""
    bend = np.radians(limb.flexion_deg)
    p = points[:, :2] - np.array([-limb.back_mm, BEND_MM / 2])
    out = np.stack([-BEND_MM / 2 - p[:, 1], p[:, 0], points[:, 2]], axis=1)
    if abs(bend) < 1e-6:
        return out
    radius = BEND_MM / bend
    q = p + np.array([radius, 0.0])  # from the bend's centre
    below = (p[:, 1] < 0) | ((q[:, 0] < 0) & (bend > 0))
    angle = np.arctan2(-q[:, 1], q[:, 0]) if bend > 0 else np.arctan2(q[:, 1], -q[:, 0])
    angle = angle if bend > 0 else -angle
    inside = below & (np.abs(angle) <= abs(bend))
    out[inside, 0] = -BEND_MM / 2 + angle[inside] * radius
    out[inside, 1] = (np.hypot(*q[inside].T) - abs(radius)) * np.sign(radius)
    c, s = np.cos(bend), np.sin(bend)
    end = radius * np.array([c - 1, -s])
    r = p - end
    after = below & ~inside
    out[after, 0] = BEND_MM / 2 + (r[after] @ np.array([-s, -c]))
    out[after, 1] = r[after] @ np.array([c, -s])
    return out


def tubes(limb: Limb, rng: np.random.Generator, bmi: float, width: float) -> dict[str, Mesh]:
    """`skin` and `muscle`. `width`: femoral width, mm, the measure of all girths."""
    n = 44
    flat = _unroll(limb, limb.bones)
    s = np.linspace(flat[:, 0].min() - limb.end_mm, flat[:, 0].max() + limb.end_mm, n)
    fat = np.clip(0.9 + 0.09 * (bmi - 22), 0.5, 2.8) * rng.uniform(0.85, 1.15)
    bulk = width / 83.0 * rng.uniform(0.9, 1.1)
    # Lean tissue (muscle tube) over bone, then fat over that: front, back, sides, along s.
    up, low = smooth_step(-s, 10, 190), smooth_step(s, 10, 120)
    lean_front = 2.0 + bulk * (30 * up + 1.5 * low)
    lean_side = 3.5 + bulk * (24 * up + 12 * low)
    lean_back = bulk * (12 + 14 * up + 10 * low)  # behind the curve at the back of the knee: less
    fat_front = fat * (3.0 + 5 * up + 2 * low)
    fat_side = fat * (5.0 + 6 * up + 2 * low)
    fat_back = fat * (4.0 + 5 * up + 2 * low)

    front, back, inner, outer = _extents(flat, s)
    middle = (inner + outer) / 2
    half = (outer - inner) / 2
    rows = {}
    for name, share in (("muscle", 0.0), ("skin", 1.0)):
        f = front + lean_front + share * fat_front
        side = half + lean_side + share * fat_side
        b = np.minimum(back - lean_back, 6.0) * 1.0 - share * fat_back
        rows[name] = (f, b, side)
    return {name: _tube(limb, s, f, b, middle, side) for name, (f, b, side) in rows.items()}


def _extents(flat: Array, s: Array) -> tuple[Array, Array, Array, Array]:
    """Reach of the bones in front, behind and to both sides at each ring, smoothed outward."""
    step = s[1] - s[0]
    ring = np.clip(np.rint((flat[:, 0] - s[0]) / step).astype(int), 0, len(s) - 1)
    front = np.full(len(s), -1e9)
    back, inner, outer = -front.copy(), -front.copy(), front.copy()
    np.maximum.at(front, ring, flat[:, 1])
    np.minimum.at(back, ring, flat[:, 1])
    np.minimum.at(inner, ring, flat[:, 2])
    np.maximum.at(outer, ring, flat[:, 2])
    found = front > -1e8
    index = np.arange(len(s))

    def spread(values: Array, sign: float) -> Array:
        values = np.interp(index, index[found], values[found]) * sign
        for _ in range(2):  # never less than any neighbour: a ring must clear bone between rings
            values = np.maximum(
                values,
                np.maximum(np.append(values[1:], values[-1]), np.insert(values[:-1], 0, values[0])),
            )
        kernel = np.array([1, 2, 3, 2, 1]) / 9
        smooth = np.convolve(np.pad(values, 2, mode="edge"), kernel, mode="valid")
        return np.maximum(smooth, values - 2.0) * sign

    return spread(front, 1), spread(back, -1), spread(inner, -1), spread(outer, 1)


def _tube(limb: Limb, s: Array, front: Array, back: Array, middle: Array, side: Array) -> Mesh:
    """A closed tube of superelliptic rings, capped by a fan at either end."""
    a = np.arange(AROUND) * 2 * np.pi / AROUND
    power = 2 / 2.5
    ca = np.sign(np.cos(a)) * np.abs(np.cos(a)) ** power
    sa = np.sign(np.sin(a)) * np.abs(np.sin(a)) ** power
    points, forward, _ = _curve(limb, s)
    centre, reach = (front + back) / 2, (front - back) / 2
    depth = centre[:, None] + reach[:, None] * ca
    xy = points[:, None, :] + depth[..., None] * forward[:, None, :]
    z = middle[:, None] + side[:, None] * sa
    rings = np.concatenate([xy, z[..., None]], axis=2)
    n = len(s)
    ends = rings[[0, -1]].mean(axis=1)
    vertices = np.concatenate([rings.reshape(-1, 3), ends])
    i, j = np.meshgrid(np.arange(n - 1), np.arange(AROUND), indexing="ij")
    k = (j + 1) % AROUND
    p, q = i * AROUND + j, i * AROUND + k
    r, u = p + AROUND, q + AROUND
    sides = np.concatenate([np.stack([p, q, u], -1), np.stack([p, u, r], -1)]).reshape(-1, 3)
    j = np.arange(AROUND)
    k = (j + 1) % AROUND
    first = np.stack([k, j, np.full(AROUND, n * AROUND)], axis=1)
    last = (n - 1) * AROUND
    final = np.stack([last + j, last + k, np.full(AROUND, n * AROUND + 1)], axis=1)
    faces = np.concatenate([sides, first, final]).astype(np.int32)
    return Mesh(vertices, faces)
