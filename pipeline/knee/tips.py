"""Where the tips of instruments lie: in the knee, and how deep between a bone's two cortices.

Depth runs from the anterior cortex (0 %) to the posterior one (100 %) at the tip's height, across
the bone's own shaft, as a true lateral shows it: a parallel beam along the condylar axis
(docs/explanation/conventions.md, Targets). A film shows another depth by its misalignment and by
its cone; both are given, so that the two can be told apart.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from pipeline.knee.anatomy import Mesh
from pipeline.knee.camera import Camera, cross, unit
from pipeline.knee.frames import Frames

Array = NDArray[np.float64]


@dataclass(frozen=True)
class TipsTruth:
    """The true places of T tips in their knee.

    Attributes:
        mm: (T, 3) along X_f, Y_f and Z_f from the femur's origin, mm; Z_f is lateral.
        bones: (T,) `femur` or `tibia`: the one whose joint line the tip is farther past.
        depth: (T,) % of that bone's depth on a true lateral; NaN beyond the bone's ends.
        depth_shown: (T,) the same between the outlines of this film; NaN on other views.
        ahead_shown: (T, 2) unit film direction in which each instrument points, from its shaft
            through its tip; elevation_deg: (T,) its angle with the film's plane, 0 to 90.
    """

    mm: Array = field(default_factory=lambda: np.zeros((0, 3)))
    bones: tuple[str, ...] = ()
    depth: Array = field(default_factory=lambda: np.zeros(0))
    depth_shown: Array = field(default_factory=lambda: np.zeros(0))
    ahead_shown: Array = field(default_factory=lambda: np.zeros((0, 2)))
    elevation_deg: Array = field(default_factory=lambda: np.zeros(0))


def bone_of(above_femur: float, below_tibia: float) -> str:
    """The bone to which a tip belongs, by how far past each joint line it lies.

    Args:
        above_femur: along the femur's axis from its distal condyles, upwards.
        below_tibia: along the tibia's axis from its rim points, downwards; same unit.
    """
    return "femur" if above_femur >= below_tibia else "tibia"


def tips_of(
    tips: Array,
    shafts: Array,
    surfaces: Mapping[str, Mesh],
    frames: Frames,
    camera: Camera,
    view: str,
) -> TipsTruth:
    """Everything that is true of the tips of a right knee on one film.

    Args:
        tips: (T, 3) mm, in the axes of `surfaces`; shafts: (T, 3) a point behind each.
        surfaces: bone to the surface that landmarks are measured on.
    """
    tips = np.asarray(tips, dtype=np.float64).reshape(-1, 3)
    f, t = frames.femur, frames.tibia
    mm = (tips - f.origin) @ np.stack([f.x, f.y, f.z]).T
    joint = f.touching[:2].mean(axis=0)
    bones = tuple(
        bone_of(float((tip - joint) @ f.y), float((t.centre - tip) @ t.y)) for tip in tips
    )
    depth, shown = np.full(len(tips), np.nan), np.full(len(tips), np.nan)
    for bone in dict.fromkeys(bones):
        own = np.array([each == bone for each in bones])
        shaft, at = (f.y, f.origin) if bone == "femur" else (t.y, t.centre)
        up = unit(shaft - (shaft @ f.z) * f.z)
        forward = cross(up, f.z)
        axes = np.stack([up, forward], axis=1)
        mesh = surfaces[bone]
        depth[own] = _share(mesh, (mesh.vertices - at) @ axes, (tips[own] - at) @ axes)
        if view == "lateral":
            ends = camera.project(np.stack([at, at + 20.0 * up, at + 20.0 * forward]))
            along = unit(ends[1] - ends[0])
            aside = np.array([-along[1], along[0]])
            aside = aside if aside @ (ends[2] - ends[0]) > 0 else -aside
            flat = np.stack([along, aside], axis=1)
            shown[own] = _share(
                mesh,
                (camera.project(mesh.vertices) - ends[0]) @ flat,
                (camera.project(tips[own]) - ends[0]) @ flat,
            )
    ahead = unit(tips - np.asarray(shafts, dtype=np.float64).reshape(-1, 3))
    film = unit(camera.project(tips) - camera.project(tips - ahead))
    rays = unit(tips - camera.source)
    rise = np.degrees(np.arcsin(np.clip(np.abs((ahead * rays).sum(axis=1)), 0.0, 1.0)))
    return TipsTruth(mm, bones, depth, shown, film, rise)


def _share(mesh: Mesh, flat: Array, tips: Array) -> Array:
    """(T,) % of the silhouette's depth, by (N, 2) and (T, 2) places up the shaft and forward."""
    from pipeline.knee.cuts import extents

    order = np.argsort(tips[:, 0])
    least, greatest = np.full(len(tips), np.inf), np.full(len(tips), -np.inf)
    extents(
        np.ascontiguousarray(flat[:, 0]),
        np.ascontiguousarray(flat[:, 1]),
        mesh.faces,
        np.ascontiguousarray(tips[order, 0]),
        least,
        greatest,
    )
    found = np.full(len(tips), np.nan)
    there = greatest > least
    found[order[there]] = (
        100.0 * (greatest[there] - tips[order[there], 1]) / (greatest[there] - least[there])
    )
    return found
