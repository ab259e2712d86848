"""Thin bone, and bone where there is usually none."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from pipeline.knee.anatomy import Knee, Mesh, Solid
from synthetic_data.anatomy.geometry import unit, vertex_normals
from synthetic_data.hardware.bodies import ellipsoid, hollow, lump
from synthetic_data.pathology.leg import noted


@dataclass
class Osteopenia:
    """Thin cortex everywhere.

    Attributes:
        lost: least and greatest share of the cortex's thickness that is gone.
    """

    lost: tuple[float, float] = (0.2, 0.6)

    def apply(self, knee: Knee, rng: np.random.Generator) -> Knee:
        """The knee with its marrow widened toward the outer surface."""
        lost = float(rng.uniform(*self.lost))
        marrow = {
            name: Mesh(
                inner.vertices + lost * (knee.bones[name].vertices - inner.vertices), inner.faces
            )
            for name, inner in knee.marrow.items()
        }
        return noted(replace(knee, marrow=marrow), "osteopenia", {"lost": lost})


@dataclass
class Fabella:
    """A sesamoid bone in the gastrocnemius, behind the lateral condyle.

    Attributes:
        radius_mm: least and greatest mean radius.
    """

    radius_mm: tuple[float, float] = (2.5, 6.0)

    def apply(self, knee: Knee, rng: np.random.Generator) -> Knee:
        """The knee with one."""
        femur = knee.surfaces["femur"].vertices
        lateral = femur[(femur[:, 2] > 0) & (femur[:, 1] < 60.0)]
        back = lateral[np.argmin(lateral[:, 0])]
        radius = float(rng.uniform(*self.radius_mm))
        radii = radius * rng.uniform([0.65, 1.0, 0.8], [0.9, 1.4, 1.15])
        away = rng.uniform([-6, 4, -5], [-2, 16, 5])
        centre = back + away - [radii[0], 0, 0]
        body = hollow(ellipsoid(centre, radii), ellipsoid(centre, radii * rng.uniform(0.5, 0.75)))
        knee = replace(
            knee, solids={**knee.solids, "fabella": Solid(body, "cortical", "muscle", "bone")}
        )
        return noted(knee, "fabella", {"radius_mm": radius})


@dataclass
class HeterotopicOssification:
    """Bone grown in muscle: above the patella, behind or beside the femur.

    Attributes:
        most: greatest number of pieces.
        radius_mm: least and greatest mean radius of a piece.
    """

    most: int = 4
    radius_mm: tuple[float, float] = (3.0, 10.0)

    def apply(self, knee: Knee, rng: np.random.Generator) -> Knee:
        """The knee with 1 to `most` pieces, each clear of the femur."""
        femur = knee.bones["femur"]
        height = femur.vertices[:, 1]
        places = np.flatnonzero((height > 20) & (height < 130))
        normals = vertex_normals(femur.vertices, femur.faces)
        solids = dict(knee.solids)
        number = int(rng.integers(1, self.most + 1))
        for i in range(number):
            at = int(rng.choice(places))
            radius = float(rng.uniform(*self.radius_mm))
            radii = radius * np.array([rng.uniform(0.5, 0.8), rng.uniform(1.0, 1.9), 1.0])
            out = normals[at]
            along = unit(np.array([1e-9, 1.0, 0.0]) - out[1] * out)
            axes = np.stack([out, along, np.cross(out, along)])
            centre = femur.vertices[at] + out * (1.8 * radii[0] + rng.uniform(1, 6))
            seed = int(rng.integers(2**32))
            # The same knobs outside and inside, so the hollow stays within.
            outer = lump(centre, radii, axes, np.random.default_rng(seed))
            inner = lump(centre, rng.uniform(0.6, 0.85) * radii, axes, np.random.default_rng(seed))
            solids[f"ossification_{i + 1}"] = Solid(
                hollow(outer, inner), "cortical", "muscle", "bone"
            )
        knee = replace(knee, solids=solids)
        return noted(knee, "heterotopic_ossification", {"pieces": float(number)})
