"""The four bones as fixed triangle meshes with named places, made once from the shape model."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from synthetic_data.anatomy.axes import Frame, condylar_frame, line_up, section_weights
from synthetic_data.anatomy.geometry import cross, inward_room, taubin, unit
from synthetic_data.anatomy.patches import components, triangulate
from synthetic_data.anatomy.shape_data import read_shape_model, read_topology

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

MODES = 25
# Heights of the mean shape's file axes, mm: the joint, and where shafts are cut off. The cuts
# run along patch borders, 320 mm above the joint and 270 mm below it.
JOINT_Y, FEMUR_TOP, LEG_BOTTOM = 803.0, 1100.0, 530.0
SECTIONS = (0.75, 0.9, 1.05, 1.2, 1.35, 1.5)
UPPER_MM = 15.0
"""The plateau is what lies within this of the tibia's highest point (docs: rim points)."""
WIDEST_TURN = 6.0
"""Mean widest direction of the plateau of sampled knees against that of the mean shape, degrees
(measured on 100 knees; it varies by 12 from one to the next)."""
LEVELS = 14
MEAN_WIDTH = 80.0
"""Nominal epicondylar width of the mean shape, mm; only places shaft sections."""


@dataclass(frozen=True)
class Bone:
    """One bone's mesh: vertices = mean + modes @ scores.

    Attributes:
        mean: (N, 3) mm in the axes of `read_shape_model`.
        modes: (N, 3, MODES) mm a standard deviation.
        faces: (F, 3) int32, outward.
        sections: (len(SECTIONS), N) weights giving centroids of shaft sections, low to high
            on the femur, high to low on the tibia; empty for patella and fibula.
        levels: (K, N) weights giving centroids of the outline at K heights all along the
            shaft, from the knee away; empty for the patella.
    """

    mean: Array
    modes: Array
    faces: NDArray[np.int32]
    sections: Array
    levels: Array

    def shape(self, scores: Array) -> Array:
        """(N, 3) vertices for (MODES,) scores in standard deviations."""
        return np.asarray(self.mean + self.modes @ scores)


@dataclass(frozen=True)
class Template:
    """All bones, and vertex sets on them.

    Attributes:
        femur, tibia, fibula, patella: meshes.
        distal: femoral vertices within 45 mm of the joint line; `distal_medial` marks those
            of the medial half.
        epicondyles: (medial, lateral) femoral vertices, a first guess of the condylar axis.
        plateau: tibial vertices of the upper 30 mm of the mean shape.
        plateau_edges: (E, 2) edges among them.
        plateau_halves: its vertices on the medial and on the lateral side.
        plateau_turn: radians from the line through the halves' middles to the widest direction
            on the mean shape, about the shaft.
        places: named vertices of femur, tibia and (fibular_head) fibula.
        rooms: bone to (N,) mm, how thick the bone is under each vertex on the mean shape.
    """

    femur: Bone
    tibia: Bone
    fibula: Bone
    patella: Bone
    distal: Ints
    distal_medial: NDArray[np.bool_]
    epicondyles: tuple[int, int]
    plateau: Ints
    plateau_edges: Ints
    plateau_halves: tuple[Ints, Ints]
    plateau_turn: float
    places: dict[str, int]
    rooms: dict[str, Array]

    def femur_frame(self, vertices: Array) -> Frame:
        """Working axes of a femur with this topology, (n, 3) mm."""
        shaft = line_up(self.femur.sections @ vertices)
        medial, lateral = self.epicondyles
        return condylar_frame(
            vertices[self.distal], self.distal_medial, shaft, vertices[lateral] - vertices[medial]
        )

    def tibia_frame(self, vertices: Array) -> Frame:
        """Working axes of a tibia, (n, 3) mm: shaft, side to side of the plateau.

        The origin is the plateau's middle, 9 mm under the highest spine: about the rim's height.
        """
        y = line_up(self.tibia.sections @ vertices)
        top = vertices[self.plateau]
        height = top @ y
        rim = top[height > height.max() - UPPER_MM]
        # The widest direction itself hardly changes the width within 20 degrees, so it jumps
        # between people; the line through the two halves' middles stands still.
        z = vertices[self.plateau_halves[1]].mean(axis=0)
        z = z - vertices[self.plateau_halves[0]].mean(axis=0)
        z = unit(z - (z @ y) * y)
        x = cross(y, z)
        c, s = np.cos(self.plateau_turn), np.sin(self.plateau_turn)
        z = c * z + s * x
        x = cross(y, z)
        middle = x * (np.max(rim @ x) + np.min(rim @ x)) / 2
        middle += z * (np.max(rim @ z) + np.min(rim @ z)) / 2
        return Frame(middle + y * (height.max() - 9.0), np.stack([x, y, z]))


def _wanted(fine: float, growth: float):  # type: ignore[no-untyped-def]
    def wanted(points: Array) -> Array:
        return np.asarray(fine + growth * np.maximum(np.abs(points[:, 1] - JOINT_Y) - 45, 0))

    return wanted


@cache
def template() -> Template:
    """The template, made on first use and kept. Raises `Problem` where the data is missing."""
    model = read_shape_model()
    tops = {bone: read_topology(bone) for bone in ("femur", "patella", "tibia")}
    tibia, fibula = sorted(components(tops["tibia"]), key=len, reverse=True)
    wanted = {
        "femur": ("femur", None, _wanted(4.2, 0.07)),
        "tibia": ("tibia", tibia, _wanted(4.2, 0.07)),
        "fibula": ("tibia", fibula, _wanted(4.0, 0.025)),
        "patella": ("patella", None, lambda p: np.full(len(p), 3.4)),
    }
    bones: dict[str, Bone] = {}
    for name, (part, patches, length) in wanted.items():
        top, mean = tops[part], model.mean[part]
        patches = np.arange(len(top.kinds)) if patches is None else patches
        heights = np.array([mean[top.nodes[p]][:, 1].mean() for p in patches])
        kept = patches[(heights > LEG_BOTTOM) & (heights < FEMUR_TOP)]
        surface = triangulate(top, mean, kept, length)
        matrix = taubin(surface.faces, surface.matrix.shape[0], 2) @ surface.matrix
        modes = model.modes[part][:, :, :MODES]
        vertices = matrix @ mean
        moved = np.stack([matrix @ modes[:, :, k] for k in range(MODES)], axis=2)
        sections = np.zeros((0, len(vertices)))
        if name in ("femur", "tibia"):
            sign = 1 if name == "femur" else -1
            sections = np.stack(
                [
                    section_weights(vertices, surface.faces, JOINT_Y - 4 + sign * MEAN_WIDTH * s)
                    for s in SECTIONS
                ]
            )
        levels = np.zeros((0, len(vertices)))
        if name != "patella":
            away = vertices[:, 1].max() if name == "femur" else vertices[:, 1].min()
            heights = np.linspace(JOINT_Y + (50 if name == "femur" else -45), away, LEVELS + 1)
            levels = np.stack([section_weights(vertices, surface.faces, y) for y in heights[:-1]])
        bones[name] = Bone(vertices, moved, surface.faces.astype(np.int32), sections, levels)
    return _named(bones)


def _named(bones: dict[str, Bone]) -> Template:
    """Vertex sets and places found on the mean shape."""
    femur, tibia = bones["femur"].mean, bones["tibia"].mean
    low = femur[:, 1] < femur[:, 1].min() + 45
    distal = np.flatnonzero(low)
    ends = femur[low]
    epicondyles = (int(distal[np.argmin(ends[:, 2])]), int(distal[np.argmax(ends[:, 2])]))
    middle = (ends[:, 2].min() + ends[:, 2].max()) / 2
    top = tibia[:, 1].max()
    plateau = np.flatnonzero(tibia[:, 1] > top - 30)
    rim = tibia[plateau]
    faces = bones["tibia"].faces.astype(np.int64)
    edges = np.unique(
        np.sort(np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]]), axis=1),
        axis=0,
    )
    upper = plateau[rim[:, 1] > top - UPPER_MM]
    flat = tibia[upper][:, [0, 2]] - tibia[upper][:, [0, 2]].mean(axis=0)
    y = line_up(bones["tibia"].sections @ tibia)
    angles = np.radians(np.arange(-30.0, 30.5, 0.5))
    turned = np.stack([np.sin(angles), np.cos(angles)])
    widest = angles[np.argmax(np.ptp(flat @ turned, axis=0))]
    along = flat @ np.array([np.sin(widest), np.cos(widest)])
    halves = upper[along < np.quantile(along, 0.3)], upper[along > np.quantile(along, 0.7)]
    between = tibia[halves[1]].mean(axis=0) - tibia[halves[0]].mean(axis=0)
    z = np.array([np.sin(widest), 0.0, np.cos(widest)])
    z, between = unit(z - (z @ y) * y), unit(between - (between @ y) * y)
    turn_of_plateau = float(np.arctan2(z @ cross(y, between), z @ between))
    turn_of_plateau += np.radians(WIDEST_TURN)
    made = Template(
        bones["femur"],
        bones["tibia"],
        bones["fibula"],
        bones["patella"],
        distal,
        ends[:, 2] < middle,
        epicondyles,
        plateau,
        edges[np.isin(edges, plateau).all(axis=1)],
        halves,
        turn_of_plateau,
        {},
        {},
    )
    made.places.update(_femoral_places(made))
    made.places.update(_leg_places(made))
    made.rooms.update({name: inward_room(bone.mean, bone.faces) for name, bone in bones.items()})
    return made


def _nearest(points: Array, wanted: tuple[float, float, float]) -> int:
    return int(np.argmin(np.sum((points - np.array(wanted)) ** 2, axis=1)))


def _femoral_places(t: Template) -> dict[str, int]:
    """The adductor tubercle and three points along the trochlear groove."""
    v = t.femur_frame(t.femur.mean).local(t.femur.mean)
    ends = v[t.distal]
    width = np.ptp(ends[:, 2])
    low, back = ends[:, 1].min(), ends[:, 0].min()
    # Height and depth: J Orthop Surg Res 2018, s13018-018-0963-2 (0.558 and 0.313 of the width).
    strip = np.flatnonzero(
        (np.abs(v[:, 1] - low - 0.558 * width) < 2.5)
        & (np.abs(v[:, 0] - back - 0.313 * width) < 2.5)
    )
    places = {"adductor_tubercle": int(strip[np.argmin(v[strip, 2])])}
    centre = np.array([0.30, 0.22]) * width
    around = v[:, :2] - centre
    radius = np.hypot(*around.T)
    angle = np.degrees(np.arctan2(-around[:, 1], around[:, 0]))
    for wanted in (0, 25, 50):
        near = np.flatnonzero(
            (np.abs(angle - wanted) < 4)
            & (np.abs(v[:, 2]) < 0.15 * width)
            & (radius > 0.15 * width)
        )
        places[f"groove_{wanted}"] = int(near[np.argmin(radius[near])])
    return places


def _leg_places(t: Template) -> dict[str, int]:
    """Spines, tuberosity, fibular tip."""
    frame = t.tibia_frame(t.tibia.mean)
    v = frame.local(t.tibia.mean)
    fibula = frame.local(t.fibula.mean)
    down = np.flatnonzero((v[:, 1] < -16) & (v[:, 1] > -22))
    return {
        "medial_spine": _nearest(v, (1.0, 8.0, -6.0)),
        "lateral_spine": _nearest(v, (-4.5, 8.0, 5.5)),
        "tuberosity": int(down[np.argmax(v[down, 0])]),
        "fibular_head": int(np.argmax(fibula[:, 1])),
    }
