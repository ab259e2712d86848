"""Osteoarthritis of the knee by grade.

Grades after Kellgren & Lawrence, Ann Rheum Dis 1957;16:494 (from memory): 1 doubtful, 2 definite
osteophytes, 3 narrowing as well, 4 bone on bone with sclerosis. The amounts by grade are design
values; the medial side is worn more often than the lateral (common practice, no source).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.knee.anatomy import Knee, Mesh
from pipeline.knee.frames import Frames, frames_of
from synthetic_data.anatomy.geometry import unit
from synthetic_data.hardware.bodies import occupied
from synthetic_data.pathology.leg import bump, close_joint, noted, over, spaces

Array = NDArray[np.float64]

LOSS = {1: (0.05, 0.3), 2: (0.15, 0.5), 3: (0.5, 0.85), 4: (0.85, 1.0)}
"""Share of the worn side's joint space that is gone."""

GROWTH = {1: (0.4, 1.3), 2: (1.0, 3.0), 3: (1.5, 4.5), 4: (2.5, 7.0)}
"""Height of osteophytes, mm."""

SCLEROSIS = {1: (0.0, 0.4), 2: (0.0, 1.0), 3: (0.6, 2.4), 4: (1.5, 4.0)}
"""Thickening of the subchondral plate under the worn side, mm."""

WEAR = {1: (0.0, 0.0), 2: (0.0, 0.3), 3: (0.0, 1.0), 4: (0.5, 3.0)}
"""Bone worn off the plateau, mm."""

CLOSED_MM = 0.4
"""Joint space where the cartilage is gone."""


@dataclass
class Osteoarthritis:
    """Worn cartilage and bone, osteophytes, sclerosis, and the lean that follows.

    Attributes:
        grades: how often grade 1, 2, 3 and 4 are drawn.
        medial, lateral: share of knees worn on that side; the rest are worn on both.
        attrition: whether bone may be worn off.
    """

    grades: tuple[float, float, float, float] = (0.22, 0.32, 0.28, 0.18)
    medial: float = 0.68
    lateral: float = 0.18
    attrition: bool = True

    def apply(self, knee: Knee, rng: np.random.Generator) -> Knee:
        """The knee with it; a knee that has been replaced stays as it is.

        Landmarks are measured on femur and tibia without their osteophytes.
        """
        if occupied(knee, ("implant",)):
            return knee
        odds = np.asarray(self.grades) / np.sum(self.grades)
        grade = int(rng.choice([1, 2, 3, 4], p=odds))
        kind = rng.random()
        sides = (
            ("medial",)
            if kind < self.medial
            else ("lateral",)
            if kind < self.medial + self.lateral
            else ("medial", "lateral")
        )
        frames = frames_of(knee.surfaces)
        loss = {
            side: float(rng.uniform(*LOSS[grade]) if side in sides else rng.uniform(0, 0.15))
            for side in ("medial", "lateral")
        }
        wear = {
            side: float(rng.uniform(*WEAR[grade])) if side in sides and self.attrition else 0.0
            for side in ("medial", "lateral")
        }
        hard = {
            side: float(rng.uniform(*SCLEROSIS[grade])) if side in sides else 0.0
            for side in ("medial", "lateral")
        }
        knee = _worn(knee, frames, wear, hard, rng)
        femur = _ends(knee.bones["femur"], frames)
        (medial, lateral, _), _ = spaces(femur, knee.bones["tibia"], frames)
        # Spaces are measured after the wear, so worn bone is closed up as well.
        wanted = (
            max((medial - wear["medial"]) * (1 - loss["medial"]), CLOSED_MM),
            max((lateral - wear["lateral"]) * (1 - loss["lateral"]), CLOSED_MM),
        )
        knee, frames, lean, reached = close_joint(knee, frames, wanted)
        knee = replace(knee, measured={**knee.measured, **_whole(knee)})
        knee, number, largest = _grown(knee, frames, grade, sides, rng)
        return noted(
            knee,
            "osteoarthritis",
            {
                "grade": float(grade),
                "sides": " and ".join(sides),
                "loss_medial": loss["medial"],
                "loss_lateral": loss["lateral"],
                "gap_medial_mm": reached[0],
                "gap_lateral_mm": reached[1],
                "varus_deg": lean,
                "wear_medial_mm": wear["medial"],
                "wear_lateral_mm": wear["lateral"],
                "sclerosis_medial_mm": hard["medial"],
                "sclerosis_lateral_mm": hard["lateral"],
                "osteophytes": float(number),
                "osteophyte_mm": largest,
            },
        )


def _whole(knee: Knee) -> dict[str, Mesh]:
    """Femur and tibia as they are before osteophytes grow."""
    return {name: knee.surfaces[name] for name in ("femur", "tibia")}


def _ends(mesh: Mesh, frames: Frames) -> Array:
    """(N, 3) points of the distal femur."""
    f = frames.femur
    return mesh.vertices[(mesh.vertices - f.origin) @ f.y < 35.0]


def _worn(
    knee: Knee,
    frames: Frames,
    wear: Mapping[str, float],
    hard: Mapping[str, float],
    rng: np.random.Generator,
) -> Knee:
    """Bone worn off the plateau where the femur bears on it; a thicker plate on both sides."""
    _, at = spaces(_ends(knee.bones["femur"], frames), knee.bones["tibia"], frames)
    t = frames.tibia
    bones, marrow = dict(knee.bones), dict(knee.marrow)
    for where, side in zip(at, ("medial", "lateral"), strict=True):
        if wear[side] <= 0 and hard[side] <= 0:
            continue
        sign = -1.0 if side == "medial" else 1.0
        for name in ("tibia", "femur"):
            shell, core = bones[name], marrow[name]
            local = shell.vertices - where
            flat = np.hypot((local @ t.x) / 19.0, (local @ t.z - 3.0 * sign) / 13.0)
            # Within reach of the joint line, and on the side that faces it.
            height = local @ t.y if name == "femur" else -(local @ t.y)
            share = np.exp(-(flat**2)) * np.exp(-((np.clip(height, 0, None) / 14.0) ** 2))
            drop = np.zeros_like(shell.vertices)
            if name == "tibia":
                drop = -(wear[side] * share)[:, None] * t.y
            inward = core.vertices - shell.vertices
            length = np.linalg.norm(inward, axis=1, keepdims=True)
            extra = hard[side] * float(rng.uniform(0.5, 1.0) if name == "femur" else 1.0)
            # The plate never takes more than half of the room that is left under it.
            thicker = (extra * share)[:, None] * inward / np.maximum(length, 1e-6)
            bones[name] = Mesh(shell.vertices + drop, shell.faces)
            marrow[name] = Mesh(core.vertices + drop + thicker, core.faces)
    measured = {n: bones.get(n, m) for n, m in knee.measured.items()}
    return replace(knee, bones=bones, marrow=marrow, measured=measured)


def _rim(mesh: Mesh, part: NDArray[np.bool_], outward: Array, lift: Array) -> Array:
    """(3,) the vertex of a part farthest along outward + lift."""
    points = mesh.vertices[part]
    return np.asarray(points[np.argmax(points @ (outward + lift))])


def _grown(
    knee: Knee, frames: Frames, grade: int, sides: tuple[str, ...], rng: np.random.Generator
) -> tuple[Knee, int, float]:
    """Osteophytes at rims, condyle edges, poles and spines; their number and greatest height."""
    f, t, p = frames.femur, frames.tibia, frames.patella
    bones = knee.bones
    plateau = (bones["tibia"].vertices - t.centre) @ t.y > -8.0
    edge = bones["femur"].vertices
    low = ((edge - f.origin) @ f.y > -30.0) & ((edge - f.origin) @ f.y < 0.28 * f.width)
    sites: list[tuple[str, Array, Array, float]] = []
    for sign, side in ((-1.0, "medial"), (1.0, "lateral")):
        much = 1.0 if side in sides else 0.45
        for angle in rng.uniform(-75, 75, int(rng.integers(2, 5))):
            a = np.radians(angle)
            out = sign * np.cos(a) * t.z + np.sin(a) * t.x
            anchor = _rim(bones["tibia"], plateau, out, 0.7 * t.y)
            sites.append(("tibia", anchor, unit(out + rng.uniform(0.0, 0.35) * t.y), much))
        for angle in rng.uniform(-100, 60, int(rng.integers(1, 4))):
            # Round the edge of the condyle, from its back under it to its front.
            a = np.radians(angle)
            down = -np.cos(a) * f.y + np.sin(a) * f.x
            anchor = _rim(bones["femur"], low, sign * f.z, 1.2 * down)
            sites.append(("femur", anchor, unit(sign * f.z - 0.25 * down), much))
        if rng.random() < 0.5:
            half = low & (((edge - f.origin) @ f.z) * sign > 0)
            anchor = _rim(bones["femur"], half, -1.4 * f.x, f.y)
            sites.append(("femur", anchor, unit(-f.x + 0.8 * f.y), much))
    every = np.ones(len(bones["patella"].vertices), dtype=bool)
    for direction in (p.y, -p.y, p.z, -p.z):
        if rng.random() < 0.6:
            anchor = _rim(bones["patella"], every, direction, -0.35 * p.x)
            sites.append(("patella", anchor, unit(direction - 0.3 * p.x), 0.6))
    front = low & (np.abs((edge - f.origin) @ f.z) < 0.3 * f.width)
    if rng.random() < 0.5:
        top = front & ((edge - f.origin) @ f.y > 0.12 * f.width)
        sites.append(("femur", _rim(bones["femur"], top, f.x, 0.7 * f.y), unit(f.x + f.y), 0.6))

    moves = {name: np.zeros_like(bones[name].vertices) for name in ("femur", "tibia", "patella")}
    largest = 0.0
    for name, anchor, direction, much in sites:
        height = float(much * rng.uniform(*GROWTH[grade]))
        largest = max(largest, height)
        moves[name] += bump(bones[name], anchor, direction, height, rng.uniform(4.0, 7.5))
    points, measured = dict(knee.points), dict(knee.measured)
    room = over(
        np.stack([points["medial_spine"], points["lateral_spine"]]),
        bones["femur"],
        t.centre,
        t.x,
        t.z,
        -t.y,
    )
    for name, free in zip(("medial_spine", "lateral_spine"), -room, strict=True):
        # Spines sharpen; they are landmarks, so the surface measured on has them too.
        height = float(rng.uniform(0.2, 0.7) * rng.uniform(*GROWTH[grade]))
        height = min(height, 0.5 * abs(free)) if abs(free) < 1e5 else height
        sharp = bump(bones["tibia"], points[name], t.y, height, 4.5)
        nearest = int(np.argmin(np.linalg.norm(bones["tibia"].vertices - points[name], axis=1)))
        moves["tibia"] += sharp
        tibia = measured["tibia"]
        measured["tibia"] = Mesh(tibia.vertices + sharp, tibia.faces)
        points[name] = points[name] + sharp[nearest]
    return (
        replace(
            knee,
            bones={
                **bones,
                **{n: Mesh(bones[n].vertices + m, bones[n].faces) for n, m in moves.items()},
            },
            marrow={
                **knee.marrow,
                **{
                    n: Mesh(knee.marrow[n].vertices + 0.8 * m, knee.marrow[n].faces)
                    for n, m in moves.items()
                    if n in knee.marrow
                },
            },
            points=points,
            measured=measured,
        ),
        len(sites),
        largest,
    )
