"""The compact knee that is fitted: points of each bone in its own frame, linear in a shape.

Bones: `femur`, `tibia` (the fibula rides on it) and `patella`, right knee, millimetres, x anterior,
y proximal, z lateral. The femur is in its frame of pipeline/knee/frames.py, so its pose gives the
angles whatever the shape; tibia and patella are laid over their means, and what is asked of their
frames is found from points (rim, shaft). The file is made by synthetic_data/fit_model.py, which
also says what each array is.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from safetensors import SafetensorError
from safetensors.numpy import load_file

from pipeline.knee.errors import Problem

Array = NDArray[np.float64]
BONES = ("femur", "tibia", "patella")
RIM = (
    "medial_plateau_anterior",
    "medial_plateau_posterior",
    "lateral_plateau_anterior",
    "lateral_plateau_posterior",
)
RIM_POINTS = tuple(f"point.{name}" for name in RIM)
SHAPE_FILE = Path(__file__).with_name("knee_shape.safetensors")


@dataclass(frozen=True, eq=False)
class KneeShape:
    """Points of all bones, linear in shape coefficients; compared by identity.

    Attributes:
    mean: bone to (N, 3) mm.
    modes: bone to (M, N, 3) mm per standard deviation of each coefficient.
    left: bone to (N,) mm, standard deviation per coordinate that the modes leave out.
    index: `set.<landmark>`, `ring.<bone>`, `point.<name>`, `hull.<bone>` to point numbers.
    heights: ring heights in W, per bone.
    joint: bone to (6, 4 + M) from 1, f, f^2, f^3 (f = flexion / 90 degrees) and coefficients to
        the pose in the femur's frame: flexion, varus, axial (degrees), x, y, z (mm).
    joint_covariance: bone to (6, 6) of what that leaves out.
    width: (1 + M,) W in mm from 1 and the coefficients.
    """

    mean: Mapping[str, Array]
    modes: Mapping[str, Array]
    left: Mapping[str, Array]
    index: Mapping[str, NDArray[np.int32]]
    heights: Mapping[str, Array]
    joint: Mapping[str, Array]
    joint_covariance: Mapping[str, Array]
    width: Array

    @property
    def count(self) -> int:
        """Number of shape coefficients."""
        return len(self.width) - 1

    def points(self, bone: str, coefficients: Array) -> Array:
        """(N, 3) mm, the bone's points in its own frame."""
        modes = self.modes[bone]
        return self.mean[bone] + np.tensordot(coefficients, modes, axes=1)


def shape_from(arrays: Mapping[str, NDArray[np.generic]]) -> KneeShape:
    """The shape from the arrays of the file, shapes and units as of `KneeShape`."""

    def real(name: str) -> Array:
        return np.ascontiguousarray(arrays[name], dtype=np.float64)

    index = {
        name: np.asarray(value, dtype=np.int32).reshape(
            () if name.startswith("point") else value.shape
        )
        for name, value in arrays.items()
        if name.split(".")[0] in ("set", "ring", "point", "hull")
    }
    return KneeShape(
        mean={b: real(f"{b}.mean") for b in BONES},
        modes={b: real(f"{b}.modes") for b in BONES},
        left={b: real(f"left.{b}") for b in BONES},
        index=index,
        heights={b: real(f"heights.{b}") for b in ("femur", "tibia", "fibula")},
        joint={b: real(f"joint.{b}.fit") for b in ("tibia", "patella")},
        joint_covariance={b: real(f"joint.{b}.covariance") for b in ("tibia", "patella")},
        width=real("width"),
    )


@lru_cache(maxsize=4)
def load_shape(path: Path = SHAPE_FILE) -> KneeShape:
    """The shape from a file. Raises `Problem` where it cannot be read."""
    try:
        return shape_from(load_file(path))
    except (OSError, SafetensorError, KeyError) as error:
        raise Problem(
            str(path), "the knee shape cannot be read", "reinstall the package"
        ) from error
