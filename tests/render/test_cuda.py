"""The CUDA kernels against the CPU's: on a device where there is one, and as plain C++."""

from __future__ import annotations

import ctypes
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import trimesh

import synthetic_data.render
from pipeline.contracts import Renderer
from pipeline.knee.anatomy import Mesh
from pipeline.knee.camera import Camera
from pipeline.knee.errors import Problem
from synthetic_data.render import raster
from synthetic_data.render.cuda import Batch, CudaRasteriser, cupy, draw

SOURCE = Path(synthetic_data.render.__file__).parent / "raster.cu"

# Just enough of the language to run one thread after another.
SHIM = """
#include <cmath>
#include <algorithm>
using std::fmin; using std::fmax;
struct Index { long long x, y; };
static Index blockIdx, blockDim, threadIdx;
#define __global__
#define __device__
#define __forceinline__ inline
static inline int atomicAdd(int *at, int by) { int was = *at; *at += by; return was; }
#define EACH(COUNT) \\
    blockDim.x = 1; threadIdx.x = 0; blockIdx.y = 0; \\
    for (blockIdx.x = 0; blockIdx.x < (COUNT); blockIdx.x++)
"""
CALLS = """
extern "C" void run(const double *vertices, int count, const int *faces, int triangles,
                    const double *matrix, const double *frame, double handed, double *seen,
                    int *total, float *out, int *flags, int rows, int columns) {
    const long long spans[5] = {0, count, 0, 0, triangles};
    EACH(count) project(vertices, matrix, spans, seen, flags);
    EACH((long long)triangles * LANES) add_triangles(seen, faces, spans, &handed, total, rows,
                                                     columns);
    EACH(rows * columns) lengths(total, frame, out, flags + 1, rows, columns);
}
"""


def bumpy(seed: int) -> Mesh:
    rng = np.random.default_rng(seed)
    ball = trimesh.creation.icosphere(4)
    points = np.array(ball.vertices)
    lumps = np.sin(points @ rng.normal(0, 5, (3, 3))).sum(axis=1)
    return Mesh(points * (40 + 6 * lumps[:, None]), np.array(ball.faces, dtype=np.int32))


def film(seed: int, size: int = 128) -> Camera:
    rng = np.random.default_rng(seed)
    source = rng.normal(0, 1, 3)
    source *= 900 / np.linalg.norm(source)
    made = Camera.looking(
        source=source,
        toward=-source + rng.normal(0, 20, 3),
        up=rng.normal(0, 1, 3),
        sid=1100.0,
        spacing=140 / size,
        rows=size,
        columns=size,
    )
    return made.mirrored() if seed % 2 else made


@pytest.fixture(scope="module")
def plain(tmp_path_factory: pytest.TempPathFactory) -> ctypes.CDLL:
    compiler = shutil.which("g++")
    if compiler is None:
        pytest.skip("no C++ compiler (g++) to run the kernels without a device")
    folder = tmp_path_factory.mktemp("kernels")
    text = "\n".join([SHIM, SOURCE.read_text(), CALLS])
    (folder / "raster.cpp").write_text(text)
    subprocess.run(
        [
            compiler,
            "-std=c++14",
            "-O1",
            "-ffp-contract=off",
            "-fwrapv",
            "-shared",
            "-fPIC",
            f"-DNEAREST={raster.NEAREST}",
            f"-DFARTHEST={raster.FARTHEST}",
            f"-DROUNDING={raster.ROUNDING}",
            "-o",
            folder / "raster.so",
            folder / "raster.cpp",
        ],
        check=True,
    )
    return ctypes.CDLL(str(folder / "raster.so"))


def at(array: np.ndarray) -> ctypes.c_void_p:
    return array.ctypes.data_as(ctypes.c_void_p)


@pytest.mark.parametrize("seed", range(4))
def test_kernels_as_plain_code_give_the_same_film(plain: ctypes.CDLL, seed: int) -> None:
    mesh, camera = bumpy(seed), film(seed)
    vertices, faces = raster.checked(mesh)
    matrix = np.ascontiguousarray(camera.matrix)
    frame = np.concatenate([camera.origin - camera.source, camera.step_x, camera.step_y])
    seen = np.empty_like(vertices)
    total = np.zeros((camera.rows, camera.columns), np.int32)
    out = np.empty(total.shape, np.float32)
    flags = np.zeros(3, np.int32)
    plain.run(
        at(vertices),
        len(vertices),
        at(faces),
        len(faces),
        at(matrix),
        at(frame),
        ctypes.c_double(raster.handedness(camera)),
        at(seen),
        at(total),
        at(out),
        at(flags),
        camera.rows,
        camera.columns,
    )
    assert flags[0] == flags[2] == 0
    assert flags[1] == (out > 0).sum()
    assert out.max() > 30
    np.testing.assert_array_equal(out, raster.path_lengths(mesh, camera))


def device() -> None:
    try:
        cupy()
    except Problem as problem:
        pytest.skip(f"no GPU test: {problem}")


def test_without_cupy_the_problem_says_what_to_do(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "cupy", None)
    assert isinstance(CudaRasteriser(), Renderer)
    with pytest.raises(Problem, match=r"CuPy is not installed; .* signed_depth"):
        CudaRasteriser().path_lengths([bumpy(0)], film(0))


@pytest.mark.parametrize("lanes", [1, 8, 32])
def test_device_gives_the_same_film_as_the_cpu(lanes: int) -> None:
    device()
    for seed in range(3):
        meshes, camera = [bumpy(seed), bumpy(seed + 10)], film(seed)
        ours = raster.SignedDepthRasteriser().path_lengths(meshes, camera)
        theirs = CudaRasteriser(lanes).path_lengths(meshes, camera)
        assert np.abs(ours - theirs).max() < 1e-5
        assert (ours == theirs).mean() > 0.999


def test_device_batch_of_many_cameras() -> None:
    device()
    meshes = [bumpy(seed) for seed in range(2)]
    pairs = [(meshes[seed % 2], film(seed)) for seed in range(6)]
    drawn = cupy().asnumpy(draw(Batch.of(pairs)))
    for made, (mesh, camera) in zip(drawn, pairs, strict=True):
        assert np.abs(made - raster.path_lengths(mesh, camera)).max() < 1e-5


def test_device_names_problems() -> None:
    device()
    mesh, camera = bumpy(0), film(0)
    with pytest.raises(Problem, match="inside out"):
        CudaRasteriser().path_lengths([Mesh(mesh.vertices, mesh.faces[:, ::-1])], camera)
    with pytest.raises(Problem, match="source to receptor"):
        CudaRasteriser().path_lengths([Mesh(mesh.vertices + camera.source, mesh.faces)], camera)
