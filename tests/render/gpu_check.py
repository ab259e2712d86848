"""The device's path lengths against the CPU's, without pytest: `python tests/render/gpu_check.py`.

Needs CuPy, numba and numpy alone. Ends with status 0 where all agree.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from shapes import ball, camera, limb

from pipeline.knee.anatomy import Mesh
from pipeline.knee.errors import Problem
from synthetic_data.render.cuda import Batch, CudaRasteriser, cupy, draw
from synthetic_data.render.raster import SignedDepthRasteriser, path_lengths

TOLERANCE_MM = 1e-5


def agrees(name: str, ours: np.ndarray, theirs: np.ndarray) -> bool:
    worst, same = float(np.abs(ours - theirs).max()), float((ours == theirs).mean())
    good = worst < TOLERANCE_MM and same > 0.999 and float(ours.max()) > 5
    print(f"{name:44s} worst {worst:.1e} mm, {same:.4%} equal: {'ok' if good else 'DIFFERS'}")
    return good


def main() -> int:
    try:
        xp = cupy()
    except Problem as problem:
        print(problem)
        return 1
    name = xp.cuda.runtime.getDeviceProperties(0)["name"].decode()
    print(f"{name}, CuPy {xp.__version__}, numpy {np.__version__}")
    good = True
    for lanes in (1, 2, 8, 32):
        for seed in range(3):
            film = camera(200, seed)
            film = film.mirrored() if seed % 2 else film
            meshes = limb(8000, seed)
            ours = SignedDepthRasteriser().path_lengths(meshes, film)
            theirs = CudaRasteriser(lanes).path_lengths(meshes, film)
            good &= agrees(f"limb {seed}, {lanes} threads a triangle", ours, theirs)
    pairs = [(ball(20_000, (40, 60, 50), 0.1), camera(512, seed)) for seed in range(6)]
    drawn = xp.asnumpy(draw(Batch.of(pairs)))
    for number, (mesh, film) in enumerate(pairs):
        good &= agrees(f"film {number} of a batch", path_lengths(mesh, film), drawn[number])
    mesh, film = pairs[0]
    for what, wrong in (
        ("inside out", Mesh(mesh.vertices, mesh.faces[:, ::-1])),
        ("source to receptor", Mesh(mesh.vertices + film.source, mesh.faces)),
    ):
        try:
            CudaRasteriser().path_lengths([wrong], film)
            told = "nothing"
        except Problem as problem:
            told = str(problem)
        good &= what in told
        print(f"refused, {what:35s} {'ok' if what in told else f'DIFFERS: {told}'}")
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
