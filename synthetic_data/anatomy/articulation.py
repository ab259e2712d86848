"""Bones brought together: tibia under the femur, fibula beside it, patella in its groove.

The femur stays; everything else is moved. Axes: the femur's own, x anterior, y up, z lateral.
Nothing may touch: what is seen between bones on a film is cartilage, so each joint is closed
until its narrowest place has the width wanted.

How the tibia moves under flexion: the centre of the medial posterior condyle stays nearly
still over the medial plateau while the lateral one goes back, which is inward rotation of the
tibia (Iwaki, Pinskerova & Freeman, J Bone Joint Surg Br 2000;82:1189; the figures used here
are from memory). How the patella moves: its tendon has a fixed length, so it slides down
and round the trochlea as the tuberosity goes back.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from synthetic_data.anatomy.geometry import clearance, height_map, turn
from synthetic_data.anatomy.template import Template

Array = NDArray[np.float64]

STEP = 1.0
LAG = 0.7
"""Turn of the patella for a turn of its place round the trochlea: it trails, so that contact
moves to its upper part with flexion (from memory: about 60 degrees of 90)."""


@dataclass(frozen=True)
class Placed:
    """Rotation (3, 3) and shift (3,): points @ rotation.T + shift, in the femur's axes."""

    rotation: Array
    shift: Array

    def __call__(self, points: Array) -> Array:
        return np.asarray(points @ self.rotation.T + self.shift)

    def back(self, points: Array) -> Array:
        """(n, 3) mm: the way back."""
        return np.asarray((points - self.shift) @ self.rotation)


def inward_rotation(flexion_deg: float) -> float:
    """Mean inward rotation of the tibia against its place in extension, degrees.

    In extension it lies as in the mean of the shape model (people lying down).

    About 8 degrees over the first 20 of flexion (the screw-home movement, turned back), 16 at
    90: from memory of the work named above.
    """
    return float(np.interp(flexion_deg, [-10, 0, 20, 90], [-2, 0, 6, 16]))


@dataclass(frozen=True)
class TibiaWish:
    """How the tibia should stand.

    Attributes:
        flexion_deg: between the long axes.
        rotation_deg: inward (positive) of the plateau's own axes against the femur's.
        slide_mm: (anterior, lateral) of its usual place.
        gaps_mm: narrowest (medial, lateral) joint space, along the tibia.
    """

    flexion_deg: float
    rotation_deg: float
    slide_mm: tuple[float, float]
    gaps_mm: tuple[float, float]


def seat_tibia(
    t: Template, femur: Array, tibia: Array, width: float, wish: TibiaWish
) -> tuple[Placed, float]:
    """Where the tibia (in its own axes) goes, and its varus (+) / valgus (-) lean in degrees.

    Height and lean follow from the two gaps; the rest is as wished. `femur`, `tibia`: (n, 3) mm,
    each in its own axes; `width`: W, mm.
    """
    grid = (-45.0, -55.0)
    top = tibia[:, [0, 2, 1]]
    heights = height_map(top, t.tibia.faces, *grid, STEP, 91, 111)
    ends = femur[t.distal]
    medial_back = ends[t.distal_medial]
    back = medial_back[np.argmin(medial_back[:, 0])]
    # Centre of the medial posterior condyle: one radius (17.0 mm at a width of 83, Hokari et
    # al.) in front of its rearmost point.
    hinge = back + np.array([0.205 * width, 0.0, 0.0])
    notch = (
        medial_back[np.argmin(medial_back[:, 1])][2]
        + ends[~t.distal_medial][np.argmin(ends[~t.distal_medial][:, 1])][2]
    ) / 2
    spines = (tibia[t.places["medial_spine"]] + tibia[t.places["lateral_spine"]]) / 2
    depth = np.ptp(tibia[t.plateau, 0])
    # The hinge stands a little behind the middle of the plateau.
    stand_x = -0.09 * depth - wish.slide_mm[0]
    # Femur in the tibia's axes: flexed about z, turned outward about the tibia's long axis.
    flexed = turn(2, wish.flexion_deg)
    rotated = turn(1, -wish.rotation_deg) @ flexed
    lean = 0.0
    y = 0.0
    for _ in range(8):
        rotation = turn(0, lean) @ rotated
        p = ends @ rotation.T
        h = rotation @ hinge
        n = rotation @ np.array([0.0, 0.0, notch])
        shift = np.array([stand_x - h[0], y, spines[2] - wish.slide_mm[1] - n[2]])
        q = p + shift
        gap = clearance(q[:, [0, 2, 1]], heights, *grid, STEP)
        inner = np.abs(q[:, 2] - spines[2]) < 0.17 * width
        sides = t.distal_medial & ~inner, ~t.distal_medial & ~inner
        found = [int(np.argmin(np.where(side, gap, 1e6))) for side in sides]
        missing = np.array([wish.gaps_mm[k] - gap[found[k]] for k in range(2)])
        if np.abs(missing).max() < 0.01:
            break
        # Raising by dy and leaning by da about x changes a gap by dy - z da.
        z = p[found, 2]
        da = (missing[1] - missing[0]) / (z[0] - z[1]) if abs(z[0] - z[1]) > 1 else 0.0
        dy = missing[0] + z[0] * da
        lean += np.degrees(np.clip(da, -0.2, 0.2))
        y += dy
    middle = gap[inner]
    if len(middle) and middle.min() < 1.0:
        shift = shift + np.array([0.0, 1.0 - middle.min(), 0.0])
    # Invert: tibia points into the femur's axes.
    return Placed(rotation.T, -rotation.T @ shift), float(lean)


@dataclass(frozen=True)
class PatellaWish:
    """How the patella should sit.

    Attributes:
        tendon_mm: from its lowest point to the tuberosity.
        gap_mm: narrowest space to the femur.
        shift_mm: lateral of the groove.
        tilt_deg: lateral edge turned back (positive).
    """

    tendon_mm: float
    gap_mm: float
    shift_mm: float
    tilt_deg: float


def seat_patella(
    t: Template, femur: Array, patella: Array, tuberosity: Array, width: float, wish: PatellaWish
) -> tuple[Placed, float]:
    """Where the patella (about its middle) goes, and its own flexion against the femur, degrees.

    `femur`, `patella`: (n, 3) mm; `tuberosity`: (3,) mm in the femur's axes; `width`: W, mm.
    """
    tilted = patella @ turn(1, -wish.tilt_deg).T
    low = tilted[np.argmin(tilted[:, 1])]
    grid = (-40.0, -40.0)
    behind = np.stack([tilted[:, 1], tilted[:, 2], -tilted[:, 0]], axis=1)
    heights = height_map(behind, t.patella.faces, *grid, STEP, 81, 81)
    centre = np.array([0.30 * width, 0.22 * width, 0.0])
    front = femur[
        (femur[:, 0] > 0.12 * width)
        & (femur[:, 1] < 1.5 * width)
        & (np.abs(femur[:, 2]) < 0.5 * width)
    ]
    groove = float(np.mean([femur[t.places[f"groove_{k}"], 2] for k in (0, 25, 50)]))

    def seat(along: float, z: float) -> Placed:
        """The patella `along` mm down its track from the level of the trochlea's centre."""
        angle = max(along, 0.0) / (0.30 * width)
        rotation = turn(2, -LAG * np.degrees(angle))
        foot = centre + np.array([0.0, max(-along, 0.0), z])
        out = np.array([np.cos(angle), -np.sin(angle), 0.0])
        start = foot + 0.45 * width * out
        away = rotation @ np.array([1.0, 0.0, 0.0])
        p = (front - start) @ rotation
        gap = clearance(np.stack([p[:, 1], p[:, 2], -p[:, 0]], axis=1), heights, *grid, STEP)
        near = gap < 1e5
        shift = start - away * (gap[near].min() - wish.gap_mm) if near.any() else start
        return Placed(rotation, shift)

    # Sideways it lies where it sinks deepest into the groove.
    middle = 0.25 * width
    sideways = groove + np.arange(-8.0, 8.1, 4.0)
    depths = [np.linalg.norm((seat(middle, z).shift - centre)[:2]) for z in sideways]
    bend = np.polyfit(sideways, depths, 2)
    valley = -bend[1] / (2 * bend[0]) if bend[0] > 1e-4 else groove
    z = float(np.clip(valley, groove - 6, groove + 6)) + wish.shift_mm

    def stretched(along: float) -> float:
        return float(np.linalg.norm(seat(along, z)(low) - tuberosity))

    # Coming from above, the first place where the tendon is as long as wanted; where it is
    # too short everywhere, the place where it is stretched least.
    track = np.arange(-60.0, 61.0, 12.0)
    lengths: list[float] = []
    for along in track:
        lengths.append(stretched(along))
        if lengths[-1] < wish.tendon_mm:
            break
    short = lengths[-1] < wish.tendon_mm
    k = len(lengths) - 1 if short else int(np.argmin(lengths))
    high, deep = track[max(k - 1, 0)], track[k]
    for _ in range(7 if short else 0):
        mid = (high + deep) / 2
        if stretched(mid) > wish.tendon_mm:
            high = mid
        else:
            deep = mid
    placed = seat(deep, z)
    flexion = LAG * np.degrees(max(deep, 0.0) / (0.30 * width))
    turned = Placed(placed.rotation @ turn(1, -wish.tilt_deg), placed.shift)
    return turned, float(flexion)
