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
class Solid:
    """A closed body that is not the person's own tissue, or lies in it where none was.

    Attributes:
        mesh: its surface, mm, in the knee's axes.
        material: a name the physics knows (`steel`, `titanium`, `cobalt_chrome`, `cement`,
            `polyethylene`, `cortical`, ...).
        within: what it displaces: `skin`, `muscle`, a bone's name, `<bone>_marrow`, or None
            outside the body.
        kind: `implant`, `hardware`, `instrument`, `bone` (grown where there was none) or `thing`.
    """

    mesh: Mesh
    material: str
    within: str | None
    kind: str


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
        solids: hardware, cement, osteophytes, instruments by name.
        measured: bone to the surface that landmarks and frames are measured on, where that is
            not the bone's own: with an arthroplasty, bone and component together.
        hidden: names of landmarks that cannot be seen whatever the beam.
        tips: (T, 3) mm, the tips of instruments.
        shafts: (T, 3) mm, a point of each instrument's shaft some way behind its tip.
    """

    bones: Mapping[str, Mesh]
    marrow: Mapping[str, Mesh]
    soft: Mapping[str, Mesh]
    points: Mapping[str, NDArray[np.float64]]
    flexion_deg: float
    facts: Mapping[str, float | str] = field(default_factory=dict)
    solids: Mapping[str, Solid] = field(default_factory=dict)
    measured: Mapping[str, Mesh] = field(default_factory=dict)
    hidden: frozenset[str] = frozenset()
    tips: NDArray[np.float64] = field(default_factory=lambda: np.zeros((0, 3)))
    shafts: NDArray[np.float64] = field(default_factory=lambda: np.zeros((0, 3)))

    @property
    def surfaces(self) -> dict[str, Mesh]:
        """Bone to the surface that landmarks and frames are measured on."""
        return {**self.bones, **self.measured}
