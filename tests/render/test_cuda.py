"""The CUDA kernels against the CPU's: on a device where there is one, and as plain C++."""

from __future__ import annotations

import shutil
import sys
from pathlib import Path

import numpy as np
import pytest
import trimesh
from plain_cuda import PlainDevice

import synthetic_data.render
from pipeline.contracts import Renderer
from pipeline.knee.anatomy import Mesh
from pipeline.knee.camera import Camera
from pipeline.knee.errors import Problem
from synthetic_data.render import raster
from synthetic_data.render.cuda import Batch, CudaRasteriser, cupy, draw

SOURCE = Path(synthetic_data.render.__file__).parent / "raster.cu"


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
def plain(tmp_path_factory: pytest.TempPathFactory) -> PlainDevice:
    if shutil.which("g++") is None:
        pytest.skip("no C++ compiler (g++) to run the kernels without a device")
    return PlainDevice(
        SOURCE,
        tmp_path_factory.mktemp("kernels"),
        NEAREST=raster.NEAREST,
        FARTHEST=raster.FARTHEST,
        ROUNDING=raster.ROUNDING,
    )


@pytest.mark.parametrize("seed", range(4))
def test_kernels_as_plain_code_give_the_same_film(plain: PlainDevice, seed: int) -> None:
    mesh, camera = bumpy(seed), film(seed)
    vertices, faces = raster.checked(mesh)
    matrix = np.ascontiguousarray(camera.matrix)
    frame = np.concatenate([camera.origin - camera.source, camera.step_x, camera.step_y])
    spans = np.array([0, len(vertices), 0, 0, len(faces)], np.int64)
    handed = np.array([raster.handedness(camera)])
    seen = np.empty_like(vertices)
    rows, columns = camera.rows, camera.columns
    total = np.zeros((rows, columns), np.int32)
    out = np.empty(total.shape, np.float32)
    bad, counts = np.zeros(1, np.int32), np.zeros(2, np.int32)
    lanes = 8
    plain.start("project", len(vertices), 1, (vertices, matrix, spans, seen, bad))
    plain.start(
        "add_triangles",
        len(faces) * lanes,
        1,
        (seen, faces, spans, handed, total, rows, columns),
    )
    plain.start("lengths", rows * columns, 1, (total, frame, out, counts, rows, columns))
    assert bad[0] == counts[1] == 0
    assert counts[0] == (out > 0).sum()
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
