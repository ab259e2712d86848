"""Reading the lower-limb shape model that the package `musculoskeletal-models` installs.

26 adults, 25 modes of variation, left legs, millimetres; axes of the file: x to the left
(lateral), y posterior, z up. A shape is 3 x 3,225 numbers, all x before all y before all z
(checked against the mean nodes the package also carries); nodes run pelvis, femur, patella,
tibia with fibula. Nothing of it is kept in this project: it is read from the installed package.
Licence of the data: MPL-2.0.
"""

from __future__ import annotations

import io
import json
import pickle
import warnings
from dataclasses import dataclass
from importlib import resources
from importlib.resources.abc import Traversable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.knee.errors import Problem

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

PACKAGE = "musculoskeletal.models"
NODES = {"pelvis": 1946, "femur": 634, "patella": 74, "tibia": 571}
"""Nodes per bone in the order of the file; `tibia` includes the fibula."""

TOPOLOGY = {
    "femur": "femur_left_quartic_flat.mesh",
    "patella": "patella_11_left.mesh",
    "tibia": "tibia_fibula_left_cubic_flat.mesh",
}
# Element type to (kind, degree along the first axis, degree along the second).
ELEMENTS = {
    "quad55": ("quad", 4, 4),
    "quad54": ("quad", 4, 3),
    "quad44": ("quad", 3, 3),
    "tri15": ("triangle", 4, 4),
    "tri10": ("triangle", 3, 3),
}
# The only names a pickle of a numpy array needs (numpy before and after its move to `_core`).
_ALLOWED = {
    ("numpy.core.multiarray", "_reconstruct"),
    ("numpy._core.multiarray", "_reconstruct"),
    ("numpy", "ndarray"),
    ("numpy", "dtype"),
}


class ArrayUnpickler(pickle.Unpickler):
    """Loads plain containers and numpy arrays of numbers, and refuses every other name."""

    def find_class(self, module: str, name: str) -> Any:
        """The class of an allowed name. Raises `pickle.UnpicklingError` for any other."""
        if (module, name) not in _ALLOWED:
            raise pickle.UnpicklingError(f"{module}.{name} is not part of a numpy array")
        if name == "_reconstruct":
            return np._core.multiarray._reconstruct  # type: ignore[attr-defined]
        return getattr(np, name)


def load_arrays(data: bytes) -> dict[str, Any]:
    """The dictionary of arrays in a pickle's bytes. Raises `pickle.UnpicklingError`."""
    with warnings.catch_warnings():
        # Pickles of old numpy versions spell a flag of the dtype as an integer.
        warnings.simplefilter("ignore")
        loaded = ArrayUnpickler(io.BytesIO(data)).load()
    if not isinstance(loaded, dict):
        raise pickle.UnpicklingError("expected a dictionary of arrays")
    return loaded


def package_file(*parts: str) -> Traversable:
    """A file of the installed data package. Raises `Problem` where it is missing."""
    try:
        found = resources.files(PACKAGE).joinpath(*parts)
    except ModuleNotFoundError as error:
        raise Problem(
            "musculoskeletal-models",
            "the package is not installed",
            "install squareon's own dependencies",
        ) from error
    if not found.is_file():
        raise Problem(
            "musculoskeletal-models",
            f"the file {'/'.join(parts)} is missing from the installed package",
            "install a 0.2 version from 0.2.4 on",
        )
    return found


@dataclass(frozen=True)
class ShapeModel:
    """The statistical shape model, per bone, in this project's axes for a right knee.

    Attributes:
        mean: bone to (nodes, 3) mm, x anterior, y proximal, z lateral.
        modes: bone to (nodes, 3, modes): displacement in mm for one standard deviation.
        subjects: (subjects, modes) the training people's own scores in standard deviations.
    """

    mean: dict[str, Array]
    modes: dict[str, Array]
    subjects: Array


def to_knee_axes(points: Array) -> Array:
    """(..., 3, ...) file axes on axis 1 to knee axes: a mirror image, so left becomes right."""
    return np.stack([-points[:, 1], points[:, 2], points[:, 0]], axis=1)


def read_shape_model() -> ShapeModel:
    """The model in the installed package. Raises `Problem` where it cannot be read."""
    file = package_file("shape_models", "LLP26_rigid.pc")
    try:
        arrays = load_arrays(file.read_bytes())
        mean, modes = np.asarray(arrays["mean"]), np.asarray(arrays["modes"])
        variance, scores = np.asarray(arrays["weights"]), np.asarray(arrays["projectedWeights"])
        total = sum(NODES.values())
        if mean.shape != (3 * total,) or modes.shape[0] != 3 * total:
            raise ValueError(f"expected 3 x {total} numbers a shape, got {mean.shape}")
    except (pickle.UnpicklingError, KeyError, ValueError) as error:
        raise Problem(
            "musculoskeletal-models",
            f"its shape model cannot be read ({error})",
            "install a 0.2 version from 0.2.4 on",
        ) from error
    used = modes.shape[1] - 1  # the last mode of n centred people carries no variance
    sd = np.sqrt(variance[:used])
    nodes = mean.reshape(3, total).T
    moved = (modes[:, :used] * sd).reshape(3, total, used).transpose(1, 0, 2)
    means, modes_of, start = {}, {}, 0
    for bone, count in NODES.items():
        if bone != "pelvis":
            means[bone] = to_knee_axes(nodes[start : start + count])
            modes_of[bone] = to_knee_axes(moved[start : start + count])
        start += count
    return ShapeModel(means, modes_of, (scores[:used] / sd[:, None]).T)


@dataclass(frozen=True)
class Topology:
    """Which nodes make up the patches of one bone.

    Attributes:
        kinds: element type of each patch, a key of `ELEMENTS`.
        nodes: per patch the indices of its nodes, first axis fastest.
    """

    kinds: list[str]
    nodes: list[Ints]


def read_topology(bone: str) -> Topology:
    """Patches of one bone: nodes said to coincide get one index, numbered as they first appear."""
    mesh = json.loads(package_file("atlas_meshes", TOPOLOGY[bone]).read_text())
    index: dict[str, int] = {}
    kinds, nodes, count = [], [], 0
    for element in range(mesh["element_counter"]):
        kind = mesh["elements"][str(element)].split()[1]
        own = []
        for point in range(node_count(kind)):
            name = f"{element}_{point}"
            same = [
                index[other]
                for other in mesh["connectivity"].get(name, "").split()
                if other in index
            ]
            if not same:
                same, count = [count], count + 1
            index[name] = same[0]
            own.append(same[0])
        kinds.append(kind)
        nodes.append(np.array(own))
    if count != NODES[bone]:
        raise Problem(
            "musculoskeletal-models",
            f"the patches of the {bone} have {count} nodes, not {NODES[bone]}",
            "install a 0.2 version from 0.2.4 on",
        )
    return Topology(kinds, nodes)


def node_count(kind: str) -> int:
    """Number of nodes of an element type."""
    shape, p, q = ELEMENTS[kind]
    return (p + 1) * (q + 1) if shape == "quad" else (p + 1) * (p + 2) // 2


def node_positions(kind: str) -> Array:
    """(nodes, 2) local coordinates 0..1 of an element type's nodes, first axis fastest."""
    shape, p, q = ELEMENTS[kind]
    rows = range(q + 1)
    return np.array(
        [(i / p, j / q) for j in rows for i in range(p + 1 if shape == "quad" else p + 1 - j)]
    )


def basis(kind: str, local: Array) -> Array:
    """(points, nodes) Lagrange basis of an element type at (points, 2) local coordinates.

    On a quad the tensor product of one-dimensional bases; on a triangle the unique polynomial
    of full degree through the nodes.
    """
    shape, p, q = ELEMENTS[kind]
    at = node_positions(kind)
    if shape == "quad":
        powers = [(a, b) for b in range(q + 1) for a in range(p + 1)]
    else:
        powers = [(a, b) for b in range(p + 1) for a in range(p + 1 - b)]

    def monomials(points: Array) -> Array:
        return np.stack([points[:, 0] ** a * points[:, 1] ** b for a, b in powers], axis=1)

    return np.asarray(np.linalg.solve(monomials(at).T, monomials(local).T).T)
