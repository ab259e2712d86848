"""Frames of the femur, the tibia and the patella, found on their surfaces.

The words of docs/explanation/conventions.md turned into numbers: the condylar axis is the
direction in which the two condyles eclipse each other, the tibia's plane is that of four rim
points. Axes named after Grood & Suntay 1983, J Biomech Eng 105:136. All lengths mm; a right
knee, z lateral.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.knee.anatomy import Mesh
from pipeline.knee.camera import cross, unit

Array = NDArray[np.float64]

DISTAL_FEMUR_MM = 45.0
UPPER_TIBIA_MM = 15.0
_AXES = np.eye(3)
_TURNS = np.radians(np.arange(-60.0, 60.01, 1.0))
"""Directions from the mediolateral one in which the plateau's width is tried."""
_COS, _SIN = np.cos(_TURNS), np.sin(_TURNS)


@dataclass(frozen=True)
class FemurFrame:
    """Right-handed: x anterior, y proximal, z lateral (unit vectors, (3,)), origin (3,) mm.

    Attributes:
        shaft: (3,) Y0, unit direction of the distal shaft, pointing up.
        shaft_point: (3,) a point on the shaft's axis, at the height of the joint line.
        width: W, the epicondylar width, mm.
        touching: (4, 3) medial distal, lateral distal, medial posterior, lateral posterior.
    """

    x: Array
    y: Array
    z: Array
    origin: Array
    shaft: Array
    shaft_point: Array
    width: float
    touching: Array


@dataclass(frozen=True)
class TibiaFrame:
    """x anterior, y proximal along the tibial shaft, z lateral (unit vectors, (3,)).

    Attributes:
        normal: (3,) n_t, unit normal of the plane through the rim points, pointing up.
        rim: (4, 3) mm: medial anterior, medial posterior, lateral anterior, lateral posterior.
        centre: (3,) mm, the centre of the rim points.
        shaft_point: (3,) mm, the shaft's axis where it crosses the joint line.
        plateau_width: mm along z, upper 15 mm.
    """

    x: Array
    y: Array
    z: Array
    normal: Array
    rim: Array
    centre: Array
    shaft_point: Array
    plateau_width: float


@dataclass(frozen=True)
class PatellaFrame:
    """x anterior (thickness), y along its length, z lateral (unit vectors), origin (3,) mm."""

    x: Array
    y: Array
    z: Array
    origin: Array


@dataclass(frozen=True)
class Frames:
    """All frames of one knee."""

    femur: FemurFrame
    tibia: TibiaFrame
    patella: PatellaFrame

    @property
    def flexion_deg(self) -> float:
        """Angle between the shafts in the plane at right angles to the condylar axis."""
        f, t = self.femur, self.tibia
        return float(np.degrees(np.arctan2(t.y @ f.x, t.y @ f.y)))


def section_points(
    mesh: Mesh, normal: Array, offsets: Array
) -> tuple[NDArray[np.intp], Array, Array]:
    """The cuts of a closed surface by the planes p . normal = offset.

    Args:
        offsets: (P,) mm.

    Returns:
        which plane each of S segments belongs to (S,), and its two ends (S, 3), (S, 3), all
        segments of a plane running the same way round.
    """
    from pipeline.knee.cuts import segments

    offsets = np.asarray(offsets, dtype=np.float64)
    plane, start, end = segments(mesh.vertices, mesh.faces, mesh.vertices @ normal, offsets)
    return plane, start, end


def section_centroids(mesh: Mesh, normal: Array, offsets: Array) -> Array:
    """(Q, 3) centroids of the areas cut out by planes, without those that miss the bone."""
    from pipeline.knee.cuts import centroids

    offsets = np.asarray(offsets, dtype=np.float64)
    e1 = unit(cross(normal, _AXES[int(np.argmin(np.abs(normal)))]))
    basis = np.stack([e1, cross(normal, e1)], axis=1)
    flat, area = centroids(mesh.vertices, mesh.faces, mesh.vertices @ normal, offsets, basis)
    good = np.abs(area) > 1e-9
    points: Array = flat[good] @ basis.T + offsets[good, None] * normal
    return points


def _shaft_axis(
    mesh: Mesh, direction: Array, joint: float, low: float, high: float
) -> tuple[Array, Array]:
    """Direction (along `direction`) and a point of the line through section centroids.

    Sections stand at right angles to `direction`, from `low` to `high` mm past `joint`.
    """
    along = mesh.vertices @ direction - joint
    heights = np.linspace(low, min(high, float(along.max()) - 1.0), 8)
    points = section_centroids(mesh, direction, joint + heights)
    if len(points) < 2:
        raise ValueError("the bone ends before its shaft begins: no axis can be fitted")
    middle = points.mean(axis=0)
    away = points - middle
    axis = np.linalg.eigh(away.T @ away)[1][:, 2]
    return (axis if axis @ direction > 0 else -axis), middle


def femur_frame(mesh: Mesh, *, up: Array | None = None, lateral: Array | None = None) -> FemurFrame:
    """The femur's frame, by the fixed point of the condyles' eclipse.

    Args:
        mesh: closed outer surface of a right femur, at least 0.8 W of shaft.
        up, lateral: (3,) rough directions; world y and z by default.
    """
    shaft = np.array([0.0, 1.0, 0.0]) if up is None else unit(up)
    side = np.array([0.0, 0.0, 1.0]) if lateral is None else unit(lateral)
    v = mesh.vertices
    width, middle = 80.0, v.mean(axis=0)
    for _ in range(3):
        rise = v @ shaft
        joint = float(rise.min())
        distal = v.compress(rise < joint + DISTAL_FEMUR_MM, axis=0)
        across = unit(side - (side @ shaft) * shaft)
        reach = distal @ across
        width = float(reach.max() - reach.min())
        shaft, middle = _shaft_axis(mesh, shaft, joint, 0.75 * width, 1.5 * width)
    rise = v @ shaft
    joint = float(rise.min())
    distal = v.compress(rise < joint + DISTAL_FEMUR_MM, axis=0)

    z = unit(side - (side @ shaft) * shaft)
    touching = np.zeros((4, 3))
    x = y = z
    for _ in range(8):
        y = unit(shaft - (shaft @ z) * z)
        x = cross(y, z)
        along, up_, front = np.stack([z, y, x]) @ distal.T
        medial = along < (along.max() + along.min()) / 2
        touching = distal[
            [
                np.argmin(np.where(medial, up_, np.inf)),
                np.argmin(np.where(medial, np.inf, up_)),
                np.argmin(np.where(medial, front, np.inf)),
                np.argmin(np.where(medial, np.inf, front)),
            ]
        ]
        down, back = touching[1] - touching[0], touching[3] - touching[2]
        step = x * (back @ x) / (back @ z) + y * (down @ y) / (down @ z)
        z = unit(z + step)
        if np.linalg.norm(step) < 1e-6:
            break
    y = unit(shaft - (shaft @ z) * z)
    x = cross(y, z)
    shaft_point = middle + shaft * (joint - middle @ shaft)
    return FemurFrame(x, y, z, touching.mean(axis=0), shaft, shaft_point, width, touching)


def tibia_frame(
    mesh: Mesh, width: float, *, up: Array | None = None, lateral: Array | None = None
) -> TibiaFrame:
    """The tibia's frame and rim points.

    Args:
        mesh: closed outer surface of a right tibia without the fibula.
        width: W of the same knee's femur, mm.
        up, lateral: (3,) rough directions; world y and z by default.
    """
    y = np.array([0.0, 1.0, 0.0]) if up is None else unit(up)
    side = np.array([0.0, 0.0, 1.0]) if lateral is None else unit(lateral)
    v = mesh.vertices
    # The highest point (a spine) stands about 10 mm above the rim points: good enough to start.
    joint = float((v @ y).max()) - 10.0
    x = z = rim = normal = y
    centre = middle = np.zeros(3)
    plateau_width = 0.0
    for _ in range(4):
        down, middle = _shaft_axis(mesh, -y, -joint, 0.75 * width, 1.5 * width)
        y = -down
        rise = v @ y
        top = float(rise.max())
        upper = v.compress(rise > top - UPPER_TIBIA_MM, axis=0)
        across = unit(side - (side @ y) * y)
        front = cross(y, across)
        directions = _COS[:, None] * across + _SIN[:, None] * front
        extents, best = _widest(upper, directions)
        if 0 < best < len(_TURNS) - 1:
            # Parabola through the three best directions: finer than the grid.
            e0, e1, e2 = extents[best - 1 : best + 2]
            bend = e0 - 2 * e1 + e2
            shift = 0.5 * (e0 - e2) / bend if bend < 0 else 0.0
            angle = _TURNS[best] + shift * (_TURNS[1] - _TURNS[0])
        else:
            angle = _TURNS[best]
        z = np.cos(angle) * across + np.sin(angle) * front
        x = cross(y, z)
        along = upper @ z
        low = float(along.min())
        plateau_width = float(along.max() - low)
        rim = np.zeros((4, 3))
        cuts = low + np.array([0.25, 0.75]) * plateau_width
        plane, start, _ = section_points(mesh, z, cuts)
        for i in range(2):
            cut = start[(plane == i) & (start @ y > top - UPPER_TIBIA_MM)]
            rim[2 * i] = cut[np.argmax(cut @ (y + x))]
            rim[2 * i + 1] = cut[np.argmax(cut @ (y - x))]
        centre = rim.mean(axis=0)
        away = rim - centre
        normal = np.linalg.eigh(away.T @ away)[1][:, 0]
        normal = normal if normal @ y > 0 else -normal
        joint = float(centre @ y)
    shaft_point = middle + y * (joint - middle @ y)
    return TibiaFrame(x, y, z, normal, rim, centre, shaft_point, plateau_width)


def _widest(points: Array, directions: Array) -> tuple[Array, int]:
    """How far `points` reach along evenly turned `directions` (D, 3), and the widest of them.

    Extents are given for the widest direction and its neighbours; others may be -inf. A width
    is sublinear in its direction, so that two directions bound every width between them: only
    where the bound reaches the widest one found need the points be looked at.
    """

    def reach(which: NDArray[np.intp]) -> Array:
        spans = directions[which] @ points.T
        return np.asarray(spans.max(axis=1) - spans.min(axis=1))

    step = 6
    number = np.arange(len(directions))
    extents = np.full(len(directions), -np.inf)
    coarse = np.append(number[:-1:step], number[-1])
    extents[coarse] = reach(coarse)
    left, right = number // step * step, np.minimum(number // step * step + step, number[-1])
    turn = np.arccos(np.clip(directions[0] @ directions[1], -1.0, 1.0))
    a, b = np.sin((right - number) * turn), np.sin((number - left) * turn)
    span = np.maximum(np.sin((right - left) * turn), 1e-12)
    bound = (a * extents[left] + b * extents[right]) / span
    wanted = np.maximum(bound, extents) >= extents.max() - 1e-6
    # The neighbours too: a parabola is laid through three.
    wanted[1:] |= wanted[:-1].copy()
    wanted[:-1] |= wanted[1:].copy()
    fine = number[wanted]
    extents[fine] = reach(fine)
    return extents, int(np.argmax(extents))


def patella_frame(mesh: Mesh, femur: FemurFrame) -> PatellaFrame:
    """The patella's frame: its thickness is the direction of least spread.

    A patella is about as wide as it is long, so the other two directions of spread are not
    stable; its length is taken at right angles to the thickness and the condylar axis.
    """
    centre = mesh.vertices.mean(axis=0)
    spread = mesh.vertices - centre
    x = np.linalg.eigh(spread.T @ spread)[1][:, 0]
    x = x if x @ (centre - femur.origin) > 0 else -x
    y = unit(cross(femur.z, x))
    return PatellaFrame(x, y, cross(x, y), centre)


def frames_of(bones: Mapping[str, Mesh]) -> Frames:
    """Frames of a right knee's `femur`, `tibia` and `patella`."""
    femur = femur_frame(bones["femur"])
    # In flexion the tibia has left the world's axes: start from where its own mass points.
    tibia = bones["tibia"]
    spread = tibia.vertices - tibia.vertices.mean(axis=0)
    long = np.linalg.eigh(spread.T @ spread)[1][:, -1]
    toward_knee = femur.origin - tibia.vertices.mean(axis=0)
    long = long if long @ toward_knee > 0 else -long
    return Frames(
        femur,
        tibia_frame(tibia, femur.width, up=long, lateral=femur.z),
        patella_frame(bones["patella"], femur),
    )
