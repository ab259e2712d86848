"""What a caliper, a CT reader or a film reader would measure on a knee's finished bones.

Every measure works on closed outer surfaces and the frames of the conventions alone; nothing is
read back from what a generator drew. Right knee, extended; lengths mm, angles degrees, ratios to
the femur's epicondylar width W. Where a publication's own definition could not be opened, the
words here are ours, and the table of published figures allows for the difference.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.knee.anatomy import Mesh
from pipeline.knee.camera import unit
from pipeline.knee.frames import FemurFrame, Frames, TibiaFrame, section_points

Array = NDArray[np.float64]


def measure(
    bones: Mapping[str, Mesh], points: Mapping[str, Array], frames: Frames
) -> dict[str, float]:
    """All measures of one extended right knee.

    Args:
        bones: femur, tibia, patella as in `Knee`.
        points: adductor_tubercle and fibular_head (3,).
    """
    return {
        **measure_femur(bones["femur"], points["adductor_tubercle"], frames.femur),
        **measure_tibia(bones["tibia"], frames.tibia, frames.femur.width),
        **measure_joint(bones, points, frames),
    }


@dataclass(frozen=True)
class _Section:
    """A cut through a bone: (S, 2) starts and ends of its segments in the plane, mm."""

    start: Array
    end: Array

    @property
    def middles(self) -> Array:
        return np.asarray((self.start + self.end) / 2)

    def at(self, u: float) -> Array:
        """Sorted second coordinates at which the outline crosses first coordinate `u`."""
        a, b = self.start, self.end
        cut = (a[:, 0] < u) != (b[:, 0] < u)
        part = (u - a[cut, 0]) / (b[cut, 0] - a[cut, 0])
        return np.sort(a[cut, 1] + part * (b[cut, 1] - a[cut, 1]))


def _cut(mesh: Mesh, axis: int, offset: float, u: int, v: int) -> _Section:
    """Section of a mesh in its frame's axes by the plane where coordinate `axis` is `offset`."""
    _, start, end = section_points(mesh, np.eye(3)[axis], np.array([offset]))
    return _Section(start[:, [u, v]], end[:, [u, v]])


def measure_femur(mesh: Mesh, tubercle: Array, f: FemurFrame) -> dict[str, float]:
    """Measures of a femur alone: mm, degrees, ratios; `tubercle`: (3,) mm, the adductor's."""
    axes = np.stack([f.x, f.y, f.z])
    v = (mesh.vertices - f.origin) @ axes.T
    own = Mesh(v, mesh.faces)
    joint = float(v[:, 1].min())
    height = v[:, 1] - joint
    w = f.width
    ends = v[height < 45]
    middle = (ends[:, 2].min() + ends[:, 2].max()) / 2
    halves = ends[ends[:, 2] < middle], ends[ends[:, 2] >= middle]
    depth = [float(np.ptp(half[:, 0])) for half in halves]
    touching = (f.touching - f.origin) @ axes.T
    lean = axes @ f.shaft
    shaft = v[np.abs(height - 100) < 8]
    # The epicondyles stand out at 0.2 to 0.5 of the width above the joint line.
    band = v[(height > 0.2 * w) & (height < 0.5 * w)]
    near = [band[np.argsort(sign * band[:, 2])[-6:]].mean(axis=0) for sign in (-1, 1)]
    back = float(ends[:, 0].min())
    notch_width, notch_depth = _notch(own, joint, back, sum(depth) / 2, w)
    angle, groove, inclination = _trochlea(own, joint, w)
    # Posterior cortex of the shaft, carried down along it.
    low, high = (_cut(own, 1, joint + share * w, 2, 0) for share in (0.9, 1.2))
    rear = [float(s.middles[:, 1].min()) for s in (low, high)]
    lines = rear[0] - (rear[1] - rear[0]) / 0.3 * (0.9 - 0.2)
    radii = [
        _condyle_radius(own, float(z), joint, half)
        for z, half in zip(touching[2:, 2], halves, strict=True)
    ]
    return {
        "femur_width": w,
        "medial_condyle_depth": depth[0],
        "lateral_condyle_depth": depth[1],
        "femur_depth": sum(depth) / 2,
        "femur_shaft_ap": float(np.ptp(shaft[:, 0])),
        "femur_shaft_ml": float(np.ptp(shaft[:, 2])),
        "femur_lateral_angle": 90 - float(np.degrees(np.arctan2(lean[2], lean[1]))),
        "adductor_ratio": float((axes @ (tubercle - f.origin))[1] - joint) / w,
        "medial_epicondyle_ratio": float(near[0][1] - joint) / w,
        "lateral_epicondyle_ratio": float(near[1][1] - joint) / w,
        "posterior_condylar_angle": float(
            np.degrees(np.arctan2(near[0][0] - near[1][0], near[1][2] - near[0][2]))
        ),
        "condyle_distance": float(touching[3, 2] - touching[2, 2]),
        "medial_radius": radii[0],
        "lateral_radius": radii[1],
        "condylar_offset": lines - back,
        "notch_width": notch_width,
        "notch_depth": notch_depth,
        "sulcus_angle": angle,
        "trochlear_depth": groove,
        "trochlear_inclination": inclination,
    }


def _notch(own: Mesh, joint: float, back: float, depth: float, w: float) -> tuple[float, float]:
    """Width of the notch between the condyles' inner walls, and its depth from behind.

    An axial section 0.24 W above the joint line; the width a quarter of the condyles' depth in
    front of their back, the depth straight forward from there to the roof.
    """
    section = _cut(own, 1, joint + 0.24 * w, 0, 2)
    crossings = section.at(back + 0.25 * depth)
    if len(crossings) != 4:
        return np.nan, np.nan
    across = _Section(section.start[:, ::-1], section.end[:, ::-1])
    wall = across.at((crossings[1] + crossings[2]) / 2)
    return float(crossings[2] - crossings[1]), float(wall[0]) - back if len(wall) else np.nan


def _trochlea(own: Mesh, joint: float, w: float) -> tuple[float, float, float]:
    """Sulcus angle (degrees), depth of the groove (mm), lateral inclination (degrees).

    An axial section 0.22 W above the joint line (the angle opens by 6 degrees for every 0.05 W
    up; no publication's level could be opened): the front-most points of both facets and the
    deepest between them; depth below the mean height of the two ridges.
    """
    grid, front, k = _front(own, joint, w)
    m, n = int(np.nanargmax(front[: k + 1])), k + int(np.nanargmax(front[k:]))
    valley = np.array([grid[k], front[k]])
    arms = [np.array([grid[i], front[i]]) - valley for i in (m, n)]
    norms = [float(np.linalg.norm(a)) for a in arms]
    if min(norms) < 1:
        return 180.0, 0.0, 0.0
    angle = np.degrees(np.arccos(np.clip(arms[0] @ arms[1] / (norms[0] * norms[1]), -1, 1)))
    slope = float(np.degrees(np.arctan2(arms[1][1], arms[1][0])))
    return float(angle), float((arms[0][1] + arms[1][1]) / 2), slope


def _front(own: Mesh, joint: float, w: float) -> tuple[Array, Array, int]:
    """Outline of the trochlea from above: (N,) z, (N,) x in front, and the groove's index."""
    section = _cut(own, 1, joint + 0.22 * w, 2, 0)
    grid = np.arange(-0.36 * w, 0.36 * w, 0.5)
    front = np.array([c[-1] if len(c := section.at(float(z))) else np.nan for z in grid])
    inner = np.flatnonzero(np.abs(grid) < 0.16 * w)
    return grid, front, int(inner[np.nanargmin(front[inner])])


def _groove(own: Mesh, joint: float, w: float) -> float:
    """z of the groove's deepest point."""
    grid, _, k = _front(own, joint, w)
    return float(grid[k])


def _condyle_radius(own: Mesh, z: float, joint: float, half: Array) -> float:
    """Radius of the circle through a condyle's sagittal outline where it meets the tibia from
    20 to 100 degrees of flexion (outline direction turned so far from straight down)."""
    section = _cut(own, 2, z, 0, 1)
    a, b = section.start, section.end
    run = b - a
    normal = np.stack([run[:, 1], -run[:, 0]], axis=1)
    length = np.linalg.norm(normal, axis=1)
    middles = section.middles
    normal /= np.maximum(length, 1e-9)[:, None]
    if np.sum(normal * (middles - middles.mean(axis=0)) * length[:, None]) < 0:
        normal = -normal
    # 0 straight down, 90 straight back.
    angle = np.degrees(np.arctan2(-normal[:, 0], -normal[:, 1]))
    low = (middles[:, 1] < joint + 45) & (
        middles[:, 0] < 0.35 * np.ptp(half[:, 0]) + half[:, 0].min()
    )
    use = (angle > 40) & (angle < 110) & low & (length > 1e-6)
    p, weight = middles[use], np.sqrt(length[use])
    design = np.column_stack([2 * p, np.ones(len(p))]) * weight[:, None]
    (cx, cy, c), *_ = np.linalg.lstsq(design, (p**2).sum(axis=1) * weight, rcond=None)
    return float(np.sqrt(c + cx**2 + cy**2))


def measure_tibia(mesh: Mesh, t: TibiaFrame, w: float) -> dict[str, float]:
    """Measures of a tibia alone; `w` is the femur's width."""
    axes = np.stack([t.x, t.y, t.z])
    v = (mesh.vertices - t.centre) @ axes.T
    own = Mesh(v, mesh.faces)
    slab = v[np.abs(v[:, 1] + 90) < 8]
    rim = (t.rim - t.centre) @ axes.T
    top = float(v[:, 1].max())
    edge = float(v[v[:, 1] > top - 15, 2].min())
    depths, seats = [], []
    for share in (0.25, 0.75):
        section = _cut(own, 2, edge + share * t.plateau_width, 0, 1)
        points = section.middles[section.middles[:, 1] > top - 15]
        depths.append(float(np.ptp(points[:, 0])))
        # The bearing surface in the middle of each plateau, as an AP film shows it.
        centre = (points[:, 0].min() + points[:, 0].max()) / 2
        seats.append(float(section.at(centre)[-1]))

    def slope(front: int, back: int) -> float:
        d = rim[front] - rim[back]
        return float(np.degrees(np.arctan2(d[1], d[0])))

    low = v[(v[:, 1] < -0.12 * w) & (v[:, 1] > -0.5 * w)]
    return {
        "plateau_width": t.plateau_width,
        "medial_plateau_depth": depths[0],
        "lateral_plateau_depth": depths[1],
        "plateau_depth": sum(depths) / 2,
        "slope_medial": slope(0, 1),
        "slope_lateral": slope(2, 3),
        "tibia_medial_angle": 90
        - float(np.degrees(np.arctan2(seats[1] - seats[0], 0.5 * t.plateau_width))),
        "tibia_shaft_ap": float(np.ptp(slab[:, 0])),
        "tibia_shaft_ml": float(np.ptp(slab[:, 2])),
        "tubercle_forward": float(low[:, 0].max()),
    }


def measure_joint(
    bones: Mapping[str, Mesh], points: Mapping[str, Array], frames: Frames
) -> dict[str, float]:
    """Measures between bones, and of the patella: mm, degrees, ratios. `points`: (3,) mm each."""
    f, t = frames.femur, frames.tibia
    axes = np.stack([f.x, f.y, f.z])
    femur = (bones["femur"].vertices - f.origin) @ axes.T
    patella = (bones["patella"].vertices - f.origin) @ axes.T
    tip = axes @ (points["fibular_head"] - f.origin)
    joint, w = float(femur[:, 1].min()), f.width
    tibia = bones["tibia"].vertices
    below = (t.centre - tibia) @ t.y
    front = np.flatnonzero((below > 0.15 * w) & (below < 0.45 * w))
    tuberosity = tibia[front[np.argmax(tibia[front] @ t.x)]]
    own = (tuberosity - f.origin) @ axes.T
    # The widest direction of a plateau jumps from knee to knee: the condylar axis, seen from
    # above the tibia, tells side to side more steadily.
    across = unit(f.z - (f.z @ t.y) * t.y)
    side = (points["fibular_head"] - t.centre) @ np.stack([np.cross(t.y, across), t.y, across]).T
    p = frames.patella
    spread = (bones["patella"].vertices - p.origin) @ np.stack([p.x, p.y, p.z]).T
    tilt = np.degrees(np.arctan2(-(axes @ p.z)[0], (axes @ p.z)[2]))
    return {
        "fibula_ratio": (joint - float(tip[1])) / w,
        "fibula_back": -float(side[0]),
        "fibula_lateral": float(side[2]) / (t.plateau_width / 2),
        "tuberosity_ratio": (joint - float(own[1])) / w,
        "patella_lower_pole_ratio": (float(patella[:, 1].min()) - joint) / w,
        "patella_width": float(np.ptp(patella[:, 2])),
        "patella_height": longest(patella),
        "patella_thickness": float(np.ptp(spread[:, 0])),
        "patella_width_to_thickness": float(np.ptp(patella[:, 2]) / np.ptp(spread[:, 0])),
        "patella_tilt": float(tilt),
        "tt_tg": float(own[2] - _groove(Mesh(femur, bones["femur"].faces), joint, w)),
    }


def wall(outer: Mesh, inner: Mesh, up: Array, height: float) -> float:
    """Mean thickness of the cortex at a height along `up` (3,): area of the wall over the mean of
    its two outlines' lengths, mm."""
    areas, lengths = [], []
    for mesh in (outer, inner):
        _, a, b = section_points(mesh, up, np.array([height]))
        areas.append(abs(float(np.sum(np.cross(a, b) @ up))) / 2)
        lengths.append(float(np.linalg.norm(b - a, axis=1).sum()))
    return (areas[0] - areas[1]) / (sum(lengths) / 2)


def longest(patella: Array) -> float:
    """Greatest length of a patella (N, 3) in the sagittal plane, as on a lateral film."""
    angles = np.radians(np.arange(-40, 41, 2.0))
    directions = np.stack([np.sin(angles), np.cos(angles)])
    return float(np.ptp(patella[:, :2] @ directions, axis=0).max())
