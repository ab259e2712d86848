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
from synthetic_data.anatomy.template import Template

Array = NDArray[np.float64]


class SmoothField:
    """A smooth random displacement of space: sums of plane waves, long ones everywhere and
    shorter ones near the joint (a shaft is not wavy).

    Args:
        sd_mm: SD of each component of the displacement near the joint.
    """

    def __init__(self, rng: np.random.Generator, sd_mm: float) -> None:
        self.parts = [
            _waves(rng, 0.8 * sd_mm, 140.0, 400.0),
            _waves(rng, 0.6 * sd_mm, 35.0, 110.0),
        ]

    def __call__(self, points: Array) -> Array:
        """(N, 3) displacement in mm at (N, 3) points; heights count from the joint."""
        near = 1 - smooth_step(np.abs(points[:, 1]), 40, 90)
        long, short = (np.cos(points @ waves.T + phase) @ size for waves, phase, size in self.parts)
        return np.asarray(long + near[:, None] * short)


def _waves(
    rng: np.random.Generator, sd_mm: float, shortest_mm: float, longest_mm: float, count: int = 8
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
    vertices: Array, line: Array, near: Array, wanted: tuple[float, float], on: Array
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

    h = v[:, 1] - low
    _scale_shaft(
        v,
        t.femur.sections @ v,
        np.abs(h - 100) < 8,
        (person["femur_shaft_ap"], person["femur_shaft_ml"]),
        smooth_step(h, 0.55 * size, 1.05 * size),
    )
    axis = line_up(t.femur.sections @ v)
    angle = 90 - np.degrees(np.arctan2(axis[2], axis[1]))
    # aLDFA is measured on the lateral side; a shaft leaning lateral going up makes it smaller.
    change = np.tan(np.radians(90 - person["femur_lateral_angle"])) - np.tan(np.radians(90 - angle))
    v[:, 2] += change * _bend(h, 0.4 * size, 0.5 * size)

    tubercle = v[t.places["adductor_tubercle"]].copy()
    wanted = person["adductor_ratio"] * size + low
    near = np.exp(-np.sum((v - tubercle) ** 2, axis=1) / (2 * (0.22 * size) ** 2))
    v[:, 1] += (wanted - tubercle[1]) * near
    tubercle = v[t.places["adductor_tubercle"]]
    bump = np.exp(-np.sum((v - tubercle) ** 2, axis=1) / (2 * 4.5**2))
    v += 2.6 * bump[:, None] * np.array([-0.45, 0.25, -0.85])
    return t.femur_frame(v).local(v)


def rims(t: Template, v: Array) -> dict[str, Array]:
    """The four rim points of a tibia in its own axes: sagittal sections at 25 and 75 %."""
    rim = v[t.plateau]
    low, high = rim[:, 2].min(), rim[:, 2].max()
    out = {}
    for side, share in (("medial", 0.25), ("lateral", 0.75)):
        strip = rim[np.abs(rim[:, 2] - (low + share * (high - low))) < 2.5]
        strip = strip[strip[:, 1] > strip[:, 1].max() - 15]
        out[f"{side}_anterior"] = strip[np.argmax(strip[:, 1] + strip[:, 0])]
        out[f"{side}_posterior"] = strip[np.argmax(strip[:, 1] - strip[:, 0])]
    return out


def _slope(rim: dict[str, Array], side: str) -> float:
    d = rim[f"{side}_anterior"] - rim[f"{side}_posterior"]
    return float(np.degrees(np.arctan2(d[1], d[0])))


def shape_leg(
    t: Template, tibia: Array, fibula: Array, person: Person, field: SmoothField
) -> tuple[Array, Array]:
    """Tibia and fibula (N, 3) in the tibia's own axes, of the person's sizes, slopes, angle."""
    frame = t.tibia_frame(tibia)
    n = len(tibia)
    v = frame.local(np.concatenate([tibia, fibula]))
    v += field(v)
    frame = t.tibia_frame(v[:n])
    v = frame.local(v)
    for _ in range(2):
        rim = rims(t, v[:n])
        depth = sum(
            rim[f"{s}_anterior"][0] - rim[f"{s}_posterior"][0] for s in ("medial", "lateral")
        )
        width = np.ptp(v[t.plateau, 2])
        wide, deep = person["tibia_width"] / width, person["tibia_depth"] / (depth / 2)
        v *= np.array([deep, wide, wide])
    size = person["tibia_width"]
    shaft = smooth_step(-v[:, 1], 0.35 * size, 0.95 * size)
    on = v[:n]
    _scale_shaft(
        on,
        t.tibia.sections @ on,
        np.abs(on[:, 1] + 90) < 8,
        (person["tibia_shaft_ap"], person["tibia_shaft_ml"]),
        shaft[:n],
    )
    top = smooth_step(v[:, 1], -0.55 * size, -0.12 * size)
    rim = rims(t, v[:n])
    for side, sign in (("medial", -1), ("lateral", 1)):
        change = np.tan(np.radians(person[f"slope_{side}"])) - np.tan(np.radians(_slope(rim, side)))
        share = smooth_step(sign * v[:, 2], -0.12 * size, 0.12 * size)
        v[:, 1] += change * v[:, 0] * share * top
    axis = line_up(t.tibia.sections @ v[:n])
    rim = rims(t, v[:n])
    middle = {s: (rim[f"{s}_anterior"] + rim[f"{s}_posterior"]) / 2 for s in ("medial", "lateral")}
    across = middle["lateral"] - middle["medial"]
    # MPTA is the angle on the medial side between shaft and plateau: below 90 the medial side
    # lies lower.
    angle = 90 - np.degrees(np.arctan2(across[1], across[2]) - np.arctan2(-axis[2], axis[1]))
    change = np.radians(angle - person["tibia_medial_angle"])
    v[:, 1] += np.tan(change) * v[:, 2] * top
    _raise_spines(t, v, size)
    frame = t.tibia_frame(v[:n])
    v = frame.local(v)
    return v[:n], v[n:]


def _raise_spines(t: Template, v: Array, size: float) -> None:
    """Two clear tibial spines in place of the shape model's smooth mound; changes `v`."""
    scale = size / 72.0
    peaks = {"medial_spine": 3.6, "lateral_spine": 3.4}
    for name, height in peaks.items():
        tip = v[t.places[name]]
        d = v - tip
        near = np.exp(-((d[:, 0] / (5.5 * scale)) ** 2 + (d[:, 2] / (2.6 * scale)) ** 2) / 2)
        near *= v[:, 1] > tip[1] - 12
        v[:, 1] += height * scale * near


def shape_patella(vertices: Array, rotation: Array, person: Person, field: SmoothField) -> Array:
    """Patella (N, 3) about its middle, of the person's width, height and thickness.

    Args:
        rotation: (3, 3) rows X, Y, Z of the femur that it came with.
    """
    v = (vertices - vertices.mean(axis=0)) @ rotation.T
    v = v + field(v)
    wanted = [person["patella_thickness"], person["patella_height"], person["patella_width"]]
    v *= np.array(wanted) / np.ptp(v, axis=0)
    return np.asarray(v - (v.max(axis=0) + v.min(axis=0)) / 2)


def torsion(v: Array, degrees: float, start: float, length: float) -> Array:
    """A tibia twisted about its long axis below `start` (mm under the plateau)."""
    share = smooth_step(-v[:, 1], start, start + length)
    c, s = np.cos(np.radians(degrees) * share), np.sin(np.radians(degrees) * share)
    out = v.copy()
    out[:, 0] = c * v[:, 0] + s * v[:, 2]
    out[:, 2] = -s * v[:, 0] + c * v[:, 2]
    return out
