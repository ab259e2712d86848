"""A knee that has been replaced: femoral cap, tibial tray with stem, insert, patellar button.

The femur's cut bone is brought back behind the cap, the tibia's under the tray, and the leg is
set so that both condyles stand one insert's thickness above the tray. Landmarks are then those
of the components, by the words of docs/explanation/conventions.md.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.knee.anatomy import Knee, Mesh, Solid
from pipeline.knee.frames import FemurFrame, Frames, TibiaFrame, frames_of, section_points
from synthetic_data.anatomy.geometry import clearance, height_map, turn
from synthetic_data.hardware.bodies import joined, occupied, prism
from synthetic_data.hardware.components import FemoralSize, cut, femoral_part, tray, tray_outline
from synthetic_data.pathology.leg import move_leg, moved_frames, noted, turn_about

Array = NDArray[np.float64]

UNSEEN = frozenset({"notch_apex", "medial_spine", "lateral_spine"})
"""Landmarks that a replaced knee no longer shows."""


@dataclass
class Arthroplasty:
    """A cemented total knee replacement.

    Attributes:
        button_share: share of knees with a patellar button.
        insert_mm: least and greatest thickness of the insert.
        slope_deg: least and greatest backward slope of the tray.
    """

    button_share: float = 0.6
    insert_mm: tuple[float, float] = (7.5, 12.0)
    slope_deg: tuple[float, float] = (0.0, 7.0)

    def apply(self, knee: Knee, rng: np.random.Generator) -> Knee:
        """The knee replaced; one that holds metal already stays as it is."""
        if occupied(knee):
            return knee
        frames = frames_of(knee.surfaces)
        knee, cap, facts = _cap(knee, frames.femur, rng)
        insert = float(rng.uniform(*self.insert_mm))
        slope = float(rng.uniform(*self.slope_deg))
        coronal = float(rng.normal(0.0, 1.2))
        knee, frames, normal, lean, level = _balanced(knee, frames, cap, slope, coronal)
        knee = _tray(knee, frames.tibia, normal, level - insert, insert, rng)
        button = float(rng.random() < self.button_share)
        knee = _patella(knee, frames, cap, button > 0, rng)
        return noted(
            replace(knee, hidden=knee.hidden | UNSEEN),
            "arthroplasty",
            {
                **facts,
                "insert_mm": insert,
                "slope_deg": slope,
                "tray_varus_deg": coronal,
                "leg_lean_deg": lean,
                "button": button,
            },
        )


def _cap(
    knee: Knee, f: FemurFrame, rng: np.random.Generator
) -> tuple[Knee, Mesh, dict[str, float | str]]:
    """The femur cut and capped; the cap's surface; what was drawn."""
    turned = float(rng.normal(2.0, 1.3))
    flexed = float(rng.normal(1.5, 2.0))
    # Turned outward about the shaft and flexed against it, as surgeons set it.
    axes = np.stack([f.x, f.y, f.z], axis=1) @ turn(1, -turned) @ turn(2, -flexed)
    femur = (knee.bones["femur"].vertices - f.origin) @ axes
    distal = femur[femur[:, 1] < 0.5 * f.width]
    bottom = float(distal[:, 1].min()) - float(rng.uniform(-0.5, 1.0))
    back = float(distal[:, 0].min()) - float(rng.uniform(-1.0, 1.0))
    middle = float((distal[:, 2].min() + distal[:, 2].max()) / 2)
    ring = np.abs(femur[:, 1] - bottom - 0.52 * f.width) < 5
    front = femur[ring & (np.abs(femur[:, 2] - middle) < 0.2 * f.width)]
    cortex = float(front[:, 0].max()) if len(front) else back + 0.7 * f.width
    size = FemoralSize(
        back=back,
        bottom=bottom,
        depth=cortex + 0.068 * f.width - back,
        cortex=cortex,
        width=f.width * float(rng.uniform(0.96, 1.02)),
        middle=middle,
        thick=float(rng.uniform(7.5, 9.5)),
    )
    own = femoral_part(size, groove=float(rng.uniform(1.5, 3.0)))
    cap = Mesh(own.vertices @ axes.T + f.origin, own.faces)

    def trimmed(mesh: Mesh, deeper: float) -> Mesh:
        points = cut((mesh.vertices - f.origin) @ axes, size, deeper)
        return Mesh(points @ axes.T + f.origin, mesh.faces)

    bone = trimmed(knee.bones["femur"], 0.0)
    seen = trimmed(knee.surfaces["femur"], 0.0)
    knee = replace(
        knee,
        bones={**knee.bones, "femur": bone},
        marrow={**knee.marrow, "femur": trimmed(knee.marrow["femur"], 0.8)},
        measured={**knee.measured, "femur": joined([seen, cap])},
        solids={
            **knee.solids,
            "femoral_component": Solid(cap, "cobalt_chrome", "muscle", "implant"),
        },
    )
    return knee, cap, {"femoral_turn_deg": turned, "femoral_flexion_deg": flexed}


def _balanced(
    knee: Knee, frames: Frames, cap: Mesh, slope: float, coronal: float
) -> tuple[Knee, Frames, Array, float, float]:
    """The leg leaned until both condyles stand equally high over the tray.

    Returns:
        the knee, its frames, the tray's normal (3,), the lean in degrees, and the condyles'
        height along that normal above the tibia's centre.
    """
    turned, t, lean = np.eye(3), frames.tibia, 0.0
    points = cap.vertices
    level = 0.0
    for _ in range(4):
        normal = turn_about(t.z, np.radians(slope)) @ t.y
        normal = turn_about(t.x, np.radians(coronal)) @ normal
        local = points - t.centre
        across = local @ t.z
        low = local @ normal
        side = across < across.mean()
        pair = [
            int(np.argmin(np.where(side, low, 1e6))),
            int(np.argmin(np.where(~side, low, 1e6))),
        ]
        level = float(low[pair].min())
        tilt = float((low[pair[0]] - low[pair[1]]) / (across[pair[1]] - across[pair[0]]))
        if abs(tilt) < 1e-3:
            break
        step = turn_about(t.x, float(np.clip(tilt, -0.1, 0.1)))
        lean += float(np.degrees(tilt))
        turned = step @ turned
        t = moved_frames(replace(frames, tibia=t), step, t.centre, np.zeros(3)).tibia
    pivot = frames.tibia.centre
    knee = move_leg(knee, frames, turned, pivot, np.zeros(3))
    return knee, replace(frames, tibia=t), normal, lean, level


def _tray(
    knee: Knee, t: TibiaFrame, normal: Array, top: float, insert: float, rng: np.random.Generator
) -> Knee:
    """The tibia cut under a tray whose top lies `top` mm along its normal, with its insert."""
    thick = float(rng.uniform(2.8, 4.5))
    cement = float(rng.uniform(0.8, 2.0))
    forward = np.cross(normal, t.z)
    forward /= np.linalg.norm(forward)
    axes = np.stack([forward, normal, np.cross(forward, normal)], axis=1)
    face = top - thick

    def trimmed(mesh: Mesh, deeper: float) -> Mesh:
        local = (mesh.vertices - t.centre) @ normal - face + deeper
        over = np.where(local > 0, local / (t.y @ normal), 0.0)
        return Mesh(mesh.vertices - over[:, None] * t.y, mesh.faces)

    bone = trimmed(knee.bones["tibia"], 0.0)
    seen = trimmed(knee.surfaces["tibia"], 0.0)
    _, start, _ = section_points(bone, normal, np.array([t.centre @ normal + face - 1.5]))
    section = ((start - t.centre) @ axes)[:, [0, 2]]
    outline = tray_outline(section, float(rng.uniform(0.93, 0.985)))
    plate, stem = tray(outline, thick, float(rng.uniform(32, 58)), float(rng.uniform(5.5, 7.5)))
    origin = t.centre + top * normal

    def placed(mesh: Mesh) -> Mesh:
        return Mesh(mesh.vertices @ axes.T + origin, mesh.faces)

    metal = str(rng.choice(["cobalt_chrome", "titanium"]))
    plate, stem = placed(plate), placed(stem)
    flat = np.stack([outline[:, 0], np.zeros(len(outline)), outline[:, 1]], axis=1)
    middle = flat.mean(axis=0)
    down, up = np.array([0.0, -1.0, 0.0]), np.array([0.0, 1.0, 0.0])
    mantle = placed(prism(middle + 0.97 * (flat - middle), (thick + cement) * down, thick * down))
    plastic = placed(prism(middle + 0.97 * (flat - middle), 0.05 * up, (insert - 0.3) * up))
    return replace(
        knee,
        bones={**knee.bones, "tibia": bone},
        marrow={**knee.marrow, "tibia": trimmed(knee.marrow["tibia"], 0.8)},
        measured={**knee.measured, "tibia": joined([seen, plate])},
        solids={
            **knee.solids,
            "tibial_tray": Solid(plate, metal, "muscle", "implant"),
            "tibial_stem": Solid(stem, metal, "tibia_marrow", "implant"),
            "tibial_cement": Solid(mantle, "cement", "tibia_marrow", "implant"),
            "insert": Solid(plastic, "polyethylene", "muscle", "implant"),
        },
        facts={**knee.facts, "arthroplasty_tray_mm": thick, "arthroplasty_cement_mm": cement},
    )


def _patella(knee: Knee, frames: Frames, cap: Mesh, button: bool, rng: np.random.Generator) -> Knee:
    """The patella seated on the cap, with a plastic button in place of its back, or without."""
    p = frames.patella
    axes = np.stack([p.x, p.y, p.z], axis=1)
    solids = dict(knee.solids)
    meshes = {"bones": knee.bones["patella"], "marrow": knee.marrow["patella"]}
    local = {k: (m.vertices - p.origin) @ axes for k, m in meshes.items()}
    lowest = float(local["bones"][:, 0].min())
    behind = local["bones"]
    disc = None
    if button:
        # At least 10 mm of bone stay (common practice, no source).
        highest = float(local["bones"][:, 0].max())
        face = min(lowest + float(rng.uniform(6.5, 8.5)), highest - 10.0)
        for k, deeper in (("bones", 0.0), ("marrow", 0.8)):
            local[k][:, 0] = np.maximum(local[k][:, 0], face + deeper)
        high = float(rng.uniform(7.5, 9.5))
        radius = min(0.36 * float(np.ptp(local["bones"][:, 2])), 17.0)
        angle = 2 * np.pi * np.arange(28) / 28
        ring = np.stack(
            [np.zeros(28), radius * np.cos(angle), radius * np.sin(angle)], axis=1
        ) + np.array([face, 0.0, 0.0])
        layers = [
            prism(ring, np.array([-0.45 * high, 0, 0]), np.array([-0.05, 0, 0])),
            prism(
                ring * [1, 0.7, 0.7], np.array([-high, 0, 0]), np.array([-0.45 * high - 0.05, 0, 0])
            ),
        ]
        disc = joined(layers)
        behind = np.concatenate([local["bones"], disc.vertices])
    # Height of the cap's front under the patella.
    on = (cap.vertices - p.origin) @ axes
    heights = height_map(on[:, [1, 2, 0]], cap.faces, -45.0, -45.0, 1.0, 91, 91)
    gap = clearance(behind[:, [1, 2, 0]], heights, -45.0, -45.0, 1.0)
    near = gap < 1e5
    wish = float(rng.uniform(0.3, 1.5) if button else rng.uniform(2.0, 4.5))
    push = wish - float(gap[near].min()) if near.any() else 0.0
    shift = np.array([float(np.clip(push, -12.0, 15.0)), 0.0, 0.0])

    def back(points: Array) -> Array:
        return np.asarray((points + shift) @ axes.T + p.origin)

    if disc is not None:
        solids["patellar_button"] = Solid(
            Mesh(back(disc.vertices), disc.faces), "polyethylene", "muscle", "implant"
        )
    measured = {k: m for k, m in knee.measured.items() if k != "patella"}
    return replace(
        knee,
        bones={**knee.bones, "patella": Mesh(back(local["bones"]), meshes["bones"].faces)},
        marrow={**knee.marrow, "patella": Mesh(back(local["marrow"]), meshes["marrow"].faces)},
        measured=measured,
        solids=solids,
    )
