"""Where the landmarks of a three-dimensional knee fall on a film.

Truth for synthetic films and prediction for a fitted knee come from these same functions, by
the words of docs/explanation/conventions.md. Film coordinates are pixels, x right, y down.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.knee.anatomy import Mesh
from pipeline.knee.camera import Camera, unit
from pipeline.knee.frames import DISTAL_FEMUR_MM, UPPER_TIBIA_MM, Frames
from pipeline.knee.landmarks import View, names_of

Array = NDArray[np.float64]

LOW_SHAFT, CHORD_END, HIGH_SHAFT = 0.75, 1.0, 1.1
"""Heights on a shaft in W from its joint line."""

TUBEROSITY = (0.2, 0.6)
"""Heights below the tibial joint line, in W, between which the tuberosity is looked for."""


@dataclass(frozen=True)
class ProjectedLandmarks:
    """Landmarks of one view, in the order of `names_of(view)`.

    Attributes:
        xy: (K, 2) pixels.
        normal: (K, 2) unit normal of the outline at contour landmarks, zeros at fixed ones.
    """

    names: tuple[str, ...]
    xy: Array
    normal: Array


class _Silhouette:
    """The projection of one bone, asked for its extent across a line."""

    def __init__(self, mesh: Mesh, camera: Camera) -> None:
        self.points = camera.project(mesh.vertices)
        self.faces = mesh.faces

    def extent(
        self, origin: Array, along: Array, across: Array, heights: Array
    ) -> tuple[Array, Array]:
        """Least and greatest position along `across` at each height along `along`.

        Args:
            origin: (2,) pixel from which both are counted.
            along, across: (2,) perpendicular unit vectors.
            heights: (H,) pixels along `along`.

        Returns:
            two (H,) arrays in pixels; NaN where the bone does not reach.
        """
        from pipeline.knee.cuts import extents

        rel = self.points - origin
        order = np.argsort(heights)
        least = np.full(len(heights), np.inf)
        greatest = np.full(len(heights), -np.inf)
        extents(rel @ along, rel @ across, self.faces, heights[order], least, greatest)
        back = np.argsort(order)
        least, greatest = least[back], greatest[back]
        least[np.isinf(least)] = np.nan
        greatest[np.isinf(greatest)] = np.nan
        return least, greatest


def _perpendicular(direction: Array) -> Array:
    return np.array([-direction[1], direction[0]])


def _direction(camera: Camera, point: Array, vector: Array) -> Array:
    """(2,) unit film direction of a 3-D direction at a 3-D point."""
    ends = camera.project(np.stack([point, point + vector]))
    return unit(ends[1] - ends[0])


def _farthest_from_chord(
    profile: Array, start: Array, end: Array, inward: Array
) -> tuple[Array, Array]:
    """The profile point farthest from a chord toward `inward`, and its normal.

    Args:
        profile: (P, 2) pixels in order along the outline.
        start, end: (2,) the chord.
        inward: (2,) the side on which the outline hollows.
    """
    chord = unit(end - start)
    normal = _perpendicular(chord)
    normal = normal if normal @ inward > 0 else -normal
    distance = (profile - start) @ normal
    best = int(np.argmax(distance))
    # At the farthest point the outline runs parallel to the chord.
    return profile[best], normal


class _Film:
    """Collects landmarks of one view by name."""

    def __init__(self) -> None:
        self.found: dict[str, tuple[Array, Array]] = {}

    def fixed(self, name: str, xy: Array) -> None:
        self.found[name] = (xy, np.zeros(2))

    def contour(self, name: str, xy: Array, normal: Array) -> None:
        self.found[name] = (xy, unit(normal))


def _shaft(
    film: _Film,
    silhouette: _Silhouette,
    camera: Camera,
    *,
    joint: Array,
    axis: Array,
    width: float,
    across_world: Array,
    names: Callable[[int, str], str],
) -> tuple[Array, Array, Array, Array]:
    """Cortex points of a shaft at the low and high heights.

    Args:
        joint: (3,) where the shaft's axis meets the joint line; `axis` (3,) away from the knee.
        across_world: (3,) direction whose film side counts as +1.
        names: (side -1 or +1, "low" | "high") to landmark name.

    Returns:
        film origin (2,), unit along (2,), unit across (2,), and the (2, 2) cortex points at
        CHORD_END: [side -1, side +1].
    """
    heights_mm = np.array([LOW_SHAFT, HIGH_SHAFT, CHORD_END]) * width
    centres = camera.project(joint + heights_mm[:, None] * axis)
    origin = camera.project(joint)
    along = unit(centres[1] - centres[0])
    across = _perpendicular(along)
    if across @ _direction(camera, joint, across_world) < 0:
        across = -across
    heights = (centres - origin) @ along
    delta = 0.02 * abs(heights[1] - heights[0]) + 0.5
    rows = np.concatenate([heights, heights - delta, heights + delta])
    least, greatest = silhouette.extent(origin, along, across, rows)
    ends = np.zeros((2, 2))
    for side, extent in ((-1, least), (+1, greatest)):
        for i, word in enumerate(("low", "high", None)):
            position = extent[i]
            if np.isnan(position):
                # The bone ends lower: take its cortex at the last height that it reaches.
                position = extent[0] if not np.isnan(extent[0]) else 0.0
            point = origin + heights[i] * along + position * across
            if word is None:
                ends[(side + 1) // 2] = point
                continue
            slope = (extent[6 + i] - extent[3 + i]) / (2 * delta)
            slope = 0.0 if np.isnan(slope) else slope
            film.contour(names(side, word), point, side * (across - slope * along))
    return origin, along, across, ends


def project_landmarks(
    bones: Mapping[str, Mesh],
    points: Mapping[str, Array],
    frames: Frames,
    camera: Camera,
    view: View,
) -> ProjectedLandmarks:
    """Every landmark of `view` on the film of `camera`.

    Args:
        bones: femur, tibia, patella of a right knee, mm.
        points: adductor_tubercle, medial_spine, lateral_spine, fibular_head, (3,) mm.
    """
    film = _Film()
    _femur(film, bones["femur"], points, frames, camera, view)
    _tibia(film, bones["tibia"], points, frames, camera, view)
    _patella(film, bones["patella"], frames, camera, view)
    film.fixed("fibular_head", camera.project(points["fibular_head"]))
    names = names_of(view)
    xy = np.stack([film.found[name][0] for name in names])
    normal = np.stack([film.found[name][1] for name in names])
    return ProjectedLandmarks(names, xy, normal)


def _femur(
    film: _Film,
    mesh: Mesh,
    points: Mapping[str, Array],
    frames: Frames,
    camera: Camera,
    view: View,
) -> None:
    f = frames.femur
    silhouette = _Silhouette(mesh, camera)
    xy = silhouette.points
    joint_height = f.shaft_point @ f.shaft
    distal = mesh.vertices @ f.shaft < joint_height + DISTAL_FEMUR_MM
    along_z = mesh.vertices @ f.z
    split = (along_z[distal].max() + along_z[distal].min()) / 2
    medial, lateral = xy[distal & (along_z < split)], xy[distal & (along_z >= split)]
    up = _direction(camera, f.origin, f.y)
    film.fixed("adductor_tubercle", camera.project(points["adductor_tubercle"]))

    if view == "lateral":
        front = _direction(camera, f.origin, f.x)
        for name, part in (("medial", medial), ("lateral", lateral)):
            film.contour(f"{name}_condyle_distal", part[np.argmin(part @ up)], -up)
            film.contour(f"{name}_condyle_posterior", part[np.argmin(part @ front)], -front)
        low = xy[mesh.vertices @ f.shaft < joint_height + 0.5 * f.width]
        film.contour("trochlea_anterior", low[np.argmax(low @ front)], front)
        _shaft(
            film,
            silhouette,
            camera,
            joint=f.shaft_point,
            axis=f.shaft,
            width=f.width,
            across_world=f.x,
            names=lambda s, w: f"femoral_shaft_{'anterior' if s > 0 else 'posterior'}_{w}",
        )
        return

    # Distal on an AP film is at right angles to the line that touches both condyles from below.
    for _ in range(6):
        m, la = medial[np.argmin(medial @ up)], lateral[np.argmin(lateral @ up)]
        normal = _perpendicular(unit(la - m))
        up = normal if normal @ up > 0 else -normal
    film.contour("medial_condyle_distal", m, -up)
    film.contour("lateral_condyle_distal", la, -up)
    outward = _perpendicular(up)
    outward = outward if outward @ (la - m) > 0 else -outward
    both = xy[distal]
    # Epicondyles: the extremes along the projected Z_f.
    along_film = _direction(camera, f.origin, f.z)
    epicondyles = (both[np.argmin(both @ along_film)], both[np.argmax(both @ along_film)])
    film.contour("medial_epicondyle", epicondyles[0], -along_film)
    film.contour("lateral_epicondyle", epicondyles[1], along_film)

    # Notch: between the condyles, the outline's lower edge where it stands highest.
    gap = (la - m) @ outward
    columns = np.linspace(0.15, 0.85, 57) * gap
    lower, _ = silhouette.extent(m, outward, up, columns)
    best = int(np.nanargmax(lower))
    film.contour("notch_apex", m + columns[best] * outward + lower[best] * up, -up)

    origin, along, across, ends = _shaft(
        film,
        silhouette,
        camera,
        joint=f.shaft_point,
        axis=f.shaft,
        width=f.width,
        across_world=f.z,
        names=lambda s, w: f"femoral_shaft_{'lateral' if s > 0 else 'medial'}_{w}",
    )
    for side, word, epicondyle, end in (
        (-1, "medial", epicondyles[0], ends[0]),
        (+1, "lateral", epicondyles[1], ends[1]),
    ):
        _flare(
            film,
            f"{word}_femoral_flare",
            silhouette,
            origin,
            along,
            across,
            side,
            epicondyle,
            end,
        )


def _flare(
    film: _Film,
    name: str,
    silhouette: _Silhouette,
    origin: Array,
    along: Array,
    across: Array,
    side: int,
    start: Array,
    end: Array,
) -> None:
    """The outline point on one side farthest from the chord between `start` and `end`."""
    h0, h1 = (start - origin) @ along, (end - origin) @ along
    heights = np.linspace(h0, h1, 81)
    least, greatest = silhouette.extent(origin, along, across, heights)
    position = greatest if side > 0 else least
    good = ~np.isnan(position)
    profile = origin + heights[good, None] * along + position[good, None] * across
    point, inward = _farthest_from_chord(profile, start, end, -side * across)
    film.contour(name, point, -inward)


def _tibia(
    film: _Film,
    mesh: Mesh,
    points: Mapping[str, Array],
    frames: Frames,
    camera: Camera,
    view: View,
) -> None:
    t, width = frames.tibia, frames.femur.width
    silhouette = _Silhouette(mesh, camera)
    for i, name in enumerate(
        (
            "medial_plateau_anterior",
            "medial_plateau_posterior",
            "lateral_plateau_anterior",
            "lateral_plateau_posterior",
        )
    ):
        film.fixed(name, camera.project(t.rim[i]))
    if view == "lateral":
        origin, _, across, _ = _shaft(
            film,
            silhouette,
            camera,
            joint=t.shaft_point,
            axis=-t.y,
            width=width,
            across_world=t.x,
            names=lambda s, w: (
                f"tibial_shaft_{'anterior' if s > 0 else 'posterior'}"
                f"_{'high' if w == 'low' else 'low'}"
            ),
        )
        below = (t.shaft_point - mesh.vertices) @ t.y
        zone = (below > TUBEROSITY[0] * width) & (below < TUBEROSITY[1] * width)
        part = silhouette.points[zone]
        best = part[np.argmax((part - origin) @ across)]
        film.contour("tibial_tuberosity", best, across)
        return

    for name in ("medial_spine", "lateral_spine"):
        film.fixed(name, camera.project(points[name]))
    origin, along, across, ends = _shaft(
        film,
        silhouette,
        camera,
        joint=t.shaft_point,
        axis=-t.y,
        width=width,
        across_world=t.z,
        names=lambda s, w: (
            f"tibial_shaft_{'lateral' if s > 0 else 'medial'}_{'high' if w == 'low' else 'low'}"
        ),
    )
    top = float((mesh.vertices @ t.y).max())
    upper = silhouette.points[mesh.vertices @ t.y > top - UPPER_TIBIA_MM]
    edges = {}
    for side, word in ((-1, "medial"), (+1, "lateral")):
        outward_up = unit(side * across - along)
        edges[word] = upper[np.argmax(upper @ outward_up)]
        film.contour(f"{word}_plateau_edge", edges[word], outward_up)
    _flare(
        film,
        "medial_tibial_flare",
        silhouette,
        origin,
        along,
        across,
        -1,
        edges["medial"],
        ends[0],
    )


def _patella(film: _Film, mesh: Mesh, frames: Frames, camera: Camera, view: View) -> None:
    p = frames.patella
    xy = camera.project(mesh.vertices)
    up = _direction(camera, p.origin, p.y)
    film.contour("patella_superior", xy[np.argmax(xy @ up)], up)
    film.contour("patella_inferior", xy[np.argmin(xy @ up)], -up)
    if view == "AP":
        outward = _perpendicular(up)
        if outward @ _direction(camera, p.origin, p.z) < 0:
            outward = -outward
        film.contour("patella_medial", xy[np.argmin(xy @ outward)], -outward)
        film.contour("patella_lateral", xy[np.argmax(xy @ outward)], outward)
