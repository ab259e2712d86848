"""Bones brought to a person's sizes: scales, slopes, angles, small features, smooth variation.

Each function takes vertices of known topology and returns new ones in the bone's own working
axes: femur with the joint line's touching points around the origin, tibia with the middle of
the plateau there; x anterior, y up, z lateral, mm.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from synthetic_data.anatomy.axes import line_up
from synthetic_data.anatomy.geometry import smooth_step
from synthetic_data.anatomy.population import Person
from synthetic_data.anatomy.template import UPPER_MM, Template

Array = NDArray[np.float64]


class SmoothField:
    """A smooth random displacement of space: sums of plane waves, long ones everywhere, shorter
    ones near the joint (a shaft is not wavy), the shortest only at it.

    Args:
        sd_mm: SD of each component of the displacement near the joint.
    """

    def __init__(self, rng: np.random.Generator, sd_mm: float) -> None:
        self.parts = [
            _waves(rng, 0.8 * sd_mm, 140.0, 400.0),
            _waves(rng, 0.55 * sd_mm, 35.0, 110.0),
            _waves(rng, 0.12 * sd_mm, 20.0, 35.0),
        ]

    def __call__(self, points: Array) -> Array:
        """(N, 3) displacement in mm at (N, 3) points; heights count from the joint."""
        wave, phase, size = self.parts[0]
        out = np.cos(points @ wave.T + phase) @ size
        height = np.abs(points[:, 1])
        for (wave, phase, size), start, end in zip(
            self.parts[1:], (40.0, 30.0), (90.0, 60.0), strict=True
        ):
            near = np.flatnonzero(height < end)
            fade = 1 - smooth_step(height[near], start, end)
            out[near] += fade[:, None] * (np.cos(points[near] @ wave.T + phase) @ size)
        return np.asarray(out)


def _waves(
    rng: np.random.Generator, sd_mm: float, shortest_mm: float, longest_mm: float, count: int = 6
) -> tuple[Array, Array, Array]:
    """Wave vectors (count, 3) per mm, phases (count,), amplitudes (count, 3) mm."""
    direction = rng.normal(size=(count, 3))
    direction /= np.linalg.norm(direction, axis=1, keepdims=True)
    length = np.exp(rng.uniform(np.log(shortest_mm), np.log(longest_mm), size=(count, 1)))
    phase = rng.uniform(0, 2 * np.pi, size=count)
    return (
        2 * np.pi * direction / length,
        phase,
        rng.normal(size=(count, 3)) * sd_mm * np.sqrt(2 / count),
    )


def _bend(height: Array, start: float, length: float) -> Array:
    """A ramp of slope 1 that begins softly: 0 below `start`, straight above start + length."""
    t = np.clip((height - start) / length, 0.0, 1.0)
    return np.asarray(length * t * t / 2 + np.maximum(height - start - length, 0.0))


def _scale_shaft(
    vertices: Array, line: Array, near: NDArray[np.bool_], wanted: tuple[float, float], on: Array
) -> None:
    """Scales x and z about the shaft's line where `on` (0..1) says so; changes `vertices`.

    Args:
        line: (K, 3) section centroids.
        near: (N,) vertices of the section whose width counts.
        wanted: (x, z) widths in mm.
    """
    for axis, width in zip((0, 2), wanted, strict=True):
        slope, offset = np.polyfit(line[:, 1], line[:, axis], 1)
        centre = slope * vertices[:, 1] + offset
        across = vertices[:, axis] - centre
        factor = width / np.ptp(across[near])
        vertices[:, axis] = centre + across * (1 + on * (factor - 1))


def shape_femur(t: Template, vertices: Array, person: Person, field: SmoothField) -> Array:
    """Femur (N, 3) in its own frame, of the person's widths, depth, angle and tubercle height."""
    v = t.femur_frame(vertices).local(vertices)
    v = v + field(v)
    v = t.femur_frame(v).local(v)
    low = v[t.distal, 1].min()
    ends = v[t.distal]
    width = np.ptp(ends[:, 2])
    middle = (ends[:, 2].max() + ends[:, 2].min()) / 2
    halves = ends[ends[:, 2] < middle, 0], ends[ends[:, 2] >= middle, 0]
    depth = (np.ptp(halves[0]) + np.ptp(halves[1])) / 2
    wide = person["femur_width"] / width
    v *= np.array([person["femur_depth"] / depth, wide, wide])
    low *= wide
    size = person["femur_width"]
    _shape_trochlea(t, v, low, person)
    _shape_notch(t, v, low, person)

    h = v[:, 1] - low
    _scale_shaft(
        v,
        t.femur.sections @ v,
        np.abs(h - 100) < 8,
        (person["femur_shaft_ap"], person["femur_shaft_ml"]),
        smooth_step(h, 0.55 * size, 1.05 * size),
    )
    # aLDFA is measured on the lateral side; a shaft leaning lateral going up makes it smaller.
    # Centroids of outlines, used here, lean 1 degree less than those of areas.
    for _ in range(2):
        axis = line_up(t.femur.sections @ v)
        change = np.tan(np.radians(91 - person["femur_lateral_angle"])) - axis[2] / axis[1]
        v[:, 2] += change * _bend(h, 0.4 * size, 0.5 * size)

    _bow(v, h - 55.0, person["femur_bow_front"], person["femur_bow_side"])
    v = torsion(v, person["femur_twist"], low + 0.6 * size, 250.0)

    tubercle = v[t.places["adductor_tubercle"]].copy()
    wanted = person["adductor_ratio"] * size + low
    near = np.exp(-np.sum((v - tubercle) ** 2, axis=1) / (2 * (0.22 * size) ** 2))
    v[:, 1] += (wanted - tubercle[1]) * near
    tubercle = v[t.places["adductor_tubercle"]]
    bump = np.exp(-np.sum((v - tubercle) ** 2, axis=1) / (2 * 4.5**2))
    v += person["tubercle_bump"] * bump[:, None] * np.array([-0.45, 0.25, -0.85])
    return t.femur_frame(v).local(v)


def _shape_trochlea(t: Template, v: Array, low: float, person: Person) -> None:
    """The groove deeper, or shallower, between its ridges; changes `v`."""
    size = person["femur_width"]
    places = [t.places[f"groove_{k}"] for k in (0, 25, 50)]
    near = np.flatnonzero(v[:, 1] < low + 0.65 * size)
    d = (v[near, 2] - v[places, 2].mean()) / (0.075 * size)
    # Groove down and ridges up, so that the bone's depth stays.
    profile = np.exp(-(d**2) / 2) - 0.25 * np.exp(-((np.abs(d) - 2.6) ** 2) / 2)
    # Radial about the trochlea's centre: on the front and on the lower front alike.
    away = v[near, :2] - np.array([0.26 * size, low + 0.26 * size])
    radius = np.hypot(*away.T)
    ahead = smooth_step(away[:, 0] - 0.55 * np.minimum(away[:, 1], 0), 0.0, 0.16 * size)
    fade = 1 - smooth_step(v[near, 1] - low, 0.42 * size, 0.65 * size)
    move = person["groove_deeper"] * profile * ahead * fade
    v[near, :2] -= (move / np.maximum(radius, 5.0))[:, None] * away


def _shape_notch(t: Template, v: Array, low: float, person: Person) -> None:
    """The inner walls of the condyles nearer to each other, or farther apart; changes `v`."""
    size = person["femur_width"]
    near = np.flatnonzero(v[:, 1] < low + 0.5 * size)
    across = v[near, 2] - v[[t.places[f"groove_{k}"] for k in (25, 50)], 2].mean()
    u = across / (0.14 * size)
    on = 1 - smooth_step(v[near, 1] - low, 0.3 * size, 0.5 * size)
    on *= 1 - smooth_step(v[near, 0], 0.12 * size, 0.3 * size)
    v[near, 2] -= person["notch_narrower"] * u * np.exp(0.5 - u * u / 2) * on


def _bow(v: Array, along: Array, front: float, side: float) -> None:
    """A shaft bent more, or less, by so many mm 200 mm along it; changes `v`."""
    bend = (np.maximum(along, 0.0) / 200.0) ** 2
    v[:, 0] += front * bend
    v[:, 2] += side * bend


def rims(t: Template, v: Array) -> tuple[dict[str, Array], dict[str, float]]:
    """The four rim points, (3,) mm, of a tibia, `v` (n, 3) mm in its own axes; the two plateaux'
    depths along x, mm.

    Sagittal sections at 25 and 75 % of the width; rim points of the upper 15 mm, depths of the
    upper 8 mm of each plateau, seen along its own slope so that a steep one is not cut off.
    """
    top = v[:, 1].max() - UPPER_MM
    rim = _upper(t, v)
    low, high = rim[:, 2].min(), rim[:, 2].max()
    a, b = v[t.plateau_edges[:, 0]], v[t.plateau_edges[:, 1]]
    out, depth = {}, {}
    for side, share in (("medial", 0.25), ("lateral", 0.75)):
        z = low + share * (high - low)
        cut = (a[:, 2] < z) != (b[:, 2] < z)
        part = (z - a[cut, 2]) / (b[cut, 2] - a[cut, 2])
        points = a[cut] + part[:, None] * (b[cut] - a[cut])
        edge = points[points[:, 1] > top]
        front = edge[np.argmax(edge[:, 1] + edge[:, 0])]
        back = edge[np.argmax(edge[:, 1] - edge[:, 0])]
        rise = points[:, 1] - (front[1] - back[1]) / (front[0] - back[0]) * points[:, 0]
        depth[side] = float(np.ptp(points[rise > rise.max() - 8.0, 0]))
        out[f"{side}_anterior"], out[f"{side}_posterior"] = front, back
    return out, depth


def shape_leg(
    t: Template, tibia: Array, fibula: Array, person: Person, field: SmoothField
) -> tuple[Array, Array]:
    """Tibia and fibula (N, 3) in the tibia's own axes, of the person's sizes, slopes, angle."""
    n = len(tibia)
    v = t.tibia_frame(tibia).local(np.concatenate([tibia, fibula]))
    v += field(v)
    v = t.tibia_frame(v[:n]).local(v)
    v *= person["tibia_width"] / np.ptp(_upper(t, v)[:, 2])
    _raise_spines(t, v, person)
    _dish(v, n, person)
    # Each step disturbs the others a little: twice round settles them.
    for _ in range(3):
        v = t.tibia_frame(v[:n]).local(v)
        _fit_plateau(t, v, n, person)
    v = t.tibia_frame(v[:n]).local(v)
    size = person["tibia_width"]
    # The ratio counts from the femoral joint line, about 0.1 of the width above this origin.
    place = v[t.places["tuberosity"]]
    near = np.exp(-np.sum((v - place) ** 2, axis=1) / (2 * (0.2 * size) ** 2))
    v[:, 1] -= ((person["tubercle_ratio"] - 0.1) * person["femur_width"] + place[1]) * near
    # The shape model smooths the tuberosity away: a low ridge, longer than wide.
    d = (v - v[t.places["tuberosity"]]) / np.array([9.0, 10.0, 6.5])
    v[:, 0] += person["tuberosity_bump"] * np.exp(-np.sum(d**2, axis=1) / 2)
    _scale_shaft(
        v[:n],
        t.tibia.sections @ v[:n],
        np.abs(v[:n, 1] + 90) < 8,
        (person["tibia_shaft_ap"], person["tibia_shaft_ml"]),
        smooth_step(-v[:n, 1], 0.35 * size, 0.95 * size),
    )
    _bow(v, -v[:, 1] - 55.0, person["tibia_bow_front"], person["tibia_bow_side"])
    v = torsion(v, person["tibia_twist"], 25.0, 200.0)
    v = t.tibia_frame(v[:n]).local(v)
    return v[:n], v[n:]


def _dish(v: Array, n: int, person: Person) -> None:
    """Bearing surfaces hollowed, or domed, in their middle; changes `v` (tibia first, n)."""
    size = person["tibia_width"]
    top = v[:n, 1].max()
    near = np.flatnonzero(v[:n, 1] > top - UPPER_MM)
    for side, sign in (("medial", -1), ("lateral", 1)):
        d = (v[near][:, [0, 2]] - np.array([0.0, sign * 0.27 * size])) / size
        hollow = np.exp(-((d[:, 0] / 0.15) ** 2 + (d[:, 1] / 0.085) ** 2) / 2)
        v[near, 1] -= person[f"dish_{side}"] * hollow


def _fit_plateau(t: Template, v: Array, n: int, person: Person) -> None:
    """Width, depth, slopes and coronal angle of the plateau; changes `v` (tibia first, n)."""
    rim, depth = rims(t, v[:n])
    spans = {s: rim[f"{s}_anterior"] - rim[f"{s}_posterior"] for s in ("medial", "lateral")}
    wide = person["tibia_width"] / np.ptp(_upper(t, v)[:, 2])
    deep = 2 * person["tibia_depth"] / (depth["medial"] + depth["lateral"])
    v *= np.array([deep, 1.0, wide])
    size = person["tibia_width"]
    upper = smooth_step(v[:, 1], -0.55 * size, -0.12 * size)
    # The fibular head, standing behind the plateau, follows it by half.
    upper[n:] *= 0.5
    for side, sign in (("medial", -1), ("lateral", 1)):
        slope = spans[side][1] / (deep * spans[side][0])
        change = np.tan(np.radians(person[f"slope_{side}"])) - slope
        share = smooth_step(sign * v[:, 2], -0.12 * size, 0.12 * size)
        v[:, 1] += change * v[:, 0] * share * upper
    # MPTA is the angle on the medial side between shaft and plateau, below 90 where the medial
    # side lies lower; the plateau as films show it: the bearing surfaces, not their rims.
    places = [np.array([0.0, sign * 0.27 * size]) for sign in (-1, 1)]
    heights = [
        v[t.plateau][np.argsort(np.hypot(*(top_view - place).T))[:12], 1].mean()
        for top_view, place in ((_from_above(t, v), place) for place in places)
    ]
    change = np.tan(np.radians(90 - person["tibia_medial_angle"])) - (heights[1] - heights[0]) / (
        0.54 * size
    )
    v[:, 1] += change * v[:, 2] * upper


def _upper(t: Template, v: Array) -> Array:
    """The plateau's vertices, those within 15 mm of its highest point."""
    top = v[t.plateau]
    return np.asarray(top[top[:, 1] > top[:, 1].max() - UPPER_MM])


def _from_above(t: Template, v: Array) -> Array:
    """(N, 2) x and z of the plateau's vertices, those below its upper 15 mm put far away."""
    top = v[t.plateau]
    out = top[:, [0, 2]].copy()
    out[top[:, 1] < top[:, 1].max() - UPPER_MM] = 1e6
    return out


def _raise_spines(t: Template, v: Array, person: Person) -> None:
    """Two clear tibial spines in place of the shape model's smooth mound; changes `v`."""
    scale = person["tibia_width"] / 72.0
    for side in ("medial", "lateral"):
        height = person[f"spine_bump_{side}"]
        tip = v[t.places[f"{side}_spine"]]
        d = v - tip
        near = np.exp(-((d[:, 0] / (5.5 * scale)) ** 2 + (d[:, 2] / (2.6 * scale)) ** 2) / 2)
        near *= v[:, 1] > tip[1] - 12
        v[:, 1] += height * scale * near


def shape_patella(t: Template, vertices: Array, person: Person, field: SmoothField) -> Array:
    """Patella (N, 3) about its middle, of the person's width, height and thickness.

    It stands in the femur's axes as the mean patella does: how a training subject's patella
    happened to lie is taken out (Kabsch 1976, Acta Cryst A32:922).
    """
    rotation = t.femur_frame(t.femur.mean).rotation
    mean = t.patella.mean - t.patella.mean.mean(axis=0)
    v = vertices - vertices.mean(axis=0)
    u, _, w = np.linalg.svd(v.T @ mean)
    fix = u @ np.diag([1.0, 1.0, np.sign(np.linalg.det(u @ w))]) @ w
    v = v @ fix @ rotation.T
    v = v + field(v)
    # The ridge behind, which meets the groove, nearer to one edge.
    half = np.ptp(v[:, 2]) / 2
    behind = smooth_step(-v[:, 0], 0.0, np.ptp(v[:, 0]) / 2)
    v[:, 2] -= person["patella_ridge"] * behind * np.maximum(1 - (v[:, 2] / half) ** 2, 0.0)
    wanted = [person["patella_thickness"], person["patella_height"], person["patella_width"]]
    v *= np.array(wanted) / np.ptp(v, axis=0)
    return np.asarray(v - (v.max(axis=0) + v.min(axis=0)) / 2)


def torsion(v: Array, degrees: float, start: float, length: float) -> Array:
    """A bone, (n, 3) mm, twisted about its long axis from `start` mm away, on over `length`."""
    share = np.clip((np.abs(v[:, 1]) - start) / length, 0.0, 1.2)
    c, s = np.cos(np.radians(degrees) * share), np.sin(np.radians(degrees) * share)
    out = v.copy()
    out[:, 0] = c * v[:, 0] + s * v[:, 2]
    out[:, 2] = -s * v[:, 0] + c * v[:, 2]
    return out
