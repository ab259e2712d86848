"""Films per second against Embree and, with CuPy, on a device.

Run as `pytest -s tests/render/bench_raster.py`.

Not collected by default (the name does not begin with test_). Everything runs in one process on
one mesh and one film size; times are processor time on the CPU and wall time on the device.
"""

from __future__ import annotations

import time

import numpy as np
import pytest
import trimesh

from pipeline.knee.anatomy import Mesh
from pipeline.knee.camera import Camera
from pipeline.knee.errors import Problem
from synthetic_data.render.cuda import Batch, cupy, draw
from synthetic_data.render.raster import path_lengths


def scene(triangles: int, size: int) -> tuple[Mesh, Camera]:
    level = {1_280: 3, 5_120: 4, 20_480: 5, 81_920: 6}[triangles]
    ball = trimesh.creation.icosphere(level)
    mesh = Mesh(np.array(ball.vertices) * [60, 80, 70], np.array(ball.faces, dtype=np.int32))
    camera = Camera.looking(
        source=np.array([900.0, 0, 0]),
        toward=np.array([-1.0, 0, 0]),
        up=np.array([0, 1.0, 0]),
        sid=1100.0,
        spacing=220 / size,
        rows=size,
        columns=size,
    )
    return mesh, camera


def seconds(work, repeats: int) -> float:
    work()
    start = time.process_time()
    for _ in range(repeats):
        work()
    return (time.process_time() - start) / repeats


@pytest.mark.parametrize("size", [256, 512, 1024])
@pytest.mark.parametrize("triangles", [1_280, 20_480, 81_920])
def test_cpu_against_embree(triangles: int, size: int, capsys: pytest.CaptureFixture[str]) -> None:
    pytest.importorskip("embreex", reason="Embree (embreex) is not installed")
    from trimesh.ray.ray_pyembree import RayMeshIntersector

    mesh, camera = scene(triangles, size)
    solid = trimesh.Trimesh(mesh.vertices, mesh.faces, process=False)
    tracer = RayMeshIntersector(solid)
    y, x = np.meshgrid(np.arange(size), np.arange(size), indexing="ij")
    way = (camera.pixel(np.stack([x, y], -1)) - camera.source).reshape(-1, 3)
    way /= np.linalg.norm(way, axis=1, keepdims=True)
    start = np.broadcast_to(camera.source, way.shape)

    def embree() -> np.ndarray:
        triangle, ray, place = tracer.intersects_id(
            start, way, multiple_hits=True, return_locations=True
        )
        sign = np.sign((way[ray] * solid.face_normals[triangle]).sum(-1))
        depth = sign * ((place - camera.source) * way[ray]).sum(-1)
        return np.bincount(ray, depth, minlength=len(way)).reshape(size, size)

    difference = np.abs(embree() - path_lengths(mesh, camera))
    rms = float(np.sqrt(np.mean(difference[difference < 1] ** 2)))
    ours, theirs = seconds(lambda: path_lengths(mesh, camera), 20), seconds(embree, 2)
    with capsys.disabled():
        print(
            f"\n{triangles:6d} triangles, {size:4d} pixels: {1 / ours:8.1f} films/s, "
            f"Embree {1 / theirs:6.2f}, ratio {theirs / ours:6.1f}, difference {rms:.1e} mm RMS"
        )
    assert rms < 0.001


@pytest.mark.parametrize("lanes", [1, 2, 4, 8, 16, 32])
@pytest.mark.parametrize("triangles", [5_120, 20_480])
def test_device(triangles: int, lanes: int, capsys: pytest.CaptureFixture[str]) -> None:
    try:
        xp = cupy()
    except Problem as problem:
        pytest.skip(f"no GPU: {problem}")
    mesh, camera = scene(triangles, 512)
    films = 64
    batch = Batch.of([(mesh, camera)] * films)
    drawn = draw(batch, lanes)
    worst = float(np.abs(xp.asnumpy(drawn[-1]) - path_lengths(mesh, camera)).max())
    begin, end = xp.cuda.Event(), xp.cuda.Event()
    begin.record()
    for _ in range(20):
        draw(batch, lanes, check=False)
    end.record()
    end.synchronize()
    each = xp.cuda.get_elapsed_time(begin, end) / 1000 / 20 / films
    start = time.perf_counter()
    for _ in range(3):
        draw(Batch.of([(mesh, camera)] * films), lanes)
    whole = (time.perf_counter() - start) / 3 / films
    with capsys.disabled():
        print(
            f"\n{triangles:6d} triangles, 512 pixels, {lanes:2d} lanes: {1 / each:9.0f} films/s "
            f"on the device, {1 / whole:8.0f} with upload; worst difference {worst:.1e} mm"
        )
    assert worst < 1e-5
