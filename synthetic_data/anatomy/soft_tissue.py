"""Skin and, inside it, everything that is neither bone nor fat: two closed tubes round the limb.

A tube is a row of rings. Their planes stand on a curve that runs down the back of the thigh,
round the bend of the knee and down the back of the calf; the bend is convex toward the front,
so planes fan out in front of it and rings never cross. Thicknesses over bone: medial and
lateral 10-35 mm, front 5-15, back 45-80, growing with body mass (ranges from memory).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d, uniform_filter1d

from pipeline.knee.anatomy import Mesh
from synthetic_data.anatomy.geometry import smooth_step

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

AROUND = 40
FINE = 160
"""Places along the curve at which girths are worked out."""
SPREAD = (8, 3)
"""Places over which they are smoothed, straight and at 90 degrees, where rings fan out."""
POWER = 2.4
"""Exponent of the rings' superellipse; 2 would be an ellipse."""
BEND_MM = 84.0
"""Length of the curve over which the knee's bend is spread."""


@dataclass(frozen=True)
class Limb:
    """What the tubes must hold.

    Attributes:
        flexion_deg: of the tubes.
        bones: (N, 3) vertices of all bones in the femur's axes, as many as tell their extent.
        end_mm: how far the tube reaches beyond the bones at either end.
        back_mm: from the femur's origin back to the curve.
        rise_mm: how far the bend begins higher up, so that it passes behind a bent leg.
    """

    flexion_deg: float
    bones: Array
    end_mm: float
    back_mm: float
    rise_mm: float = 0.0

    @property
    def start(self) -> Array:
        """(2,) x and y where the bend begins."""
        return np.array([-self.back_mm, BEND_MM / 2 + self.rise_mm])


def _curve(limb: Limb, s: Array) -> tuple[Array, Array]:
    """Points and forward directions (each (N, 2): x, y) of the curve at s mm.

    s is 0 in the middle of the bend, positive toward the foot.
    """
    bend = np.radians(limb.flexion_deg)
    t = np.clip(s + BEND_MM / 2, 0.0, BEND_MM) / BEND_MM
    angle = bend * t
    down = np.stack([-np.sin(angle), -np.cos(angle)], axis=1)
    forward = np.stack([np.cos(angle), -np.sin(angle)], axis=1)
    start = limb.start
    if abs(bend) > 1e-6:
        radius = BEND_MM / bend
        arc = radius * np.stack([np.cos(angle) - 1, -np.sin(angle)], axis=1)
    else:
        arc = np.stack([np.zeros_like(t), -BEND_MM * t], axis=1)
    before = np.minimum(s + BEND_MM / 2, 0.0)
    after = np.maximum(s - BEND_MM / 2, 0.0)
    points = start + arc + (before + after)[:, None] * down
    return points, forward


def _behind(limb: Limb) -> Limb:
    """The limb with its bend begun so high that no leg bone lies far behind the curve."""
    bend = np.radians(limb.flexion_deg)
    if limb.flexion_deg < 15:
        return limb
    radius = BEND_MM / bend
    end = limb.start + radius * np.array([np.cos(bend) - 1, -np.sin(bend)])
    r = limb.bones[:, :2] - end
    leg = r[r @ np.array([-np.sin(bend), -np.cos(bend)]) > 0]
    behind = -float((leg @ np.array([np.cos(bend), -np.sin(bend)])).min()) + 4.0
    share = float(smooth_step(limb.flexion_deg, 15, 45))
    return replace(limb, rise_mm=share * float(np.clip(behind / np.sin(bend), 0.0, 80.0)))


def _unroll(limb: Limb, points: Array) -> Array:
    """(N, 3): s along the curve, distance in front of it, lateral, of (N, 3) points."""
    bend = np.radians(limb.flexion_deg)
    p = points[:, :2] - limb.start
    out = np.stack([-BEND_MM / 2 - p[:, 1], p[:, 0], points[:, 2]], axis=1)
    if abs(bend) < 1e-6:
        return out
    radius = BEND_MM / bend
    q = p + np.array([radius, 0.0])  # from the bend's centre
    below = (p[:, 1] < 0) | ((q[:, 0] < 0) & (bend > 0))
    angle = np.arctan2(-q[:, 1], q[:, 0]) if bend > 0 else np.arctan2(q[:, 1], -q[:, 0])
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


@dataclass(frozen=True)
class _Rings:
    """Half-axes of superelliptic rings along s (all (n,) mm): front and back are distances in
    front of the curve, middle and side are lateral."""

    front: Array
    back: Array
    middle: Array
    side: Array

    def level(self, s: Array, flat: Array) -> Array:
        """(N,) how far out unrolled points lie: 1 on the surface, less inside."""
        front, back, middle, side = (
            np.interp(flat[:, 0], s, values)
            for values in (self.front, self.back, self.middle, self.side)
        )
        u = np.abs(flat[:, 1] - (front + back) / 2) / ((front - back) / 2)
        v = np.abs(flat[:, 2] - middle) / side
        return np.asarray((u**POWER + v**POWER) ** (1 / POWER))


@dataclass(frozen=True)
class Build:
    """How stout a limb is: factors of its fat and lean thicknesses, and how much of the fat at
    the sides is moved from lateral to medial (0..0.15)."""

    fat: float
    lean: float
    uneven: float


def tubes(limb: Limb, build: Build, width: float) -> dict[str, Mesh]:
    """`skin` and `muscle`. `width`: femoral width, mm, the measure of all girths."""
    fat, bulk = build.fat, build.lean * width / 83.0
    limb = _behind(limb)
    flat = _unroll(limb, limb.bones)
    s = np.linspace(flat[:, 0].min() - limb.end_mm, flat[:, 0].max() + limb.end_mm, FINE)
    spread = round(float(np.interp(limb.flexion_deg, (0, 90), SPREAD)))
    # Lean tissue over bone, then fat over that, growing away from the knee.
    up, low = smooth_step(-s, 15, 160), smooth_step(s, 35, 150)
    front, back, inner, outer = _extents(flat, s, spread)
    middle = (inner + outer) / 2
    # Between thick muscle and the wide bone ends the limb does not pinch in over the shafts.
    half = np.maximum((outer - inner) / 2, width * (0.44 - 0.06 * low))
    front = np.maximum(front, np.where(s < 0, front[np.abs(s) < 40].max() - 12, 0))
    lean = _Rings(
        front + 3.0 + bulk * (26 * up + 2 * low),
        np.minimum(back, 8.0) - bulk * (9 + 38 * up + 16 * low),
        middle,
        half + 4.0 + bulk * (20 * up + 12 * low),
    )
    # A ring must hold the bones' corners too: widened by the farthest bone, 1.5 mm spared;
    # twice, the second time only sideways, since its back may have been held off the bend.
    ring = _ring_of(flat, s)
    for back_too in (True, False):
        lean = _clear_of_the_bend(limb, s, lean, 6.0)
        slack = 1 + 1.5 / np.minimum((lean.front - lean.back) / 2, lean.side)
        level = lean.level(s, flat) * np.interp(flat[:, 0], s, slack)
        most = np.ones(len(s))
        np.maximum.at(most, ring, level)
        most = _smooth_above(most, spread)
        if back_too:
            centre, reach = (lean.front + lean.back) / 2, (lean.front - lean.back) / 2 * most
            lean = replace(lean, front=centre + reach, back=centre - reach)
        lean = replace(lean, side=lean.side * most)
    side_fat = fat * (5.0 + 7 * up + 3 * low)
    skin = _Rings(
        lean.front + fat * (3.0 + 5 * up + 3 * low),
        lean.back - fat * (4.0 + 5 * up + 3 * low),
        middle - build.uneven * side_fat,
        lean.side + side_fat,
    )
    skin = _clear_of_the_bend(limb, s, skin, 3.0)
    # Every second place near the knee, every sixth far from it.
    index = np.arange(FINE)
    near = np.abs(s) < 110
    kept = np.flatnonzero((near & (index % 2 == 0)) | (index % 6 == 0) | (index == FINE - 1))
    return {name: _tube(limb, s, rings, kept) for name, rings in (("skin", skin), ("muscle", lean))}


def _clear_of_the_bend(limb: Limb, s: Array, rings: _Rings, spare: float) -> _Rings:
    """The rings, behind the knee kept `spare` mm short of the line round which planes turn."""
    if limb.flexion_deg <= 0:
        return rings
    radius = BEND_MM / np.radians(limb.flexion_deg)
    beyond = np.maximum(np.abs(s) - BEND_MM / 2, 0.0)
    return replace(rings, back=np.maximum(rings.back, spare - radius - 0.3 * beyond))


def _ring_of(flat: Array, s: Array) -> Ints:
    """(N,) the ring nearest to each unrolled point."""
    step = s[1] - s[0]
    return np.clip(np.rint((flat[:, 0] - s[0]) / step).astype(np.int64), 0, len(s) - 1)


def _smooth_above(values: Array, spread: int) -> Array:
    """A smooth curve nowhere below `values` or their neighbours: dilated, then averaged over a
    shorter reach than it was dilated by."""
    wide = maximum_filter1d(values, 2 * spread + 1, mode="nearest")
    for _ in range(2):
        wide = uniform_filter1d(wide, spread, mode="nearest")
    return np.asarray(wide)


def _extents(flat: Array, s: Array, spread: int) -> tuple[Array, Array, Array, Array]:
    """Reach of the bones in front, behind and to both sides at each ring, smoothed outward."""
    ring = _ring_of(flat, s)
    front = np.full(len(s), -1e9)
    back, inner, outer = -front.copy(), -front.copy(), front.copy()
    np.maximum.at(front, ring, flat[:, 1])
    np.minimum.at(back, ring, flat[:, 1])
    np.minimum.at(inner, ring, flat[:, 2])
    np.maximum.at(outer, ring, flat[:, 2])
    found = np.flatnonzero(front > -1e8)
    index = np.arange(len(s))

    def above(values: Array) -> Array:
        return _smooth_above(np.interp(index, found, values[found]), spread)

    return above(front), -above(-back), -above(-inner), above(outer)


def _tube(limb: Limb, s: Array, rings: _Rings, kept: Ints) -> Mesh:
    """A closed tube of superelliptic rings, capped by a fan at either end."""
    a = np.arange(AROUND) * 2 * np.pi / AROUND
    ca = np.sign(np.cos(a)) * np.abs(np.cos(a)) ** (2 / POWER)
    sa = np.sign(np.sin(a)) * np.abs(np.sin(a)) ** (2 / POWER)
    points, forward = _curve(limb, s[kept])
    front, back = rings.front[kept], rings.back[kept]
    centre, reach = (front + back) / 2, (front - back) / 2
    depth = centre[:, None] + reach[:, None] * ca
    xy = points[:, None, :] + depth[..., None] * forward[:, None, :]
    z = rings.middle[kept, None] + rings.side[kept, None] * sa
    around = np.concatenate([xy, z[..., None]], axis=2)
    n = len(kept)
    ends = around[[0, -1]].mean(axis=1)
    vertices = np.concatenate([around.reshape(-1, 3), ends])
    i, j = np.meshgrid(np.arange(n - 1), np.arange(AROUND), indexing="ij")
    k = (j + 1) % AROUND
    p, q = i * AROUND + j, i * AROUND + k
    r, u = p + AROUND, q + AROUND
    sides = np.concatenate([np.stack([p, q, u], -1), np.stack([p, u, r], -1)]).reshape(-1, 3)
    ring = np.arange(AROUND)
    turned = (ring + 1) % AROUND
    first = np.stack([turned, ring, np.full(AROUND, n * AROUND)], axis=1)
    last = (n - 1) * AROUND
    final = np.stack([last + ring, last + turned, np.full(AROUND, n * AROUND + 1)], axis=1)
    faces = np.concatenate([sides, first, final]).astype(np.int32)
    return Mesh(vertices, faces)
