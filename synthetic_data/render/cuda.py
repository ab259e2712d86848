"""The signed-depth rasteriser on a CUDA device, by CuPy: many meshes and cameras at once.

CuPy is optional (`pip install cupy-cuda12x` or `cupy-cuda13x`); nothing here is imported before
it is used. The kernels are in `raster.cu`; they add the same integers as the CPU's.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.knee.anatomy import Mesh
from pipeline.knee.camera import Camera
from pipeline.knee.errors import Problem
from synthetic_data.render.raster import FARTHEST, FOLDED, NEAREST, ROUNDING, checked, handedness

THREADS = 256


def cupy() -> Any:
    """The CuPy module. Raises `Problem` where it or a device is missing."""
    try:
        import cupy as module

        count = module.cuda.runtime.getDeviceCount()
    except ImportError:
        raise Problem(
            "signed_depth_cuda",
            "CuPy is not installed",
            "install cupy-cuda12x or cupy-cuda13x, or choose the renderer signed_depth",
        ) from None
    except Exception as error:
        raise Problem(
            "signed_depth_cuda",
            f"no CUDA device can be used ({type(error).__name__})",
            "run on a machine with one, or choose the renderer signed_depth",
        ) from error
    if count == 0:
        raise Problem(
            "signed_depth_cuda",
            "no CUDA device was found",
            "run on a machine with one, or choose the renderer signed_depth",
        )
    return module


@lru_cache(maxsize=4)
def kernels(lanes: int) -> dict[str, Any]:
    """The three compiled kernels; `lanes` threads share a triangle."""
    module = cupy().RawModule(
        code=(Path(__file__).parent / "raster.cu").read_text(),
        options=(
            "--fmad=false",
            f"-DLANES={lanes}",
            f"-DNEAREST={NEAREST}",
            f"-DFARTHEST={FARTHEST}",
            f"-DROUNDING={ROUNDING}",
        ),
    )
    return {name: module.get_function(name) for name in ("project", "add_triangles", "lengths")}


@dataclass(frozen=True)
class Batch:
    """Pairs of mesh and camera, on the device and ready to be drawn again and again.

    Attributes:
        vertices (V, 3) float64 and faces (F, 3) int32: each distinct mesh once.
        spans: (P, 5) int64 per pair: first vertex, vertices, first slot, first face, faces.
        matrices (P, 12), frames (P, 9), handed (P,): the cameras, float64.
        slots: how many projected vertices there are in all.
        rows, columns: size of every film.
    """

    vertices: Any
    faces: Any
    spans: Any
    matrices: Any
    frames: Any
    handed: Any
    slots: int
    most_vertices: int
    most_faces: int
    rows: int
    columns: int

    @staticmethod
    def of(pairs: Sequence[tuple[Mesh, Camera]]) -> Batch:
        """Checks and uploads. Raises `Problem` for a mesh that `raster.checked` refuses, and
        `ValueError` for films of different sizes or no pairs."""
        xp = cupy()
        sizes = {(camera.rows, camera.columns) for _, camera in pairs}
        if len(sizes) != 1:
            raise ValueError(f"expected pairs with films of one size, got {sorted(sizes)}")
        places: dict[int, tuple[int, int, int, int]] = {}
        vertices, faces, spans = [], [], []
        first_vertex = first_face = slots = 0
        for index, (mesh, _) in enumerate(pairs):
            if id(mesh) not in places:
                points, triangles = checked(mesh, f"mesh {index}")
                vertices.append(points)
                faces.append(triangles)
                places[id(mesh)] = (first_vertex, len(points), first_face, len(triangles))
                first_vertex += len(points)
                first_face += len(triangles)
            v0, v, f0, f = places[id(mesh)]
            spans.append((v0, v, slots, f0, f))
            slots += v
        # Several surfaces share a camera: each is worked out once.
        known = {id(camera): camera for _, camera in pairs}
        rank = {key: row for row, key in enumerate(known)}
        which = np.array([rank[id(camera)] for _, camera in pairs])
        matrices = np.stack([c.matrix.ravel() for c in known.values()])
        frames = np.stack(
            [np.concatenate([c.origin - c.source, c.step_x, c.step_y]) for c in known.values()]
        ).astype(np.float64)
        handed = np.array([handedness(c) for c in known.values()])
        table = np.array(spans, np.int64)
        rows, columns = sizes.pop()
        return Batch(
            xp.asarray(np.concatenate(vertices)),
            xp.asarray(np.concatenate(faces)),
            xp.asarray(table),
            xp.asarray(matrices[which]),
            xp.asarray(frames[which]),
            xp.asarray(handed[which]),
            slots,
            int(table[:, 1].max()),
            int(table[:, 4].max()),
            rows,
            columns,
        )


def draw(batch: Batch, lanes: int = 8, check: bool = True) -> Any:
    """(P, rows, columns) float32 mm on the device.

    With `check` waits for the device and raises `Problem` where a surface reaches behind or too
    near the source, or is inside out.
    """
    xp, run = cupy(), kernels(lanes)
    pairs = batch.spans.shape[0]
    seen = xp.empty((batch.slots, 3), xp.float64)
    total = xp.zeros((pairs, batch.rows, batch.columns), xp.int32)
    out = xp.empty(total.shape, xp.float32)
    bad, counts = xp.zeros(pairs, xp.int32), xp.zeros((pairs, 2), xp.int32)
    rows, columns = np.int32(batch.rows), np.int32(batch.columns)

    def blocks(count: int) -> tuple[int, int]:
        return (-(-count // THREADS), pairs)

    run["project"](
        blocks(batch.most_vertices),
        (THREADS,),
        (batch.vertices, batch.matrices, batch.spans, seen, bad),
    )
    run["add_triangles"](
        blocks(batch.most_faces * lanes),
        (THREADS,),
        (seen, batch.faces, batch.spans, batch.handed, total, rows, columns),
    )
    run["lengths"](
        blocks(batch.rows * batch.columns),
        (THREADS,),
        (total, batch.frames, out, counts if check else np.uintp(0), rows, columns),
    )
    if check:
        counted = xp.asnumpy(counts)
        _refuse(
            xp.asnumpy(bad),
            f"reaches beyond {NEAREST} to {FARTHEST} of the distance from source to receptor",
            "keep every surface between them",
        )
        _refuse(
            counted[:, 1] > FOLDED * counted[:, 0],
            "the surface is inside out or runs through itself",
            "give one closed surface whose faces turn outward",
        )
    return out


def _refuse(flags: NDArray[Any], what: str, do: str) -> None:
    if flags.any():
        raise Problem(f"mesh {int(np.flatnonzero(flags)[0])}", what, do)


@dataclass(frozen=True)
class CudaRasteriser:
    """The signed-depth rasteriser on a CUDA device.

    Attributes:
        lanes: threads that share a triangle, a power of two up to 32.
    """

    lanes: int = 8

    def path_lengths(self, meshes: Sequence[Mesh], camera: Camera) -> NDArray[np.float32]:
        """(len(meshes), rows, columns) mm of each pixel's ray inside each surface."""
        if not meshes:
            return np.empty((0, camera.rows, camera.columns), np.float32)
        batch = Batch.of([(mesh, camera) for mesh in meshes])
        return cupy().asnumpy(draw(batch, self.lanes))
