"""From parameters to landmarks on a film, with the Jacobian.

Film axes: a along +x, b along +y (down), c away from the viewer, millimetres at the femur's
origin. The canonical film shows a right knee: on AP its lateral side toward -a and its front
toward the viewer (-c); on a lateral film its front toward -a and its lateral side away from the
viewer (+c). A left knee, mirrored in depth, is the same right knee with the source at the
other end. A point q = (qa, qb, qc) falls on

    (x, y) = principal + g w (qa, qb),   w = D / (D + s qc),

g pixels per mm at the femur's origin, D the source's distance, s = +1 where the source stands
on the viewer's side, -1 at the far end.

Parameters: rotation, tip, roll (rad); ta, tb (mm); log g; log D; tibia and patella in the
femur's frame: flexion, varus, axial (rad), x, y, z (mm); shape coefficients; on AP the four rim
points' own offsets (mm), because the tilt is that of these very points.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from pipeline.fit.knee_shape import BONES, KneeShape
from pipeline.knee.landmarks import View

Array = NDArray[np.float64]

ROTATION, TIP, ROLL, TA, TB, LOG_G, LOG_D = range(7)
TIBIA = slice(7, 13)
PATELLA = slice(13, 19)
SHAPE = 19
RIM_SIZE = 12
FLEXION = 7

_AXES = {
    # Columns: where X_f, Y_f, Z_f point on the film when square on.
    "AP": np.array([[0.0, 0, -1], [0, -1, 0], [-1, 0, 0]]),
    "lateral": np.diag([-1.0, -1.0, 1.0]),
}


def turn(axis: int, angle: float) -> tuple[Array, Array]:
    """Rotation by `angle` (rad) about a coordinate axis, and its derivative."""
    c, s = np.cos(angle), np.sin(angle)
    i, j = (axis + 1) % 3, (axis + 2) % 3
    r, d = np.eye(3), np.zeros((3, 3))
    r[i, i] = r[j, j] = c
    r[j, i], r[i, j] = s, -s
    d[i, i] = d[j, j] = -s
    d[j, i], d[i, j] = c, -c
    return r, d


def femur_turn(view: View, theta: Array) -> tuple[Array, Array]:
    """(3, 3) from the femur's frame to film axes, and (3, 3, 3) its derivatives."""
    roll, d_roll = turn(2, theta[ROLL])
    spin, d_spin = turn(1, theta[ROTATION])
    tip, d_tip = turn(2 if view == "AP" else 0, theta[TIP])
    base = _AXES[view]
    r = roll @ base @ spin @ tip
    return r, np.stack(
        [roll @ base @ d_spin @ tip, roll @ base @ spin @ d_tip, d_roll @ base @ spin @ tip]
    )


def joint_turn(pose: Array) -> tuple[Array, Array]:
    """(3, 3) from a bone's frame to the femur's, and (3, 3, 3) its derivatives."""
    bend, d_bend = turn(2, -pose[0])
    varus, d_varus = turn(0, pose[1])
    axial, d_axial = turn(1, pose[2])
    return bend @ varus @ axial, np.stack(
        [-d_bend @ varus @ axial, bend @ d_varus @ axial, bend @ varus @ d_axial]
    )


@dataclass(frozen=True)
class Contour:
    """How a contour landmark is found: the extreme of `index` along `direction`.

    `direction` names the film direction, `sign` its sense; `slack` mm is how well the model can
    place it along the outline.
    """

    bone: str
    index: NDArray[np.int32]
    direction: str
    sign: float
    slack: float


@dataclass
class Placed:
    """Landmarks of one evaluation.

    Attributes:
        bone: (K,) number in BONES; index: (K,) point number.
        xy: (K, 2) pixels; normal: (K, 2) unit normal at contour landmarks, zeros at fixed ones.
        sd_normal, sd_along: (K,) mm, what the model leaves out, across and along the outline.
    """

    names: tuple[str, ...]
    bone: NDArray[np.int64]
    index: NDArray[np.int64]
    xy: Array
    normal: Array
    sd_normal: Array
    sd_along: Array


@dataclass
class BeamModel:
    """The forward model of one view for one knee shape.

    Args:
        shape: the compact knee.
        view: AP or lateral.
        source_side: s above.
        principal: (2,) pixel of the central ray.
    """

    shape: KneeShape
    view: View
    source_side: float
    principal: Array
    _needed: dict[str, NDArray[np.int64]] = field(default_factory=dict, init=False)
    _mean: dict[str, Array] = field(default_factory=dict, init=False)
    _modes: dict[str, Array] = field(default_factory=dict, init=False)
    _where: dict[str, NDArray[np.int64]] = field(default_factory=dict, init=False)

    def __post_init__(self) -> None:
        keep = _needed_points(self.shape, self.view)
        for bone in BONES:
            index = keep[bone]
            self._needed[bone] = index
            self._mean[bone] = self.shape.mean[bone][index]
            modes = self.shape.modes[bone][:, index]
            self._modes[bone] = modes.reshape(len(modes), -1)
            where = np.full(len(self.shape.mean[bone]), -1, dtype=np.int64)
            where[index] = np.arange(len(index))
            self._where[bone] = where

    @property
    def size(self) -> int:
        """Number of parameters."""
        return SHAPE + self.shape.count + (RIM_SIZE if self.view == "AP" else 0)

    @property
    def rim(self) -> slice:
        """Where the rim points' offsets stand among the parameters; empty on a lateral film."""
        return slice(SHAPE + self.shape.count, self.size)

    def coefficients(self, theta: Array) -> Array:
        """(M,) shape coefficients."""
        return theta[SHAPE : SHAPE + self.shape.count]

    # -- points ---------------------------------------------------------------------------

    def _local(self, bone: str, theta: Array) -> Array:
        flat = self.coefficients(theta) @ self._modes[bone]
        local = self._mean[bone] + flat.reshape(-1, 3)
        if bone == "tibia" and self.view == "AP":
            at = self._where[bone][[int(self.shape.index[name]) for name in RIM_POINTS]]
            local[at] += theta[self.rim].reshape(4, 3)
        return local

    def film(self, bone: str, local: Array, theta: Array) -> Array:
        """(N, 3) points of a bone in its own frame to film axes, mm."""
        r, _ = femur_turn(self.view, theta)
        if bone != "femur":
            part = theta[TIBIA if bone == "tibia" else PATELLA]
            own, _ = joint_turn(part)
            local = local @ own.T + part[3:]
        return local @ r.T + np.array([theta[TA], theta[TB], 0.0])

    def pixels(self, film: Array, theta: Array) -> Array:
        """(N, 3) mm in film axes to (N, 2) pixels."""
        d = np.exp(theta[LOG_D])
        w = np.exp(theta[LOG_G]) * d / (d + self.source_side * film[..., 2:])
        return self.principal + w * film[..., :2]

    # -- landmarks ------------------------------------------------------------------------

    def place(self, theta: Array) -> Placed:
        """Where every landmark of the view falls, and which point of the model it is."""
        px: dict[str, Array] = {}
        for bone in BONES:
            px[bone] = self.pixels(self.film(bone, self._local(bone, theta), theta), theta)
        r, _ = femur_turn(self.view, theta)
        picker = _Picker(self, px, r, theta)
        return picker.all()

    def jacobian(self, theta: Array, placed: Placed) -> Array:
        """(K, 2, P) pixels per parameter at the points that `placed` chose."""
        k, p, m = len(placed.names), self.size, self.shape.count
        out = np.zeros((k, 2, p))
        r, dr = femur_turn(self.view, theta)
        d, g = np.exp(theta[LOG_D]), np.exp(theta[LOG_G])
        shift = np.array([theta[TA], theta[TB], 0.0])
        for number, bone in enumerate(BONES):
            rows = np.flatnonzero(placed.bone == number)
            if len(rows) == 0:
                continue
            at = self._where[bone][placed.index[rows]]
            modes = self._modes[bone].reshape(m, -1, 3)[:, at]
            local = self._local(bone, theta)[at]
            dq = np.zeros((len(rows), 3, p))
            if bone == "femur":
                femoral, total = local, r
            else:
                part = TIBIA if bone == "tibia" else PATELLA
                own, d_own = joint_turn(theta[part])
                femoral, total = local @ own.T + theta[part][3:], r @ own
                for i in range(3):
                    dq[:, :, part.start + i] = local @ (r @ d_own[i]).T
                dq[:, :, part.start + 3 : part.stop] = r
            for i, column in enumerate((ROTATION, TIP, ROLL)):
                dq[:, :, column] = femoral @ dr[i].T
            dq[:, 0, TA] = dq[:, 1, TB] = 1.0
            dq[:, :, SHAPE : SHAPE + m] = np.einsum("ij,mnj->nim", total, modes)
            if bone == "tibia" and self.view == "AP":
                for i, name in enumerate(RIM_POINTS):
                    mine = placed.index[rows] == int(self.shape.index[name])
                    start = SHAPE + m + 3 * i
                    dq[mine, :, start : start + 3] = total
            q = femoral @ r.T + shift
            w = d / (d + self.source_side * q[:, 2])
            flat = q[:, :2]
            out[rows] = g * w[:, None, None] * dq[:, :2]
            depth = -g * w**2 * self.source_side / d
            out[rows] += (depth[:, None] * flat)[:, :, None] * dq[:, 2:3]
            out[rows, :, LOG_G] += g * w[:, None] * flat
            # dw/dlogD = w - w^2: a farther source flattens the perspective.
            out[rows, :, LOG_D] += g * (w - w**2)[:, None] * flat
        return out


def _needed_points(shape: KneeShape, view: View) -> dict[str, NDArray[np.int64]]:
    """Point numbers per bone that landmarks of the view can use."""
    keep: dict[str, list[NDArray[np.int32]]] = {b: [] for b in BONES}
    for name, index in shape.index.items():
        kind, rest = name.split(".", 1)
        if kind == "set":
            keep[bone_of_set(rest)].append(index)
        elif kind == "point" and not rest.startswith("height."):
            keep["tibia" if rest in _TIBIAL_POINTS else "femur"].append(index.reshape(1))
    keep["femur"].append(shape.index["ring.femur"].ravel())
    keep["tibia"].append(shape.index["ring.tibia"].ravel())
    return {b: np.unique(np.concatenate(parts)).astype(np.int64) for b, parts in keep.items()}


def bone_of_set(landmark: str) -> str:
    """Bone of a support landmark."""
    if landmark.startswith("patella"):
        return "patella"
    return "tibia" if "plateau" in landmark or "tibial" in landmark else "femur"


_RIM = (
    "medial_plateau_anterior",
    "medial_plateau_posterior",
    "lateral_plateau_anterior",
    "lateral_plateau_posterior",
)
_TIBIAL_POINTS = (
    "medial_spine",
    "lateral_spine",
    "fibular_head",
    *_RIM,
    "tibia_joint",
    "tibia_low",
)
RIM_POINTS = tuple(f"point.{name}" for name in _RIM)

_SLACK_SUPPORT, _SLACK_FLARE, _SLACK_RING, _SLACK_NOTCH = 3.0, 8.0, 1.0, 2.0
_MESH_SD = 0.3
"""mm: facets of the true surface and candidates between which an extreme falls."""


class _Picker:
    """Chooses the model's point for each landmark of one view at one set of parameters."""

    def __init__(self, model: BeamModel, px: Mapping[str, Array], r: Array, theta: Array) -> None:
        self.model, self.px, self.shape = model, px, model.shape
        self.names: list[str] = []
        self.bone: list[int] = []
        self.index: list[int] = []
        self.xy: list[Array] = []
        self.normal: list[Array] = []
        self.sd: list[tuple[float, float]] = []
        origin = np.array([theta[TA], theta[TB], 0.0])
        ends = model.pixels(np.concatenate([[origin], origin + 20.0 * r.T]), theta)
        self.x, self.y, self.z = (_unit(e - ends[0]) for e in ends[1:])
        _, self.patella_up, self.patella_z = self._axes("patella", r, theta)
        self.tibia_x, _, self.tibia_z = self._axes("tibia", r, theta)

    def _axes(self, bone: str, r: Array, theta: Array) -> tuple[Array, Array, Array]:
        """(2,) film directions of a bone's x, y, z at its origin; length kept for the rest."""
        turned = (r @ joint_turn(theta[TIBIA if bone == "tibia" else PATELLA])[0]).T
        middle = self.model.film(bone, np.zeros((1, 3)), theta)
        ends = self.model.pixels(np.concatenate([middle, middle + 20.0 * turned]), theta)
        steps = ends[1:] - ends[0]
        return steps[0], _unit(steps[1]), steps[2]

    def all(self) -> Placed:
        if self.model.view == "AP":
            self._ap()
        else:
            self._lateral()
        self._patella()
        self._fixed("fibular_head", "tibia")
        sd = np.array(self.sd)
        return Placed(
            tuple(self.names),
            np.array(self.bone),
            np.array(self.index),
            np.array(self.xy),
            np.array(self.normal),
            sd[:, 0],
            sd[:, 1],
        )

    def _add(self, name: str, bone: str, index: int, normal: Array | None, slack: float) -> Array:
        self.names.append(name)
        self.bone.append(BONES.index(bone))
        self.index.append(int(index))
        xy = self._at(bone, index)
        self.xy.append(xy)
        self.normal.append(np.zeros(2) if normal is None else normal)
        left = float(self.shape.left[bone][index])
        own = left
        if "condyle" in name or (self.model.view == "AP" and name in _RIM):
            # Touching points are level in the femur's frame by its definition, and rim points
            # have offsets of their own: what the modes leave out is not an error there.
            own = 0.0
        across = float(np.hypot(own, _MESH_SD))
        self.sd.append((across, float(np.hypot(left, slack)) if normal is not None else across))
        return xy

    def _at(self, bone: str, index: int | NDArray[np.int32]) -> Array:
        return self.px[bone][self.model._where[bone][index]]

    def _fixed(self, name: str, bone: str) -> None:
        self._add(name, bone, int(self.shape.index[f"point.{name}"]), None, 0.0)

    def _extreme(self, name: str, direction: Array) -> Array:
        bone = bone_of_set(name)
        index = self.shape.index[f"set.{name}"]
        best = index[int(np.argmax(self._at(bone, index) @ direction))]
        return self._add(name, bone, best, direction, _SLACK_SUPPORT)

    def _ring(self, bone: str, height: float, direction: Array) -> int:
        row = int(np.argmin(np.abs(self.shape.heights[bone] - height)))
        index = self.shape.index[f"ring.{bone}"][row]
        return int(index[int(np.argmax(self._at(bone, index) @ direction))])

    def _shaft(self, bone: str, toward: Array, sides: tuple[str, str]) -> tuple[Array, Array]:
        """Cortex landmarks; returns the film's across direction and the two cortices at 1 W."""
        first, second = (
            ("shaft_joint", "shaft_high") if bone == "femur" else ("tibia_joint", "tibia_low")
        )
        start = self._at(bone, int(self.shape.index[f"point.{first}"]))
        end = self._at(bone, int(self.shape.index[f"point.{second}"]))
        along = _unit(end - start)
        across = np.array([-along[1], along[0]])
        across = across if across @ toward >= 0 else -across
        prefix = "femoral_shaft" if bone == "femur" else "tibial_shaft"
        near, far = ("low", "high") if bone == "femur" else ("high", "low")
        ends = np.zeros((2, 2))
        for i, (side, sign) in enumerate(zip(sides, (-1.0, 1.0), strict=True)):
            for word, height in ((near, 0.75), (far, 1.1)):
                point = self._ring(bone, height, sign * across)
                self._add(f"{prefix}_{side}_{word}", bone, point, sign * across, _SLACK_RING)
            ends[i] = self._at(bone, self._ring(bone, 1.0, sign * across))
        return across, ends

    def _flare(self, name: str, bone: str, outward: Array, start: Array, end: Array) -> None:
        heights = self.shape.heights[bone]
        rows = self.shape.index[f"ring.{bone}"][heights <= 1.0]
        px = self._at(bone, rows)
        best = np.argmax(px @ outward, axis=1)
        profile = px[np.arange(len(rows)), best]
        chord = _unit(end - start)
        inward = np.array([-chord[1], chord[0]])
        inward = -inward if inward @ outward > 0 else inward
        position = (profile - start) @ chord
        within = (position > 0) & (position < np.linalg.norm(end - start))
        hollow = np.where(within, (profile - start) @ inward, -np.inf)
        row = int(np.argmax(hollow))
        self._add(name, bone, int(rows[row, best[row]]), -inward, _SLACK_FLARE)

    def _condyles(self, up: Array) -> tuple[Array, Array]:
        m = self._extreme("medial_condyle_distal", -up)
        return m, self._extreme("lateral_condyle_distal", -up)

    def _ap(self) -> None:
        up = self.y
        for _ in range(2):
            medial, lateral = (
                self._at("femur", index[int(np.argmin(self._at("femur", index) @ up))])
                for index in (
                    self.shape.index["set.medial_condyle_distal"],
                    self.shape.index["set.lateral_condyle_distal"],
                )
            )
            line = _unit(lateral - medial)
            normal = np.array([-line[1], line[0]])
            up = normal if normal @ up > 0 else -normal
        self._condyles(up)
        epicondyles = (
            self._extreme("medial_epicondyle", -self.z),
            self._extreme("lateral_epicondyle", self.z),
        )
        self._fixed("adductor_tubercle", "femur")
        self._fixed("notch_apex", "femur")
        self.sd[-1] = (_SLACK_NOTCH, _SLACK_NOTCH)
        across, ends = self._shaft("femur", self.z, ("medial", "lateral"))
        self._flare("medial_femoral_flare", "femur", -across, epicondyles[0], ends[0])
        self._flare("lateral_femoral_flare", "femur", across, epicondyles[1], ends[1])
        for name in (*_RIM, "medial_spine", "lateral_spine"):
            self._fixed(name, "tibia")
        across, ends = self._shaft("tibia", self.tibia_z, ("medial", "lateral"))
        along = np.array([-across[1], across[0]])
        up = along if along @ self.y > 0 else -along
        edge = self._extreme("medial_plateau_edge", _unit(up - across))
        self._extreme("lateral_plateau_edge", _unit(up + across))
        self._flare("medial_tibial_flare", "tibia", -across, edge, ends[0])

    def _lateral(self) -> None:
        self._condyles(self.y)
        self._extreme("medial_condyle_posterior", -self.x)
        self._extreme("lateral_condyle_posterior", -self.x)
        self._extreme("trochlea_anterior", self.x)
        self._fixed("adductor_tubercle", "femur")
        self._shaft("femur", self.x, ("posterior", "anterior"))
        for name in _RIM:
            self._fixed(name, "tibia")
        across, _ = self._shaft("tibia", self.tibia_x, ("posterior", "anterior"))
        self._extreme("tibial_tuberosity", across)

    def _patella(self) -> None:
        up = self.patella_up
        self._extreme("patella_superior", up)
        self._extreme("patella_inferior", -up)
        if self.model.view == "AP":
            outward = np.array([-up[1], up[0]])
            outward = outward if outward @ self.patella_z >= 0 else -outward
            self._extreme("patella_medial", -outward)
            self._extreme("patella_lateral", outward)


def _unit(vector: Array) -> Array:
    return vector / np.hypot(vector[0], vector[1])
