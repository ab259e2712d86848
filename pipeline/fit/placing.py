"""Which point of the fitted knee is which landmark on the film.

Fixed landmarks are one point. Contour landmarks are the candidate that reaches farthest along a
film direction; by the envelope theorem its motion across the outline is that of the candidate,
so no derivative of the choice is needed. All are chosen in a few array operations, because the
fit asks for them some fifty times a film.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from pipeline.fit.knee_shape import BONES, RIM, RIM_POINTS, KneeShape
from pipeline.knee.landmarks import View

Array = NDArray[np.float64]
Index = NDArray[np.int64]

SLACK_SUPPORT, SLACK_FLARE, SLACK_RING, SLACK_NOTCH = 3.0, 8.0, 1.0, 2.0
"""mm: how well the model places a landmark along the outline; the notch, both ways."""
MESH_SD = 0.3
"""mm: facets of a true surface, and candidates between which an extreme falls."""

_TIBIAL_POINTS = ("medial_spine", "lateral_spine", "fibular_head", *RIM, "tibia_joint", "tibia_low")
_AXIS = {"femur": ("shaft_joint", "shaft_high"), "tibia": ("tibia_joint", "tibia_low")}
_SHAFTS = {"femur": ("femoral_shaft", "low", "high"), "tibia": ("tibial_shaft", "high", "low")}
_SIDES = {"AP": ("medial", "lateral"), "lateral": ("posterior", "anterior")}

_FIXED: dict[str, tuple[tuple[str, str], ...]] = {
    "AP": (
        ("adductor_tubercle", "femur"),
        ("notch_apex", "femur"),
        *((name, "tibia") for name in RIM),
        ("medial_spine", "tibia"),
        ("lateral_spine", "tibia"),
        ("fibular_head", "tibia"),
    ),
    "lateral": (
        ("adductor_tubercle", "femur"),
        *((name, "tibia") for name in RIM),
        ("fibular_head", "tibia"),
    ),
}
_SUPPORT: dict[str, tuple[tuple[str, str, float], ...]] = {
    # Landmark, film direction, its sense.
    "AP": (
        ("medial_condyle_distal", "up", -1.0),
        ("lateral_condyle_distal", "up", -1.0),
        ("medial_epicondyle", "z", -1.0),
        ("lateral_epicondyle", "z", 1.0),
        ("medial_plateau_edge", "edge_medial", 1.0),
        ("lateral_plateau_edge", "edge_lateral", 1.0),
        ("patella_superior", "patella_up", 1.0),
        ("patella_inferior", "patella_up", -1.0),
        ("patella_medial", "patella_out", -1.0),
        ("patella_lateral", "patella_out", 1.0),
    ),
    "lateral": (
        ("medial_condyle_distal", "y", -1.0),
        ("lateral_condyle_distal", "y", -1.0),
        ("medial_condyle_posterior", "x", -1.0),
        ("lateral_condyle_posterior", "x", -1.0),
        ("trochlea_anterior", "x", 1.0),
        ("tibial_tuberosity", "tibia_across", 1.0),
        ("patella_superior", "patella_up", 1.0),
        ("patella_inferior", "patella_up", -1.0),
    ),
}
_FLARES = (
    ("medial_femoral_flare", "femur", -1.0, "medial_epicondyle"),
    ("lateral_femoral_flare", "femur", 1.0, "lateral_epicondyle"),
    ("medial_tibial_flare", "tibia", -1.0, "medial_plateau_edge"),
)


@dataclass(frozen=True)
class Placed:
    """Landmarks of one evaluation.

    Attributes:
        bone: (K,) number in BONES; index: (K,) point number within the bone.
        local: (K, 3) mm in the bone's own frame; modes: (K, 3, M) its slope by the coefficients.
        xy: (K, 2) pixels; normal: (K, 2) unit normal at contour landmarks, zeros at fixed ones.
        sd_normal, sd_along: (K,) mm, what the model leaves out, across and along the outline.
    """

    names: tuple[str, ...]
    bone: Index
    index: Index
    local: Array
    modes: Array
    xy: Array
    normal: Array
    sd_normal: Array
    sd_along: Array


@dataclass(frozen=True)
class Choice:
    """Which kept point each landmark is: `row` (K,), and of `Placed` what follows from that."""

    row: Index
    normal: Array
    sd_normal: Array
    sd_along: Array


def bone_of_set(landmark: str) -> str:
    """Bone of a support landmark."""
    if landmark.startswith("patella"):
        return "patella"
    return "tibia" if "plateau" in landmark or "tibial" in landmark else "femur"


def needed_points(shape: KneeShape) -> dict[str, Index]:
    """Point numbers per bone, rising, that landmarks can use."""
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


class Plan:
    """The landmarks of one view as arrays of candidates.

    The points that landmarks can use, the bones one after another: `cloud` (3, N) and
    `cloud_modes` (M, 3 N) in single precision, enough to choose by; `mean` (N, 3) and `modes`
    (N, 3, M) for those that are chosen. `parts` says which rows are a bone's.
    """

    def __init__(self, shape: KneeShape, view: View) -> None:
        keep = needed_points(shape)
        self.mean = np.concatenate([shape.mean[b][keep[b]] for b in BONES])
        modes = np.concatenate([shape.modes[b][:, keep[b]] for b in BONES], axis=1)
        self.modes = np.ascontiguousarray(modes.transpose(1, 2, 0))
        self.cloud = np.ascontiguousarray(self.mean.T, dtype=np.float32)
        planar = modes.transpose(0, 2, 1).reshape(shape.count, -1)
        self.cloud_modes = np.ascontiguousarray(planar, dtype=np.float32)
        sizes = [len(keep[b]) for b in BONES]
        offset = dict(zip(BONES, np.concatenate([[0], np.cumsum(sizes)[:-1]]), strict=True))

        def rows(bone: str, index: NDArray[np.int32]) -> Index:
            return np.searchsorted(keep[bone], index) + offset[bone]

        ends = np.cumsum([0, *sizes])
        self.parts = [slice(a, b) for a, b in pairwise(ends.tolist())]
        rims = np.searchsorted(keep["tibia"], [int(shape.index[n]) for n in RIM_POINTS])
        self.rim_rows = rims + offset["tibia"]
        self.point = np.concatenate([keep[b] for b in BONES])
        self.bone = np.repeat(np.arange(len(BONES)), sizes)
        self.left = np.concatenate([shape.left[b][keep[b]] for b in BONES])
        self.axis = {
            bone: [int(rows(bone, shape.index[f"point.{n}"])) for n in names]
            for bone, names in _AXIS.items()
        }
        self.fixed_names = tuple(name for name, _ in _FIXED[view])
        self.fixed = np.array([int(rows(b, shape.index[f"point.{n}"])) for n, b in _FIXED[view]])

        names, sets, toward, slack = [], [], [], []
        for name, direction, sign in _SUPPORT[view]:
            names.append(name)
            sets.append(rows(bone_of_set(name), shape.index[f"set.{name}"]))
            toward.append((direction, sign))
            slack.append(SLACK_SUPPORT)
        for bone, (prefix, near, far) in _SHAFTS.items():
            for side, sign in zip(_SIDES[view], (-1.0, 1.0), strict=True):
                for word, height in ((near, 0.75), (far, 1.1), ("", 1.0)):
                    row = int(np.argmin(np.abs(shape.heights[bone] - height)))
                    names.append(f"{prefix}_{side}_{word}" if word else f"chord.{bone}.{sign:g}")
                    sets.append(rows(bone, shape.index[f"ring.{bone}"][row]))
                    toward.append((f"{bone}_across", sign))
                    slack.append(SLACK_RING)
        widest = max(len(s) for s in sets)
        self.sets = np.stack([np.pad(s, (0, widest - len(s)), mode="edge") for s in sets])
        self.ways = [direction for direction, _ in toward]
        self.senses = np.array([[sign] for _, sign in toward])
        # Ends of chords at 1 W help to find flares and are no landmarks themselves.
        self.shown = np.array([i for i, n in enumerate(names) if not n.startswith("chord.")])
        self.at = {name: i for i, name in enumerate(names)}
        self.flares = _FLARES if view == "AP" else ()
        self.rings = {
            b: rows(b, shape.index[f"ring.{b}"][shape.heights[b] <= 1.0])
            for b in ("femur", "tibia")
        }
        self.names = (
            *self.fixed_names,
            *(names[i] for i in self.shown),
            *(name for name, *_ in self.flares),
        )
        flare_slack = [SLACK_FLARE] * len(self.flares)
        self.slack = np.concatenate(
            [np.zeros(len(self.fixed)), np.array(slack)[self.shown], flare_slack]
        )
        # Touching points are level in the femur's frame by its definition, and on AP rim points
        # have offsets of their own: what the modes leave out is not an error there.
        self.exact = np.array(
            [("condyle" in n and "epi" not in n) or (view == "AP" and n in RIM) for n in self.names]
        )
        self.notch = np.array([n == "notch_apex" for n in self.names])

    def below(self, px: Array, up: Array) -> Array:
        """(2,) the normal, pointing up, of the line that touches both condyles from below."""
        m, la = (self.sets[self.at[f"{s}_condyle_distal"]] for s in ("medial", "lateral"))
        for _ in range(2):
            line = px[:, la[np.argmin(up @ px[:, la])]] - px[:, m[np.argmin(up @ px[:, m])]]
            normal = np.array([-line[1], line[0]]) / np.hypot(line[0], line[1])
            up = normal if normal @ up > 0 else -normal
        return up

    def choose(self, px: Array, directions: Mapping[str, Array]) -> Choice:
        """The landmarks for pixels `px` (2, N) of all kept points and the film's directions."""
        toward = self.senses * np.array([directions[name] for name in self.ways])
        x, y = px.take(self.sets, axis=1)  # six times as fast as px[:, self.sets]
        reach = x * toward[:, :1] + y * toward[:, 1:]
        chosen = self.sets[np.arange(len(self.sets)), reach.argmax(axis=1)]
        rows = [self.fixed, chosen[self.shown]]
        normals = [np.zeros((len(self.fixed), 2)), toward[self.shown]]
        for _, bone, sign, start in self.flares:
            row, normal = self._flare(
                px,
                self.rings[bone],
                sign * directions[f"{bone}_across"],
                px[:, chosen[self.at[start]]],
                px[:, chosen[self.at[f"chord.{bone}.{sign:g}"]]],
            )
            rows.append(np.array([row]))
            normals.append(normal[None])
        every = np.concatenate(rows)
        normal = np.concatenate(normals)
        left = np.where(self.exact, 0.0, self.left[every])
        sd_normal = np.where(self.notch, SLACK_NOTCH, np.hypot(left, MESH_SD))
        fixed = np.arange(len(every)) < len(self.fixed)
        sd_along = np.where(fixed, sd_normal, np.hypot(self.left[every], self.slack))
        return Choice(every, normal, sd_normal, sd_along)

    @staticmethod
    def _flare(
        px: Array, rings: Index, outward: Array, start: Array, end: Array
    ) -> tuple[int, Array]:
        """The ring point farthest inside the chord, and the outline's outward normal there."""
        x, y = px.take(rings, axis=1)
        best = (outward[0] * x + outward[1] * y).argmax(axis=1)
        profile = px[:, rings[np.arange(len(rings)), best]].T
        step = end - start
        length = np.hypot(step[0], step[1])
        chord = step / length
        inward = np.array([-chord[1], chord[0]])
        inward = -inward if inward @ outward > 0 else inward
        position = (profile - start) @ chord
        hollow = np.where((position > 0) & (position < length), (profile - start) @ inward, -np.inf)
        row = int(hollow.argmax())
        return int(rings[row, best[row]]), -inward


@lru_cache(maxsize=8)
def plan_of(shape: KneeShape, view: View) -> Plan:
    """The plan of a shape and a view, made once."""
    return Plan(shape, view)
