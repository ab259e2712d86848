"""Scenes: one subject with many beams, packed to be turned into pictures on a CUDA device.

What a processor does well (anatomy, exact truth) is done here, once a subject; what a GPU does
well (path lengths, beam, film formation) is left to `render.develop`. A packed scene is plain
arrays, so that worker processes can send it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.contracts import Look, Shot
from pipeline.knee.anatomy import Knee
from pipeline.knee.camera import Camera
from synthetic_data.film_formation.formation import Formation
from synthetic_data.film_formation.shutters import Shutter
from synthetic_data.physics.beam import NODES, beam, materials_known
from synthetic_data.physics.exposure import Technique
from synthetic_data.physics.texture import TILE, bone_axes, laid_at
from synthetic_data.render.raster import FARTHEST, NEAREST, handedness

BONES = ("femur", "tibia", "fibula", "patella")
TISSUES = ("adipose", "muscle", "cortical", "marrow")
MATERIALS = TISSUES + tuple(name for name in materials_known() if name not in TISSUES)
"""Order of the materials in `compose.cu`."""

KINDS = ("skin", "muscle", "bone", "marrow", "insert")
PATTERN_KINDS = ("trabeculae", "mottle", "fibres")
BLURS = 17
"""Blurs of a pattern kept, 0 to 4 pixels of it in steps of a quarter."""

DETAILS = 5
SHUTTERS = 3
GIVEN = (
    "pitch",
    "dose_ugy",
    "excess",
    "scatter",
    "scatter_mm",
    "blur_mm",
    "glare",
    "electronic",
    "heel",
    "heel_deg",
    "base",
    "low",
    "high",
    "gamma",
    "sigmoid",
    "dark",
    "bright",
    "blur_px",
    "noise",
    "bits",
    "border",
    "border_grey",
    "film_pixel",
)
"""Numbers of a film in the order of the column `given`; lengths in mm at the detector, `pitch`
that of the picture's pixels, `film_pixel` that of the film's own."""


@dataclass(frozen=True)
class SubjectScene:
    """One subject and the films taken of it; nothing is drawn yet.

    Attributes:
        knee: articulated, with whatever it has.
        shots: cameras of whole films with their truth.
        settings: how each is taken and shown.
    """

    knee: Knee
    shots: tuple[Shot, ...]
    settings: tuple[tuple[Technique, Formation], ...]

    def packed(self, looks: Sequence[Look], rng: np.random.Generator) -> dict[str, NDArray[Any]]:
        """The pictures asked for, as arrays for `render.develop`.

        Args:
            looks: which part of which shot; square, all of one size.
            rng: where patterns fall.
        """
        surfaces = _surfaces(self.knee)
        vertices, faces, spans, codes = [], [], [], []
        at = [0, 0]
        for mesh, code in surfaces:
            spans.append((at[0], len(mesh.vertices), at[1], len(mesh.faces)))
            codes.append(code)
            vertices.append(np.asarray(mesh.vertices, np.float32))
            faces.append(np.asarray(mesh.faces, np.int32))
            at = [at[0] + len(mesh.vertices), at[1] + len(mesh.faces)]
        rows = [self._look(look, rng) for look in looks]
        every = np.concatenate(vertices)
        seen = np.array([_in_range(every, look.camera) for look in looks])
        packed = {name: np.stack([row[name] for row in rows]) for name in rows[0]}
        packed["drawable"] = seen
        packed |= {
            "vertices": every,
            "faces": np.concatenate(faces),
            "spans": np.array(spans, np.int64),
            "codes": np.array(codes, np.int32),
        }
        return packed

    def _look(self, look: Look, rng: np.random.Generator) -> dict[str, NDArray[Any]]:
        technique, formation = self.settings[look.shot]
        camera, film = look.camera, self.shots[look.shot].camera
        used = beam(
            round(technique.kvp), round(technique.al_mm, 1), technique.cu_mm, technique.csi_mm
        )
        nodes = np.zeros((NODES, len(MATERIALS) + 1), np.float32)
        for column, name in enumerate(MATERIALS):
            nodes[: len(used.weights), column] = used.mu[name] * np.log2(math.e)
        nodes[: len(used.weights), -1] = used.weights
        grain, patterns = _grain(self.knee, camera, technique, rng)
        pitch = float(np.linalg.norm(camera.step_x))
        pixel = float(np.linalg.norm(film.step_x))
        given = {
            **{name: getattr(technique, name) for name in GIVEN if hasattr(technique, name)},
            **{name: getattr(formation, name) for name in GIVEN if hasattr(formation, name)},
            "pitch": pitch,
            "excess": used.excess,
            "film_pixel": pixel,
        }
        return {
            "matrix": camera.matrix.astype(np.float64).ravel(),
            "frame": np.concatenate([camera.origin - camera.source, camera.step_x, camera.step_y]),
            "handed": np.array(handedness(camera)),
            "size": np.array(camera.rows, np.int32),
            "to_film": np.asarray(look.to_film, np.float32),
            "film_size": np.array([film.columns, film.rows], np.float32),
            "given": np.array([given[name] for name in GIVEN], np.float32),
            "gains": _gains(formation, film),
            "shutters": _shutters(formation.shutters),
            "sides": np.array(formation.border_sides, np.float32),
            "nodes": nodes,
            "grain": grain,
            "patterns": patterns,
        }


def _surfaces(knee: Knee) -> list[tuple[Any, tuple[int, int, int]]]:
    """Meshes with what `compose.cu` must know of each: kind, bone or material, displaced."""
    out: list[tuple[Any, tuple[int, int, int]]] = []
    for name, mesh in knee.soft.items():
        out.append((mesh, (KINDS.index(name), 0, 0)))
    for name, mesh in knee.bones.items():
        out.append((mesh, (KINDS.index("bone"), BONES.index(name), 0)))
        if name in knee.marrow:
            out.append((knee.marrow[name], (KINDS.index("marrow"), BONES.index(name), 0)))
    for solid in knee.solids.values():
        code = (KINDS.index("insert"), MATERIALS.index(solid.material), _within(solid.within))
        out.append((solid.mesh, code))
    return out


def _within(name: str | None) -> int:
    if name is None:
        return 0
    if name in ("skin", "muscle"):
        return 1 + ("skin", "muscle").index(name)
    bone = name.removesuffix("_marrow")
    return 3 + BONES.index(bone) + (len(BONES) if name.endswith("_marrow") else 0)


def _in_range(vertices: NDArray[np.float32], camera: Camera) -> bool:
    """Whether every vertex lies at a depth that the rasteriser takes."""
    row = camera.matrix[2]
    depth = vertices @ row[:3] + row[3]
    return bool(depth.min() > NEAREST and depth.max() < FARTHEST)


def _grain(
    knee: Knee, camera: Camera, technique: Technique, rng: np.random.Generator
) -> tuple[NDArray[np.float32], NDArray[np.int32]]:
    """The patterns' maps and doses in `compose.cu`'s order, and which stored pattern each is."""
    made = technique.cancellous()
    axes = bone_axes(knee, camera)
    per_px = float(np.linalg.norm(camera.step_x)) * 0.85
    numbers, patterns = [], []
    for bone in BONES:
        axis = axes[bone]
        has_shaft = bool(np.hypot(*axis.along) > 1e-6)
        along = axis.along / axis.width_px if has_shaft else np.zeros(2)
        run = [*along, -float(along @ axis.joint) if has_shaft else 0.25]
        fine, fine_at = _pattern("trabeculae", axis.mm_per_px, axis.along, rng, made.stretch)
        coarse, coarse_at = _pattern("mottle", axis.mm_per_px, axis.along, rng)
        dose = [made.fraction, made.floor, made.strength, made.mottle, made.subchondral]
        numbers += [*run, *fine_at, *coarse_at, *dose]
        patterns += [fine, coarse]
    along = next((axis.along for axis in axes.values()), np.zeros(2))
    mottle, mottle_at = _pattern("mottle", per_px, along, rng, 0.6)
    fibres, fibres_at = _pattern("fibres", per_px, along, rng)
    numbers += [*mottle_at, technique.cortical_mottle, *fibres_at, technique.fat_streaks]
    return np.array(numbers, np.float32), np.array([*patterns, mottle, fibres], np.int32)


def _pattern(
    kind: str,
    mm_per_px: float,
    along: NDArray[np.float64],
    rng: np.random.Generator,
    stretch: float = 1.0,
) -> tuple[int, list[float]]:
    """Number of the stored pattern, and the six numbers of its map."""
    matrix, blur = laid_at(mm_per_px, along, rng, stretch)
    matrix[:, 2] %= TILE
    step = min(round(blur * 4), BLURS - 1)
    return PATTERN_KINDS.index(kind) * BLURS + step, [float(v) for v in matrix.ravel()]


def _gains(formation: Formation, film: Camera) -> NDArray[np.float32]:
    """(DETAILS,) factor of every scale, the unsharp mask's share in it.

    A mask of radius r adds `sharpen` to the scales finer than r.
    """
    gains = np.full(DETAILS, formation.base)
    gains[: len(formation.gains)] = formation.gains[:DETAILS]
    if formation.sharpen:
        radius = formation.sharpen_share * min(film.rows, film.columns)
        finer = np.clip(np.log2(max(radius, 0.5)) + 1.0 - np.arange(DETAILS), 0.0, 1.0)
        gains = gains * (1.0 + formation.sharpen * finer)
    return gains.astype(np.float32)


def _shutters(shutters: Sequence[Shutter]) -> NDArray[np.float32]:
    """(SHUTTERS, 10): 1 round or 2 straight (0 = none), centre, half, turn, soft, after, fill,
    leak. A polygon counts as its rectangle."""
    out = np.zeros((SHUTTERS, 10), np.float32)
    for row, shutter in zip(out, shutters, strict=False):
        row[:] = (
            1.0 if shutter.kind == "round" else 2.0,
            *shutter.centre,
            *shutter.half,
            np.deg2rad(shutter.angle_deg),
            shutter.soft,
            float(shutter.after),
            shutter.fill,
            shutter.leak,
        )
    return out


def joined(packed: Sequence[Mapping[str, NDArray[Any]]]) -> dict[str, NDArray[Any]]:
    """Several packed scenes as one batch: surfaces of every look one after the other.

    Adds `first` (looks + 1,): where each look's surfaces begin in `pairs` (surfaces of all looks,
    5): first vertex, vertices, slot, first face, faces; and `of_look` (surfaces of all looks,).
    """
    per_look = [name for name in packed[0] if name not in ("vertices", "faces", "spans", "codes")]
    batch = {name: np.concatenate([part[name] for part in packed]) for name in per_look}
    pairs, codes, of_look, first = [], [], [], [0]
    vertex = face = slot = look = 0
    for part in packed:
        spans = part["spans"]
        for _ in range(len(part["given"])):
            slots = slot + np.concatenate([[0], np.cumsum(spans[:-1, 1])])
            pairs.append(
                np.stack(
                    [spans[:, 0] + vertex, spans[:, 1], slots, spans[:, 2] + face, spans[:, 3]],
                    axis=1,
                )
            )
            codes.append(part["codes"])
            of_look.append(np.full(len(spans), look))
            first.append(first[-1] + len(spans))
            slot += int(spans[:, 1].sum())
            look += 1
        vertex += len(part["vertices"])
        face += len(part["faces"])
    return batch | {
        "vertices": np.concatenate([part["vertices"] for part in packed]),
        "faces": np.concatenate([part["faces"] for part in packed]),
        "pairs": np.concatenate(pairs).astype(np.int64),
        "codes": np.concatenate(codes).astype(np.int32),
        "of_look": np.concatenate(of_look),
        "first": np.array(first, np.int32),
    }
