"""Metal that holds a healed or healing fracture: nails, plates, screws.

Generic shapes invented here. Sizes are common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.knee.anatomy import Knee, Mesh, Solid
from pipeline.knee.frames import Frames, frames_of, section_centroids
from synthetic_data.anatomy.geometry import height_map, smooth_step, unit
from synthetic_data.hardware.bodies import crossings, occupied, pipe, screw, sheet, span, tube
from synthetic_data.pathology.leg import noted

Array = NDArray[np.float64]


def _metal(rng: np.random.Generator) -> str:
    return str(rng.choice(["titanium", "steel"]))


def _joint(frames: Frames, bone: str) -> tuple[Array, Array, Array, Array]:
    """(3,) each: a point on the shaft's axis at the joint line, and the directions away from
    the joint along the shaft, anterior, and lateral."""
    if bone == "femur":
        f = frames.femur
        return f.shaft_point, f.shaft, f.x, f.z
    t = frames.tibia
    return t.shaft_point, -t.y, t.x, t.z


def _middle(mesh: Mesh, joint: Array, along: Array, low: float, step: float = 20.0) -> Array:
    """(N, 3) middles of the shaft's sections from `low` mm past the joint to its end."""
    reach = float(((mesh.vertices - joint) @ along).max())
    heights = np.arange(low, reach - 4.0, step)
    return section_centroids(mesh, along, heights + joint @ along)


def _across(
    knee: Knee, bone: str, point: Array, direction: Array, radius: float, *, proud: float = 2.5
) -> Mesh | None:
    """A screw through the whole bone, its head on the side that `direction` starts from."""
    ends = span(knee.bones[bone], point, direction)
    if ends is None or np.linalg.norm(ends[1] - ends[0]) < 12:
        return None
    return screw(ends[0] - proud * direction, ends[1] + 1.5 * direction, radius)


@dataclass
class Nail:
    """An intramedullary nail with locking screws: tibial, or femoral from below or from above.

    Attributes:
        tibial, retrograde: share of each; the rest are femoral nails put in from above.
        diameter_mm: least and greatest.
    """

    tibial: float = 0.5
    retrograde: float = 0.3
    diameter_mm: tuple[float, float] = (8.5, 12.0)

    def apply(self, knee: Knee, rng: np.random.Generator) -> Knee:
        """The knee with one; a knee that holds metal already stays as it is."""
        if occupied(knee):
            return knee
        kind = rng.random()
        name = (
            "tibial"
            if kind < self.tibial
            else "retrograde"
            if kind < self.tibial + self.retrograde
            else "antegrade"
        )
        bone = "tibia" if name == "tibial" else "femur"
        frames = frames_of(knee.surfaces)
        joint, along, front, side = _joint(frames, bone)
        mesh = knee.bones[bone]
        radius = float(rng.uniform(*self.diameter_mm)) / 2
        line = _middle(mesh, joint, along, 75.0)
        if len(line) < 3:
            return knee
        # A nail keeps clear of the cortex's bends: a straight line through the middles.
        axis = unit(line[-1] - line[0])
        if name == "tibial":
            entry = joint + rng.uniform(6, 12) * along + rng.uniform(8, 13) * front
        elif name == "retrograde":
            entry = joint + rng.uniform(8, 16) * along
        else:
            entry = joint + rng.uniform(22, 60) * along
            entry = line[0] + ((entry - line[0]) @ axis) * axis
        far = line[-1]
        straight = line[0] + np.array([[0.0], [0.5], [1.0]]) * (far - line[0])
        bend = entry + (line[0] - entry) * np.array([[0.0], [0.33], [0.66]])
        path = np.concatenate([bend, straight])
        # Rounded bend.
        fine = np.stack(
            [np.interp(np.linspace(0, 1, 30), _share(path), path[:, k]) for k in range(3)], axis=1
        )
        for _ in range(6):
            fine[1:-1] = 0.25 * fine[:-2] + 0.5 * fine[1:-1] + 0.25 * fine[2:]
        body = pipe(fine, radius, 0.42 * radius, 16)
        metal = _metal(rng)
        solids = {**knee.solids, "nail": Solid(body, metal, f"{bone}_marrow", "hardware")}
        number = int(rng.integers(2, 4))
        at = np.sort(rng.uniform(8, 16) + np.cumsum(rng.uniform(9, 16, number)))
        for i, distance in enumerate(at):
            point = fine[0] + (fine[4] - fine[0]) * distance / np.linalg.norm(fine[4] - fine[0])
            angle = np.radians(rng.choice([0.0, 0.0, 45.0, -45.0]) + rng.normal(0, 4))
            # Heads lie medially on the tibia, laterally on the femur.
            sign = 1.0 if bone == "tibia" else -1.0
            direction = unit(sign * np.cos(angle) * side + np.sin(angle) * front)
            body_ = _across(knee, bone, point, direction, float(rng.uniform(2.2, 2.7)))
            if body_ is not None:
                solids[f"nail_screw_{i + 1}"] = Solid(body_, metal, f"{bone}_marrow", "hardware")
        return noted(
            replace(knee, solids=solids),
            "nail",
            {"kind": name, "diameter_mm": 2 * radius, "metal": metal, "screws": float(number)},
        )


def _share(path: Array) -> Array:
    """(N,) 0..1 of the way along a path."""
    run = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(path, axis=0), axis=1))])
    return np.asarray(run / run[-1])


@dataclass
class Plate:
    """A plate along the bone with screws: lateral on the femur, lateral or medial on the tibia.

    Attributes:
        femoral: share on the femur.
        medial: of those on the tibia, the share on its medial side.
        width_mm: least and greatest width along the shaft.
    """

    femoral: float = 0.5
    medial: float = 0.35
    width_mm: tuple[float, float] = (11.0, 16.0)

    def apply(self, knee: Knee, rng: np.random.Generator) -> Knee:
        """The knee with one; a knee that holds metal already stays as it is."""
        if occupied(knee):
            return knee
        frames = frames_of(knee.surfaces)
        bone = "femur" if rng.random() < self.femoral else "tibia"
        sign = -1.0 if bone == "tibia" and rng.random() < self.medial else 1.0
        joint, along, front, side = _joint(frames, bone)
        mesh = knee.bones[bone]
        wide = float(rng.uniform(*self.width_mm))
        start = float(rng.uniform(14, 26) if bone == "femur" else rng.uniform(9, 15))
        reach = float(((mesh.vertices - joint) @ along).max())
        end = min(float(rng.uniform(110, 230)), reach - 15)
        heights = np.arange(start, end, 5.0)
        turned = np.radians(rng.normal(12 if bone == "femur" else 20, 5))
        out = unit(sign * np.cos(turned) * side + np.sin(turned) * front)
        cross = np.cross(along, out)
        # Bone under the plate at each height, and across it.
        middle = self._middles(mesh, joint, along, heights)
        across = np.linspace(-0.5, 0.5, 5)
        # Wider near the joint.
        width = wide * (1 + 0.75 * (1 - smooth_step(heights, start + 8, start + 45)))
        local = (mesh.vertices - joint) @ np.stack([along, cross, out], axis=1)
        tops = height_map(local, mesh.faces, start - 2, -40.0, 2.0, int((end - start) / 2) + 4, 41)
        rest = (middle - joint) @ np.stack([along, cross, out], axis=1)
        sides = rest[:, 1:2] + across[[0, 2, 4]] * width[:, None]
        row = np.round((heights - start + 2) / 2).astype(int)[:, None]
        column = np.clip(np.round((sides + 40) / 2).astype(int), 0, 40)
        under = tops[row, column] - rest[:, 2:]
        bed = np.where(under > 0, under, np.nan)
        bed = np.nanmax(np.where(np.isnan(bed).all(axis=1, keepdims=True), 0.0, bed), axis=1)
        bed = np.where(bed > 0, bed, np.nan)
        bed = np.where(np.isfinite(bed), bed, np.nanmedian(bed))
        # Stiff: it lies on the bone's high spots and spans its hollows.
        for _ in range(8):
            bed = np.maximum(bed, np.convolve(np.pad(bed, 3, mode="edge"), np.ones(7) / 7, "valid"))
        for _ in range(3):
            bed = np.convolve(np.pad(bed, 1, mode="edge"), [0.25, 0.5, 0.25], "valid")
        thick = float(rng.uniform(2.6, 4.5))
        place = middle[:, None] + (across * 1.0)[None, :, None] * width[:, None, None] * cross
        curve = -1.2 * (2 * across) ** 2
        lower = place + (bed[:, None] + 0.4 + curve + 1.2)[..., None] * out
        upper = place + (bed[:, None] + 0.4 + 0.6 * curve + 1.2 + thick)[..., None] * out
        cells = np.ones((len(heights) - 1, 4), dtype=bool)
        metal = _metal(rng)
        body = sheet(upper, lower, cells)
        solids = {**knee.solids, "plate": Solid(body, metal, "muscle", "hardware")}
        holes: list[tuple[float, float, float]] = []
        near = np.arange(start + 4, min(start + 40, end - 10), rng.uniform(9, 13))
        holes += [(h, w, 2.5) for h in near for w in ((-0.3, 0.3) if rng.random() < 0.6 else (0,))]
        holes += [
            (h, 0.0, 2.25)
            for h in np.arange(start + 52, end - 6, rng.uniform(14, 22))
            if rng.random() < 0.75
        ]
        count = 0
        for height, offset, radius in holes:
            i = int(np.argmin(np.abs(heights - height)))
            top = middle[i] + offset * width[i] * cross + (bed[i] + 1.6 + thick + 0.8) * out
            at = crossings(mesh, top, -out)
            at = at[at > 0]
            if len(at) < 2:
                continue
            # Short of the far side near the joint, through both cortices along the shaft.
            far = at[-1] + 1.5 if height > start + 45 else 0.9 * at[-1]
            count += 1
            solids[f"plate_screw_{count}"] = Solid(
                screw(top, top - far * out, radius), metal, f"{bone}_marrow", "hardware"
            )
        return noted(
            replace(knee, solids=solids),
            "plate",
            {
                "bone": bone,
                "side": "medial" if sign < 0 else "lateral",
                "metal": metal,
                "screws": float(count),
                "length_mm": end - start,
            },
        )

    @staticmethod
    def _middles(mesh: Mesh, joint: Array, along: Array, heights: Array) -> Array:
        """(N, 3) a smooth line inside the bone at those heights."""
        found = _middle(mesh, joint, along, 60.0)
        at = (found - joint) @ along
        line = np.stack([np.interp(heights, at, found[:, k]) for k in range(3)], axis=1)
        return np.asarray(line + (heights - (line - joint) @ along)[:, None] * along)


@dataclass
class Screws:
    """Two or three cancellous screws across the plateau or the condyles.

    Attributes:
        tibial: share across the plateau.
        washers: share with washers.
    """

    tibial: float = 0.65
    washers: float = 0.4

    def apply(self, knee: Knee, rng: np.random.Generator) -> Knee:
        """The knee with them; a knee that holds metal already stays as it is."""
        if occupied(knee):
            return knee
        frames = frames_of(knee.surfaces)
        bone = "tibia" if rng.random() < self.tibial else "femur"
        joint, along, front, side = _joint(frames, bone)
        sign = -1.0 if rng.random() < 0.75 else 1.0
        tilt = rng.normal(0, 0.12)
        direction = unit(sign * side + tilt * along + rng.normal(0, 0.12) * front)
        metal = _metal(rng)
        washers = bool(rng.random() < self.washers)
        solids = dict(knee.solids)
        depth = float(rng.uniform(9, 22) if bone == "tibia" else rng.uniform(14, 32))
        base = joint if bone == "femur" else frames.tibia.centre
        number = int(rng.integers(2, 4))
        radius = float(rng.uniform(2.8, 3.4))
        forward = rng.uniform(-8, 8) + np.array([-9.0, 9.0, 0.0])[:number]
        rise = np.array([0.0, 0.0, rng.uniform(8, 14)])[:number] + rng.normal(0, 1.5, number)
        for i in range(number):
            point = base + (depth + rise[i]) * along + forward[i] * front
            aim = unit(direction + rng.normal(0, 0.04, 3))
            ends = span(knee.bones[bone], point, aim)
            if ends is None:
                continue
            length = float(np.linalg.norm(ends[1] - ends[0])) * rng.uniform(0.82, 0.99)
            body = screw(
                ends[0] - 3.0 * aim, ends[0] + length * aim, radius, (rng.uniform(0.5, 0.7), 1.0)
            )
            solids[f"screw_{i + 1}"] = Solid(body, metal, f"{bone}_marrow", "hardware")
            if washers:
                disc = tube(np.stack([ends[0] - 0.7 * aim, ends[0] + 0.6 * aim]), 6.0, 16)
                solids[f"washer_{i + 1}"] = Solid(disc, metal, "muscle", "hardware")
        return noted(
            replace(knee, solids=solids),
            "screws",
            {
                "bone": bone,
                "metal": metal,
                "number": float(number),
                "washers": "yes" if washers else "no",
            },
        )
