"""Builds the compact knee that `pipeline.fit` fits to landmarks, from an anatomy source.

Each sampled knee is cut down to the points that can ever be a landmark or an outline: fixed
points, candidates for the extremes along each landmark's direction, and rings around the shafts.
The femur's points are taken in its own frame (so the fitted femur's pose *is* its frame's pose),
tibia and patella are laid over their means; principal components are taken over all together.
"""

from __future__ import annotations

import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from safetensors.numpy import save_file
from scipy.spatial.transform import Rotation

from pipeline.contracts import AnatomyRequest, AnatomySource
from pipeline.knee.anatomy import Knee, Mesh
from pipeline.knee.camera import Camera, unit
from pipeline.knee.frames import DISTAL_FEMUR_MM, UPPER_TIBIA_MM, Frames, frames_of, section_points
from pipeline.knee.outline import TUBEROSITY, project_landmarks
from synthetic_data.anatomy.source import ShapeModelSource

Array = NDArray[np.float64]

FEMUR_RINGS = np.round(0.05 * np.arange(1, 23), 2)
TIBIA_RINGS = np.round(0.05 * np.arange(1, 23), 2)
FIBULA_RINGS = np.round(0.05 * np.arange(1, 16), 2)
"""Heights in W: above the femoral, below the tibial joint line, below the fibular tip."""
RING_POINTS = 24
CONE_DEG = 32.0
OUTLINE_PATELLA = 60
MAX_FLEXION_DEG = 90.0


@dataclass(frozen=True)
class _Support:
    """A landmark that is the extreme of a region: bone, region's name, direction (bone frame)."""

    bone: str
    region: str
    direction: tuple[float, float, float]


SUPPORTS: dict[str, _Support] = {
    "medial_condyle_distal": _Support("femur", "medial", (0, -1, 0)),
    "lateral_condyle_distal": _Support("femur", "lateral", (0, -1, 0)),
    "medial_condyle_posterior": _Support("femur", "medial", (-1, 0, 0)),
    "lateral_condyle_posterior": _Support("femur", "lateral", (-1, 0, 0)),
    "medial_epicondyle": _Support("femur", "distal", (0, 0, -1)),
    "lateral_epicondyle": _Support("femur", "distal", (0, 0, 1)),
    "trochlea_anterior": _Support("femur", "low", (1, 0, 0)),
    "medial_plateau_edge": _Support("tibia", "upper", (0, 1, -1)),
    "lateral_plateau_edge": _Support("tibia", "upper", (0, 1, 1)),
    "tibial_tuberosity": _Support("tibia", "tuberosity", (1, 0, 0)),
    "patella_superior": _Support("patella", "all", (0, 1, 0)),
    "patella_inferior": _Support("patella", "all", (0, -1, 0)),
    "patella_medial": _Support("patella", "all", (0, 0, -1)),
    "patella_lateral": _Support("patella", "all", (0, 0, 1)),
}
RIM = (
    "medial_plateau_anterior",
    "medial_plateau_posterior",
    "lateral_plateau_anterior",
    "lateral_plateau_posterior",
)


@dataclass(frozen=True)
class _Sampled:
    """One knee with its frames, and the pose of each bone's points in the world.

    The femur's pose is its frame. The widest direction of a plateau and the length of a patella
    are too unsteady for shapes to be compared in those frames, so the poses of tibia and
    patella come from laying each bone over the mean bone (`aligned`).

    Attributes:
        poses: bone to (3, 3) axes x, y, z as columns, and (3,) origin.
    """

    knee: Knee
    frames: Frames
    poses: Mapping[str, tuple[Array, Array]]

    def local(self, bone: str, points: Array) -> Array:
        """World points in the pose of `femur`, `tibia` (also the fibula's) or `patella`."""
        axes, origin = self.poses[bone]
        return (points - origin) @ axes


def _first_poses(frames: Frames) -> dict[str, tuple[Array, Array]]:
    """Poses of a reference knee: its frames, the tibia's z as near the condylar axis as can be."""
    f, t, p = frames.femur, frames.tibia, frames.patella
    z = unit(f.z - (f.z @ t.y) * t.y)
    return {
        "femur": (np.stack([f.x, f.y, f.z], axis=1), f.origin),
        "tibia": (np.stack([np.cross(t.y, z), t.y, z], axis=1), t.centre),
        "patella": (np.stack([p.x, p.y, p.z], axis=1), p.origin),
    }


def aligned(knees: list[tuple[Knee, Frames]]) -> list[_Sampled]:
    """Knees with the poses of tibia and patella laid over their means (Kabsch, two rounds)."""
    first = _first_poses(knees[0][1])
    poses = [{"femur": _first_poses(f)["femur"]} for _, f in knees]
    for bone in ("tibia", "patella"):
        axes, origin = first[bone]
        reference = (knees[0][0].bones[bone].vertices - origin) @ axes
        # The upper part only: how far a shaft is kept says nothing about its pose.
        index = np.flatnonzero(reference[:, 1] > -100.0)
        for _ in range(2):
            laid = []
            for pose, (knee, _) in zip(poses, knees, strict=True):
                world = knee.bones[bone].vertices[index]
                turn, _ = Rotation.align_vectors(
                    world - world.mean(axis=0), reference[index] - reference[index].mean(axis=0)
                )
                own = turn.as_matrix()
                place = world.mean(axis=0) - own @ reference[index].mean(axis=0)
                pose[bone] = (own, place)
                laid.append((knee.bones[bone].vertices - place) @ own)
            reference = np.mean(laid, axis=0)
    return [_Sampled(k, f, p) for (k, f), p in zip(knees, poses, strict=True)]


def _regions(s: _Sampled) -> dict[str, NDArray[np.bool_]]:
    """The regions of `SUPPORTS` as masks over the bone's vertices, by the landmarks' words."""
    f, t = s.frames.femur, s.frames.tibia
    v = s.knee.bones["femur"].vertices
    height = (v - f.shaft_point) @ f.shaft
    distal = height < DISTAL_FEMUR_MM
    along = v @ f.z
    split = (along[distal].max() + along[distal].min()) / 2
    u = s.knee.bones["tibia"].vertices
    below = (t.shaft_point - u) @ t.y
    return {
        "distal": distal,
        "medial": distal & (along < split),
        "lateral": distal & (along >= split),
        "low": height < 0.5 * f.width,
        "upper": below < float(below.min()) + UPPER_TIBIA_MM,
        "tuberosity": (below > TUBEROSITY[0] * f.width) & (below < TUBEROSITY[1] * f.width),
        "all": np.ones(len(s.knee.bones["patella"].vertices), dtype=bool),
    }


def _cone(direction: Array, degrees: float, count: int, rng: np.random.Generator) -> Array:
    """(count, 3) unit vectors within `degrees` of `direction`, the first exactly along it."""
    axis = unit(direction)
    cosine = rng.uniform(np.cos(np.radians(degrees)), 1.0, count)
    angle = rng.uniform(0, 2 * np.pi, count)
    first = unit(np.cross(axis, np.eye(3)[int(np.argmin(np.abs(axis)))]))
    second = np.cross(axis, first)
    sine = np.sqrt(1 - cosine**2)
    out = cosine[:, None] * axis + sine[:, None] * (
        np.cos(angle)[:, None] * first + np.sin(angle)[:, None] * second
    )
    out[0] = axis
    return out


def _ring(mesh: Mesh, centre: Array, axes: Array) -> Array:
    """(RING_POINTS, 3) the outline of a section, at equal angles around its centroid.

    Args:
        centre: (3,) a point of the plane.
        axes: (3, 3) columns: the plane's first direction, its normal, its second direction.
    """
    normal = axes[:, 1]
    _, start, end = section_points(mesh, normal, np.array([float(centre @ normal)]))
    if len(start) < 3:
        raise ValueError("the bone does not reach this height")
    a = np.stack([(start - centre) @ axes[:, 0], (start - centre) @ axes[:, 2]], axis=1)
    b = np.stack([(end - centre) @ axes[:, 0], (end - centre) @ axes[:, 2]], axis=1)
    length = np.linalg.norm(b - a, axis=1)
    middle = ((a + b) / 2 * length[:, None]).sum(axis=0) / length.sum()
    a, b = a - middle, b - middle
    angles = np.arange(RING_POINTS) * 2 * np.pi / RING_POINTS
    radius = np.full(RING_POINTS, np.nan)
    for i, angle in enumerate(angles):
        along = np.array([np.cos(angle), np.sin(angle)])
        aside = np.array([-along[1], along[0]])
        sa, sb = a @ aside, b @ aside
        cut = (sa > 0) != (sb > 0)
        if not cut.any():
            continue
        t = sa[cut] / (sa[cut] - sb[cut])
        reach = a[cut] @ along + t * ((b - a)[cut] @ along)
        if reach.max() > 0:
            radius[i] = reach.max()
    bad = np.isnan(radius)
    if bad.any():
        radius[bad] = np.interp(angles[bad], angles[~bad], radius[~bad], period=2 * np.pi)
    flat = middle + radius[:, None] * np.stack([np.cos(angles), np.sin(angles)], axis=1)
    return centre + flat[:, :1] * axes[:, 0] + flat[:, 1:] * axes[:, 2]


def _rings(s: _Sampled) -> dict[str, Array]:
    """(R, RING_POINTS, 3) world points around femur, tibia and fibula."""
    f, t = s.frames.femur, s.frames.tibia
    across = unit(f.z - (f.z @ f.shaft) * f.shaft)
    femur = np.stack([np.cross(f.shaft, across), f.shaft, across], axis=1)
    tibia = np.stack([t.x, t.y, t.z], axis=1)
    tip = s.knee.points["fibular_head"]
    bones = s.knee.bones

    def stack(mesh: Mesh, start: Array, step: Array, heights: Array, axes: Array) -> Array:
        return np.stack([_ring(mesh, start + h * f.width * step, axes) for h in heights])

    return {
        "femur": stack(bones["femur"], f.shaft_point, f.shaft, FEMUR_RINGS, femur),
        "tibia": stack(bones["tibia"], t.shaft_point, -t.y, TIBIA_RINGS, tibia),
        "fibula": stack(bones["fibula"], tip, -t.y, FIBULA_RINGS, tibia),
    }


def square_camera(origin: Array, front: Array, up: Array) -> Camera:
    """A camera in front, so far away that its beam is parallel; 0.5 mm pixels at the origin.

    `origin`: (3,) mm; `front`, `up`: (3,) unit.
    """
    far = 1e6
    return Camera.looking(
        source=origin + far * front,
        toward=-front,
        up=up,
        sid=far,
        spacing=0.5,
        rows=1000,
        columns=1000,
    )


def _heights(s: _Sampled) -> dict[str, tuple[str, Array]]:
    """Points on the shafts' axes at the heights of AP landmarks (world mm), and the notch's apex.

    Each bone is seen square on, the tibia along its own x, so that flexion does not shorten it.
    """
    f, t = s.frames.femur, s.frames.tibia
    out: dict[str, tuple[str, Array]] = {}
    for bone, front, axis, start, origin, names in (
        ("femur", f.x, f.shaft, f.shaft_point, f.origin, _FEMORAL_HEIGHTS),
        ("tibia", t.x, t.y, t.shaft_point, t.centre, _TIBIAL_HEIGHTS),
    ):
        camera = square_camera(origin, front, axis)
        found = project_landmarks(s.knee.bones, s.knee.points, s.frames, camera, "AP")
        world = camera.pixel(found.xy)  # a parallel beam: right but for the depth along the beam
        for name in names:
            p = world[found.names.index(name)]
            # Where the shaft's axis, seen from the front, passes the landmark's height.
            seen = axis - (axis @ front) * front
            out[name] = (bone, start + (p - start) @ seen / (seen @ seen) * axis)
        if bone == "femur":
            off = s.knee.bones["femur"].vertices - world[found.names.index("notch_apex")]
            flat = off - (off @ front)[:, None] * front
            nearest = np.argmin(np.linalg.norm(flat, axis=1))
            out["notch_apex"] = ("femur", s.knee.bones["femur"].vertices[nearest])
    return out


_FEMORAL_HEIGHTS = (
    "medial_femoral_flare",
    "lateral_femoral_flare",
    "medial_epicondyle",
    "lateral_epicondyle",
)
_TIBIAL_HEIGHTS = ("medial_tibial_flare", "medial_plateau_edge")


def draw(source: AnatomySource, n: int, rng: np.random.Generator) -> list[_Sampled]:
    """`n` knees with flexion spread from 0 to 90 degrees."""
    knees = []
    for i in range(n):
        flexion = MAX_FLEXION_DEG * (i + rng.random()) / n
        knee = source.sample(rng, AnatomyRequest(flexion_deg=float(flexion)))
        knees.append((knee, frames_of(knee.bones)))
    return aligned(knees)


def _relative(s: _Sampled, bone: str) -> Array:
    """(6,) pose of a bone in the femur's frame: flexion, varus, axial degrees; x, y, z mm."""
    axes, origin = s.poses["femur"]
    own, place = s.poses[bone]
    turn = axes.T @ own
    z, x, y = Rotation.from_matrix(turn).as_euler("ZXY", degrees=True)
    return np.concatenate([[-z, x, y], axes.T @ (place - origin)])


def _candidates(knees: list[_Sampled], rng: np.random.Generator) -> dict[str, NDArray[np.int32]]:
    """Vertices that are a landmark's extreme on some knee for some beam within the cone."""
    found: dict[str, set[int]] = {name: set() for name in SUPPORTS}
    for s in knees:
        regions = _regions(s)
        for name, support in SUPPORTS.items():
            index = np.flatnonzero(regions[support.region])
            local = s.local(support.bone, s.knee.bones[support.bone].vertices[index])
            directions = _cone(np.array(support.direction, dtype=float), CONE_DEG, 60, rng)
            found[name].update(index[np.argmax(local @ directions.T, axis=0)].tolist())
    return {name: np.array(sorted(index), dtype=np.int32) for name, index in found.items()}


def build_knee_shape(
    source: AnatomySource, n: int, rng: np.random.Generator, modes: int = 24
) -> dict[str, NDArray[np.generic]]:
    """The arrays of `pipeline/fit/knee_shape.safetensors`.

    Args:
        source: gives right knees whose vertices correspond.
        n: knees; one in five is kept apart to measure what the modes leave out.
        modes: principal components.

    Returns:
        Per bone (`femur`, `tibia`, `patella`; the fibula rides on the tibia): `<bone>.mean`
        (N, 3) mm and `<bone>.modes` (modes, N, 3) mm per standard deviation, in its frame.
        `set.<landmark>` (C,) and `ring.<bone>` (R, RING_POINTS) indices into them,
        `point.<name>` () index, `heights.<bone>` (R,) in W. `left.<bone>` (N,) mm, the
        standard deviation per coordinate that the modes leave out. `joint.<bone>.fit`
        (6, 4 + modes) from 1, f, f^2, f^3 (f = flexion / 90) and the coefficients to the pose
        in the femur's frame (degrees, mm; its first row, for the tibia, is zero: flexion is
        free), and `joint.<bone>.covariance` (6, 6) of the rest. `width` (1 + modes,) W in mm.
    """
    knees = draw(source, n, rng)
    candidates = _candidates(knees[:: max(1, n // 80)], rng)
    patella = rng.choice(len(knees[0].knee.bones["patella"].vertices), OUTLINE_PATELLA, False)

    arrays: dict[str, NDArray[np.generic]] = {}
    rows: dict[str, list[Array]] = {"femur": [], "tibia": [], "patella": []}
    for k, s in enumerate(knees):
        for bone, pieces in _pieces(s, candidates, patella).items():
            if k == 0:
                arrays |= _places_of(pieces)
            flat = np.concatenate([piece.reshape(-1, 3) for _, piece in pieces])
            rows[bone].append(s.local(bone, flat))
    found, coefficients = _modes_of(rows, modes)
    arrays |= found | _joints_of(knees, coefficients)
    width = np.array([s.frames.femur.width for s in knees])
    shape = np.column_stack([np.ones(n), coefficients])
    arrays["width"] = np.linalg.lstsq(shape, width, rcond=None)[0].astype(np.float32)
    arrays["heights.femur"] = FEMUR_RINGS.astype(np.float32)
    arrays["heights.tibia"] = TIBIA_RINGS.astype(np.float32)
    arrays["heights.fibula"] = FIBULA_RINGS.astype(np.float32)
    return arrays


Pieces = list[tuple[str, Array]]


def _pieces(
    s: _Sampled, candidates: Mapping[str, NDArray[np.int32]], patella: NDArray[np.int64]
) -> dict[str, Pieces]:
    """By bone, the points of one knee that the shape keeps: (..., 3) mm by name, in the world."""
    parts: dict[str, Pieces] = {"femur": [], "tibia": [], "patella": []}
    for name, support in SUPPORTS.items():
        vertices = s.knee.bones[support.bone].vertices[candidates[name]]
        parts[support.bone].append((f"set.{name}", vertices))
    for bone, ring in _rings(s).items():
        parts["femur" if bone == "femur" else "tibia"].append((f"ring.{bone}", ring))
    points: Mapping[str, Array] = s.knee.points
    f, t = s.frames.femur, s.frames.tibia
    single: list[tuple[str, str, Array]] = [
        ("femur", "adductor_tubercle", points["adductor_tubercle"]),
        ("tibia", "medial_spine", points["medial_spine"]),
        ("tibia", "lateral_spine", points["lateral_spine"]),
        ("tibia", "fibular_head", points["fibular_head"]),
        *(("tibia", name, t.rim[i]) for i, name in enumerate(RIM)),
        ("femur", "shaft_joint", f.shaft_point),
        ("femur", "shaft_high", f.shaft_point + f.width * f.shaft),
        ("tibia", "tibia_joint", t.shaft_point),
        ("tibia", "tibia_low", t.shaft_point - f.width * t.y),
    ]
    for name, (bone, place) in _heights(s).items():
        prefix = "" if name == "notch_apex" else "height."
        single.append((bone, prefix + name, place))
    for bone, name, place in single:
        parts[bone].append((f"point.{name}", place))
    parts["patella"].append(("hull.patella", s.knee.bones["patella"].vertices[patella]))
    return parts


def _places_of(pieces: Pieces) -> dict[str, NDArray[np.generic]]:
    """Where each piece's points stand among all of its bone."""
    found: dict[str, NDArray[np.generic]] = {}
    at = 0
    for name, piece in pieces:
        count = piece.size // 3
        found[name] = np.arange(at, at + count, dtype=np.int32).reshape(piece.shape[:-1])
        at += count
    return found


def _modes_of(
    rows: Mapping[str, Sequence[Array]], modes: int
) -> tuple[dict[str, NDArray[np.generic]], Array]:
    """Mean, modes and what they leave out, of each bone; (n, modes) coefficients of the knees.

    Args:
        rows: by bone, the (N, 3) mm of each of n knees.
    """
    n = len(rows["femur"])
    held = np.arange(n) % 5 == 4
    cut = np.cumsum([len(rows[bone][0]) * 3 for bone in rows])[:-1]
    data = np.stack([np.concatenate([rows[b][k].ravel() for b in rows]) for k in range(n)])
    mean = data[~held].mean(axis=0)
    _, spread, basis = np.linalg.svd(data[~held] - mean, full_matrices=False)
    basis = basis[:modes] * (spread[:modes, None] / np.sqrt((~held).sum() - 1))
    coefficients = (data - mean) @ basis.T / (basis**2).sum(axis=1)
    left = np.sqrt(((data - mean - coefficients @ basis)[held] ** 2).mean(axis=0))
    found: dict[str, NDArray[np.generic]] = {}
    for bone, m, b, r in zip(
        rows,
        np.split(mean, cut),
        np.split(basis, cut, axis=1),
        np.split(left, cut),
        strict=True,
    ):
        found[f"{bone}.mean"] = m.reshape(-1, 3).astype(np.float32)
        found[f"{bone}.modes"] = b.reshape(modes, -1, 3).astype(np.float16)
        found[f"left.{bone}"] = np.sqrt((r.reshape(-1, 3) ** 2).mean(axis=1)).astype(np.float16)
    return found, coefficients


def _joints_of(knees: Sequence[_Sampled], coefficients: Array) -> dict[str, NDArray[np.generic]]:
    """How tibia and patella stand to the femur, by flexion and (n, modes) coefficients."""
    flexion = np.array([_relative(s, "tibia")[0] for s in knees]) / 90.0
    design = np.column_stack([flexion**0, flexion, flexion**2, flexion**3, coefficients])
    found: dict[str, NDArray[np.generic]] = {}
    for bone in ("tibia", "patella"):
        pose = np.stack([_relative(s, bone) for s in knees])
        if bone == "tibia":
            pose[:, 0] = 0.0
        fit, *_ = np.linalg.lstsq(design, pose, rcond=None)
        rest = pose - design @ fit
        covariance = rest.T @ rest / max(1, len(knees) - design.shape[1])
        found[f"joint.{bone}.fit"] = fit.T.astype(np.float32)
        found[f"joint.{bone}.covariance"] = covariance.astype(np.float32)
    return found


def main(arguments: list[str]) -> None:
    """`python -m synthetic_data.fit_model OUT.safetensors`: the shipped file, some 5 minutes."""
    source = ShapeModelSource()
    arrays = build_knee_shape(source, 800, np.random.default_rng(20240), modes=32)
    save_file({name: np.ascontiguousarray(a) for name, a in arrays.items()}, arguments[0])


if __name__ == "__main__":
    main(sys.argv[1:])
