"""Bones that training never saw, and whose shape model it never saw: one adult right knee.

From the package `myo-sim` (Apache-2.0), whose legs are those of Rajagopal et al. 2016 (IEEE
Trans Biomed Eng 63:2068): coarse closed meshes of femur, tibia, fibula, patella, and how they
move on each other. The meshes are filled on a grid, smoothed there and given a surface again.
"""

from __future__ import annotations

import xml.etree.ElementTree as ElementTree
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import distance_transform_edt, gaussian_filter
from scipy.spatial import cKDTree
from scipy.spatial.transform import Rotation

from pipeline.knee.anatomy import Knee, Mesh
from pipeline.knee.frames import FemurFrame, TibiaFrame, femur_frame, frames_of, tibia_frame

Array = NDArray[np.float64]
NAMES = ("femur", "tibia", "fibula", "patella")
GRID_MM, SMOOTH_MM = 1.4, 2.0
ABOVE_MM, BELOW_MM = 200.0, 230.0
"""How much of the femur and of the leg is kept, from the middle of the joint."""


def installed() -> bool:
    """Whether the package that brings the bones is there."""
    try:
        import myo_sim  # noqa: F401
        import skimage  # noqa: F401
        import trimesh  # noqa: F401
    except ImportError:
        return False
    return True


def _folder() -> Path:
    import myo_sim

    return Path(str(myo_sim.__file__)).parent / "models"


def _filled(mesh: object, axes: list[Array], along: int) -> Array:
    """How often the surface winds round each grid point, counted along one axis."""
    from trimesh.ray.ray_pyembree import RayMeshIntersector

    others = [i for i in range(3) if i != along]
    a, b = np.meshgrid(axes[others[0]], axes[others[1]], indexing="ij")
    start = np.zeros((a.size, 3))
    # Off the grid by a little, so that no ray runs along an edge.
    start[:, others[0]], start[:, others[1]] = a.ravel() + 1e-4, b.ravel() + 2e-4
    start[:, along] = axes[along][0] - 50
    way = np.zeros_like(start)
    way[:, along] = 1
    face, ray, place = RayMeshIntersector(mesh).intersects_id(
        start, way, multiple_hits=True, return_locations=True
    )
    turns = np.zeros((a.size, len(axes[along]) + 1))
    at = np.searchsorted(axes[along], place[:, along])
    np.add.at(turns, (ray, at), -np.sign(mesh.face_normals[face][:, along]))  # type: ignore[attr-defined]
    return np.moveaxis(np.cumsum(turns, axis=1)[:, :-1].reshape(*a.shape, -1), -1, along)


def _surface(field: Array, level: float, axes: list[Array]) -> Mesh:
    from skimage.measure import marching_cubes

    vertices, faces, _, _ = marching_cubes(field, level, spacing=(GRID_MM,) * 3)
    low = np.array([axis[0] for axis in axes])
    return Mesh((vertices + low).astype(np.float64), faces[:, ::-1].astype(np.int32))


@dataclass(frozen=True)
class _Joints:
    """Where tibia and patella stand, and by what polynomials of flexion they move."""

    tibia: Array
    patella: Array
    steps: dict[str, list[tuple[str, Array, Array]]]

    def place(self, body: str, flexion: float) -> tuple[Array, Array]:
        """Turn (3, 3) and shift (3,) mm of a body for a flexion in radians."""
        turn, shift = np.eye(3), np.array(getattr(self, body))
        for kind, axis, law in self.steps[body]:
            amount = float(np.polynomial.polynomial.polyval(flexion, law))
            if kind == "slide":
                shift = shift + axis * amount * 1000
            else:
                turn = turn @ Rotation.from_rotvec(axis * amount).as_matrix()
        return turn, shift


@cache
def _joints() -> _Joints:
    chain = ElementTree.parse(_folder() / "leg/assets/myolegs_chain.xml").getroot()
    laws = {
        str(node.get("joint1")): np.array([float(x) for x in str(node.get("polycoef")).split()])
        for node in ElementTree.parse(_folder() / "leg/assets/myolegs_assets.xml").iter("joint")
        if node.get("joint2") == "knee_angle_r"
    }
    laws["knee_angle_r"] = np.array([0.0, 1.0])
    places, steps = {}, {}
    for body in ("tibia", "patella"):
        (node,) = [b for b in chain.iter("body") if b.get("name") == f"{body}_r"]
        places[body] = 1000 * np.array([float(x) for x in str(node.get("pos")).split()])
        steps[body] = [
            (
                str(joint.get("type", "hinge")),
                np.array([float(x) for x in str(joint.get("axis")).split()]),
                laws[str(joint.get("name"))],
            )
            for joint in node.findall("joint")
        ]
    return _Joints(places["tibia"], places["patella"], steps)


@cache
def bones() -> dict[str, tuple[Mesh, Mesh]]:
    """Name to the outer surface and the one inside the cortex, mm, each in its own body's axes.

    Cortex 1.2 mm at the joint and up to 5 mm in the shaft (design values).
    """
    import trimesh

    middle = float(_joints().tibia[1])
    found = {}
    for name in NAMES:
        solid = trimesh.load(_folder() / f"meshes/r_{name}.stl")
        solid = trimesh.Trimesh(solid.vertices * 1000, solid.faces, process=False)
        low, high = np.array(solid.bounds)
        height = middle if name == "femur" else 0.0
        if name != "patella":
            low[1], high[1] = max(low[1], height - BELOW_MM), min(high[1], height + ABOVE_MM)
        axes = [np.arange(a - 6, b + 6, GRID_MM) for a, b in zip(low, high, strict=True)]
        # Three directions outvote the slits that one of the meshes has.
        body = np.median([_filled(solid, axes, k) for k in range(3)], axis=0) > 0.5
        body[:, [0, -1]] = False
        smooth = gaussian_filter(body.astype(np.float32), SMOOTH_MM / GRID_MM)
        smooth[:, [0, -1]] = 0
        level = float(np.quantile(smooth, 1 - body.mean()))  # keeps the volume
        depth = distance_transform_edt(smooth > level) * GRID_MM
        depth = gaussian_filter(depth, 1.0)
        away = np.abs(axes[1] - height)[None, :, None]
        cortex = 1.2 if name == "patella" else np.clip(1.2 + (away - 30) * 0.04, 1.2, 5.0)
        if name == "fibula":
            cortex = np.minimum(cortex, 2.5)
        found[name] = (_surface(smooth, level, axes), _surface(depth - cortex, 0.0, axes))
    return found


@dataclass(frozen=True)
class _Warp:
    """A smooth change of shape: sizes along the axes, and a few slow waves."""

    size: Array
    waves: Array
    phases: Array
    heights: Array

    @staticmethod
    def draw(rng: np.random.Generator, spread_mm: float) -> _Warp:
        size = rng.normal(1.0, 0.06) * rng.normal(1.0, [0.03, 0.02, 0.03])
        ways = rng.normal(size=(6, 3))
        ways /= np.linalg.norm(ways, axis=1, keepdims=True)
        waves = ways * (2 * np.pi / rng.uniform(70, 160, (6, 1)))
        heights = rng.normal(0, spread_mm * np.sqrt(2 / 6), (6, 3))
        return _Warp(size, waves, rng.uniform(0, 2 * np.pi, 6), heights)

    def __call__(self, points: Array) -> Array:
        return points * self.size + np.sin(points @ self.waves.T + self.phases) @ self.heights


def _tube(rng: np.random.Generator, knee: dict[str, Mesh]) -> Mesh:
    """Skin: rings round the line through the bones' sections, wider behind than in front."""
    f = frames_of(knee)
    top = f.femur.shaft_point + f.femur.shaft * (ABOVE_MM + 40)
    foot = f.tibia.shaft_point - f.tibia.y * (BELOW_MM + 40)
    knee_at = f.femur.origin
    s = np.linspace(0, 1, 41)[:, None]
    line = (1 - s) ** 2 * top + 2 * s * (1 - s) * (2 * knee_at - (top + foot) / 2) + s**2 * foot
    ahead = np.gradient(line, axis=0)
    ahead /= np.linalg.norm(ahead, axis=1, keepdims=True)
    front = np.cross(f.femur.z, ahead)
    front /= -np.linalg.norm(front, axis=1, keepdims=True)
    girth = rng.uniform(0.85, 1.25) * np.interp(s[:, 0], [0, 0.45, 0.6, 1], [78, 62, 58, 52])
    around = np.linspace(0, 2 * np.pi, 48, endpoint=False)
    c, d = np.cos(around), np.sin(around)
    rings = (
        line[:, None]
        - 6 * front[:, None]
        + girth[:, None, None] * (c[:, None] * front[:, None] + d[:, None] * f.femur.z)
    )
    count = len(around)
    faces = []
    for i in range(len(s) - 1):
        a = i * count + np.arange(count)
        b = i * count + (np.arange(count) + 1) % count
        faces += [np.stack([a, b, a + count], 1), np.stack([b, b + count, a + count], 1)]
    vertices = np.concatenate([rings.reshape(-1, 3), line[[0, -1]]])
    for ring, tip, order in ((0, -2, 1), (len(s) - 1, -1, -1)):
        a = ring * count + np.arange(count)
        b = ring * count + (np.arange(count) + 1) % count
        cap = np.stack([b, a, np.full(count, len(vertices) + tip)], 1)
        faces.append(cap[:, ::order])
    mesh = Mesh(vertices, np.concatenate(faces).astype(np.int32))
    corner = mesh.vertices[mesh.faces]
    volume = np.einsum("ij,ij->i", corner[:, 0], np.cross(corner[:, 1], corner[:, 2])).sum()
    return mesh if volume > 0 else Mesh(mesh.vertices, mesh.faces[:, ::-1].copy())


PUBLISHED = {
    "leaning": (9.0, 1.8),  # 90 less the lateral distal femoral angle: Paley 2002, from memory
    "medial": (6.2, 3.2),  # posterior slopes: Knee Surg Relat Res 2021 (285 MRI)
    "lateral": (4.5, 3.1),
}


def _smooth(x: Array) -> Array:
    x = np.clip(x, 0, 1)
    return x * x * (3 - 2 * x)


def _leaned(frame: FemurFrame, degrees: float) -> Callable[[Array], Array]:
    """Bends a femur above its condyles until they lean by that much against the shaft."""
    now = np.degrees(np.arcsin(frame.z @ frame.shaft))
    centre = frame.origin + 30 * frame.shaft

    def bend(points: Array) -> Array:
        height = (points - frame.shaft_point) @ frame.shaft
        angle = np.radians(degrees - now) * _smooth((height - 30) / 40)
        y, z = (points - centre) @ frame.y, (points - centre) @ frame.z
        c, s = np.cos(angle), np.sin(angle)
        up, out = c * y - s * z - y, s * y + c * z - z
        return points + up[:, None] * frame.y + out[:, None] * frame.z

    return bend


def _sloped(frame: TibiaFrame, medial: float, lateral: float) -> Callable[[Array], Array]:
    """Shears the upper end of a tibia until its plateaus have these posterior slopes, degrees."""
    rise = frame.rim[[0, 2]] - frame.rim[[1, 3]]
    now = np.degrees(np.arctan2(rise @ frame.y, rise @ frame.x))

    def shear(points: Array) -> Array:
        x, y, z = ((points - frame.centre) @ axis for axis in (frame.x, frame.y, frame.z))
        side = _smooth((z + 8) / 16)
        more = np.radians((1 - side) * (medial - now[0]) + side * (lateral - now[1]))
        lift = np.tan(more) * x * _smooth((y + 45) / 33)
        return points + lift[:, None] * frame.y

    return shear


def draw_knee(
    rng: np.random.Generator, flexion_deg: float, spread_mm: float = 1.0, published: bool = False
) -> Knee:
    """A knee of these bones, its shape changed smoothly, in the axes of its femur's file.

    As they come, the condyles lean more against the shaft than those of most people, and the
    medial plateau slopes more and the lateral less. With `published` both are drawn from
    published figures instead.
    """
    flexion = np.radians(flexion_deg)
    warps = {body: _Warp.draw(rng, spread_mm) for body in ("femur", "tibia", "patella")}
    for body in ("tibia", "patella"):  # one person: sizes go together
        warps[body].size[:] = warps["femur"].size * rng.normal(1.0, 0.01, 3)
    shapers: dict[str, Callable[[Array], Array]] = dict(warps)
    if published:
        wish = {name: rng.normal(*row) for name, row in PUBLISHED.items()}
        femur, tibia = (
            Mesh(warps[name](bones()[name][0].vertices), bones()[name][0].faces)
            for name in ("femur", "tibia")
        )
        own = femur_frame(femur)
        top = tibia_frame(
            tibia, own.width, up=np.array([0.0, 1.0, 0.0]), lateral=np.array([0.0, 0.0, 1.0])
        )
        lean, slope = _leaned(own, wish["leaning"]), _sloped(top, wish["medial"], wish["lateral"])
        shapers["femur"] = lambda points: lean(warps["femur"](points))
        shapers["tibia"] = lambda points: slope(warps["tibia"](points))
    outer, inner = {}, {}
    for name, (surface, marrow) in bones().items():
        body = "tibia" if name == "fibula" else name
        turn, shift = np.eye(3), np.zeros(3)
        if body != "femur":
            turn, shift = _joints().place(body, flexion)
            shift = shift * warps["femur"].size
        for kept, mesh in ((outer, surface), (inner, marrow)):
            kept[name] = Mesh(shapers[body](mesh.vertices) @ turn.T + shift, mesh.faces)
    # The file's patella floats in front: back until cartilage is all that lies between.
    gap = float(rng.uniform(2.5, 5.0))
    tree = cKDTree(outer["femur"].vertices)
    for _ in range(20):
        far = float(tree.query(outer["patella"].vertices)[0].min())
        back = np.array([far - gap, 0.0, 0.0]) * 0.7
        for kept in (outer, inner):
            kept["patella"] = Mesh(kept["patella"].vertices - back, kept["patella"].faces)
    # Origin to the joint, so that the axes are those that frames expect.
    middle = _joints().tibia * warps["femur"].size
    for kept in (outer, inner):
        for name, mesh in kept.items():
            kept[name] = Mesh(mesh.vertices - middle, mesh.faces)
    return Knee(
        bones=outer,
        marrow=inner,
        soft={"skin": _tube(rng, outer)},
        points=_places(outer),
        flexion_deg=flexion_deg,
    )


def _places(outer: dict[str, Mesh]) -> dict[str, Array]:
    """The fixed points by their words: tubercle, tips of the spines, tip of the fibula.

    Height and depth of the adductor tubercle: J Orthop Surg Res 2018, s13018-018-0963-2 (0.558
    and 0.313 of the width).
    """
    frames = frames_of(outer)
    f, t = frames.femur, frames.tibia
    v = (outer["femur"].vertices - f.origin) @ np.stack([f.x, f.y, f.z], 1)
    low = v[:, 1].min()
    ends = v[v[:, 1] < low + 45]
    strip = (np.abs(v[:, 1] - low - 0.558 * f.width) < 3) & (
        np.abs(v[:, 0] - ends[:, 0].min() - 0.313 * f.width) < 3
    )
    at = np.flatnonzero(strip)
    tubercle = outer["femur"].vertices[at[np.argmin(v[at, 2])]]
    w = (outer["tibia"].vertices - t.centre) @ np.stack([t.x, t.y, t.z], 1)
    spines = {}
    for name, side in (("medial_spine", -1), ("lateral_spine", 1)):
        across = side * w[:, 2] / t.plateau_width
        near = np.flatnonzero(
            (across > 0.03) & (across < 0.2) & (np.abs(w[:, 0]) < 0.25 * t.plateau_width)
        )
        spines[name] = outer["tibia"].vertices[near[np.argmax(w[near, 1])]]
    fibula = outer["fibula"].vertices
    return {
        "adductor_tubercle": tubercle,
        **spines,
        "fibular_head": fibula[np.argmax(fibula @ t.y)],
    }
