"""A three-dimensional knee as closed surfaces.

Axes of every knee: a right knee, millimetres, x anterior, y proximal along the femoral shaft,
z lateral, origin near the middle of the condyles (the femur's own frame up to a small tilt;
`frames.py` finds the exact one). A left knee is a right knee seen in a mirror.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class Mesh:
    """A closed triangle surface: `vertices` (N, 3) mm, `faces` (M, 3) outward by right hand."""

    vertices: NDArray[np.float64]
    faces: NDArray[np.int32]


@dataclass(frozen=True)
class Knee:
    """One articulated right knee.

    Attributes:
        bones: femur, tibia, fibula, patella: outer cortical surfaces. The same source gives
            the same faces every time, so vertices correspond between knees.
        marrow: the surface between cortical and cancellous bone or marrow, per bone, inside
            the outer surface everywhere.
        soft: `skin`, and inside it `muscle`; both enclose all bones that they cover.
        points: named fixed points of the bone (3,) mm: adductor_tubercle, medial_spine,
            lateral_spine, fibular_head (tip of the styloid).
        flexion_deg: what was asked for; the exact angle is measured on the frames.
        facts: sex, scale and whatever else the source wants recorded (plain values).
    """

    bones: Mapping[str, Mesh]
    marrow: Mapping[str, Mesh]
    soft: Mapping[str, Mesh]
    points: Mapping[str, NDArray[np.float64]]
    flexion_deg: float
    facts: Mapping[str, float | str] = field(default_factory=dict)
