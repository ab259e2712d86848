"""Closed surfaces and a limb made of them; numpy alone, so that a bare machine can use them."""

from __future__ import annotations

import numpy as np

from pipeline.knee.anatomy import Mesh
from pipeline.knee.camera import Camera

SURFACES = (
    ("skin", "skin"),
    ("muscle", "muscle"),
    ("femur", "bone"),
    ("femur_marrow", "marrow"),
    ("tibia", "bone"),
    ("tibia_marrow", "marrow"),
    ("patella", "bone"),
    ("patella_marrow", "marrow"),
    ("fibula", "bone"),
    ("fibula_marrow", "marrow"),
)
"""Names and roles of the surfaces of `limb`, in its order."""


def ball(triangles: int, radii: tuple[float, float, float], lumps: float = 0.0) -> Mesh:
    """A lumpy ellipsoid of about so many triangles in rings from pole to pole (poles on y)."""
    around = max(4, round(np.sqrt(triangles)))
    rings = max(2, round(triangles / (2 * around)))
    polar = np.pi * np.arange(1, rings + 1) / (rings + 1)
    turn = 2 * np.pi * np.arange(around) / around
    x = np.outer(np.sin(polar), np.cos(turn)).ravel()
    z = np.outer(np.sin(polar), np.sin(turn)).ravel()
    y = np.repeat(np.cos(polar), around)
    points = np.concatenate([[[0, 1, 0]], np.stack([x, y, z], 1), [[0, -1, 0]]])
    swell = 1 + lumps * np.sin(points @ [4.0, 5.0, 6.0])
    i = np.arange(around)
    j = (i + 1) % around
    faces = [np.stack([0 * i, 1 + j, 1 + i], 1)]
    for ring in range(rings - 1):
        a, b = 1 + ring * around, 1 + (ring + 1) * around
        faces += [np.stack([a + i, a + j, b + i], 1), np.stack([a + j, b + j, b + i], 1)]
    a, last = 1 + (rings - 1) * around, len(points) - 1
    faces.append(np.stack([a + i, a + j, 0 * i + last], 1))
    return Mesh(points * swell[:, None] * radii, np.concatenate(faces).astype(np.int32))


def limb(triangles: int, seed: int = 0) -> list[Mesh]:
    """Ten nested surfaces in the order of `SURFACES`, so many triangles in sum."""
    rng = np.random.default_rng(seed)
    each = triangles // len(SURFACES)

    def bone(centre: tuple[float, float, float], radii: tuple[float, float, float]) -> list[Mesh]:
        moved = np.array(centre) + rng.normal(0, 2, 3)
        out = []
        for scale in (1.0, 0.85):
            made = ball(each, tuple(r * scale for r in radii), 0.05)  # type: ignore[arg-type]
            out.append(Mesh(made.vertices + moved, made.faces))
        return out

    size = rng.uniform(0.9, 1.1)
    return [
        ball(each, (62 * size, 190, 66 * size), 0.02),
        ball(each, (54 * size, 180, 58 * size), 0.02),
        *bone((0, 60, 0), (26, 58, 34)),
        *bone((0, -62, 0), (24, 58, 32)),
        *bone((36, 10, 0), (7, 18, 17)),
        *bone((-8, -70, 38), (6, 45, 6)),
    ]


def camera(size: int, seed: int = 0, field_mm: float = 205.0) -> Camera:
    """A square film of `size` pixels on a side in front of a limb, the tube a little askew."""
    rng = np.random.default_rng(seed)
    source = np.array([950.0, *rng.normal(0, 40, 2)])
    return Camera.looking(
        source=source,
        toward=-source + rng.normal(0, 5, 3),
        up=np.array([0.0, 1.0, 0.05]),
        sid=1100.0,
        spacing=field_mm / size,
        rows=size,
        columns=size,
    )
