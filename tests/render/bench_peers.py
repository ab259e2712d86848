"""Path lengths against other programs: `python tests/render/bench_peers.py [triangles]`.

One mesh, one camera, 512 x 512 pixels; processor time of all threads for one film. Every peer is
optional and runs in a process of its own: Embree (pip install trimesh embreex), gVirtualXray
(gvxr; OpenGL, in software where there is no device), RTK (itk-rtk), DiffDRR (diffdrr). Voxel
methods get the same body as 256^3 voxels, made before the clock starts.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from shapes import ball

from pipeline.knee.anatomy import Mesh
from pipeline.knee.camera import Camera
from synthetic_data.render.raster import path_lengths

SIZE, TUBE, SID, PITCH, VOXELS = 512, 950.0, 1100.0, 0.45, 256
RADII, LUMPS = (62.0, 80.0, 50.0), 0.08
PEERS = ("ours", "embree", "gvirtualxray", "rtk_joseph", "diffdrr_trilinear", "diffdrr_siddon")


def scene(triangles: int) -> tuple[Mesh, Camera]:
    """A lumpy body; the source on the z axis, so that every program can be told where it is."""
    camera = Camera.looking(
        source=np.array([0.0, 0.0, TUBE]),
        toward=np.array([0.0, 0.0, -1.0]),
        up=np.array([0.0, 1.0, 0.0]),
        sid=SID,
        spacing=PITCH,
        rows=SIZE,
        columns=SIZE,
    )
    return ball(triangles, RADII, LUMPS), camera


def voxels() -> tuple[np.ndarray, float]:
    """(z, y, x) float32 shares of the body in cubes around the origin, and their size in mm."""
    pitch = 2 * max(RADII) * (1 + LUMPS) * 1.05 / VOXELS
    at = ((np.arange(VOXELS) - (VOXELS - 1) / 2) * pitch).astype(np.float32)
    z, y, x = np.meshgrid(at / RADII[2], at / RADII[1], at / RADII[0], indexing="ij")
    far = np.sqrt(x * x + y * y + z * z) + 1e-9
    swell = 1 + LUMPS * np.sin((4 * x + 5 * y + 6 * z) / far)
    # Half a voxel at the surface, so that it is not a staircase.
    return np.clip((swell - far) * np.mean(RADII) / pitch + 0.5, 0, 1).astype(np.float32), pitch


Work = Callable[[], np.ndarray]


def ours(triangles: int) -> Work:
    mesh, camera = scene(triangles)
    return lambda: path_lengths(mesh, camera)


def embree(triangles: int) -> Work:
    import trimesh
    from trimesh.ray.ray_pyembree import RayMeshIntersector

    mesh, camera = scene(triangles)
    solid = trimesh.Trimesh(mesh.vertices, mesh.faces, process=False)
    tracer = RayMeshIntersector(solid)
    y, x = np.meshgrid(np.arange(SIZE), np.arange(SIZE), indexing="ij")
    way = (camera.pixel(np.stack([x, y], -1)) - camera.source).reshape(-1, 3)
    way /= np.linalg.norm(way, axis=1, keepdims=True)
    start = np.broadcast_to(camera.source, way.shape)

    def work() -> np.ndarray:
        triangle, ray, place = tracer.intersects_id(
            start, way, multiple_hits=True, return_locations=True
        )
        sign = np.sign((way[ray] * solid.face_normals[triangle]).sum(-1))
        depth = sign * ((place - camera.source) * way[ray]).sum(-1)
        return np.bincount(ray, depth, minlength=len(way)).reshape(SIZE, SIZE)

    return work


def gvirtualxray(triangles: int) -> Work:
    from gvxrPython3 import gvxr

    mesh, _ = scene(triangles)
    gvxr.createOpenGLContext(-1, 4, 5)
    gvxr.setSourcePosition(0.0, 0.0, TUBE, "mm")
    gvxr.usePointSource()
    gvxr.setMonoChromatic(65.0, "keV", 1000)
    gvxr.setDetectorPosition(0.0, 0.0, TUBE - SID, "mm")
    gvxr.setDetectorUpVector(0, 1, 0)
    gvxr.setDetectorNumberOfPixels(SIZE, SIZE)
    gvxr.setDetectorPixelSize(PITCH, PITCH, "mm")
    gvxr.makeTriangularMesh(
        "body", mesh.vertices.ravel().tolist(), mesh.faces.ravel().tolist(), "mm"
    )
    gvxr.addPolygonMeshAsInnerSurface("body")
    return lambda: np.asarray(gvxr.computeLBuffer("body"))


def rtk_joseph(triangles: int) -> Work:
    import itk
    from itk import RTK as rtk

    body, pitch = voxels()
    kind = itk.Image[itk.F, 3]
    volume = itk.image_from_array(body)
    volume.SetSpacing([pitch] * 3)
    volume.SetOrigin([-(VOXELS - 1) / 2 * pitch] * 3)
    geometry = rtk.ThreeDCircularProjectionGeometry.New()
    geometry.AddProjection(TUBE, SID, 0.0)

    def work() -> np.ndarray:
        empty = rtk.ConstantImageSource[kind].New()
        empty.SetSpacing([PITCH, PITCH, 1.0])
        empty.SetOrigin([-(SIZE - 1) / 2 * PITCH] * 2 + [0.0])
        empty.SetSize([SIZE, SIZE, 1])
        empty.SetConstant(0.0)
        joseph = rtk.JosephForwardProjectionImageFilter[kind, kind].New()
        joseph.SetGeometry(geometry)
        joseph.SetInput(0, empty.GetOutput())
        joseph.SetInput(1, volume)
        joseph.Update()
        return np.asarray(itk.array_from_image(joseph.GetOutput()))[0, ::-1]

    return work


def _diffdrr(renderer: str) -> Work:
    import torch
    from diffdrr.renderers import Siddon, Trilinear

    body, pitch = voxels()
    _, camera = scene(1000)
    volume = torch.from_numpy(np.ascontiguousarray(body.transpose(2, 1, 0)))
    kind = {"siddon": Siddon, "trilinear": Trilinear}[renderer]()

    def to_voxels(points: np.ndarray) -> torch.Tensor:
        return torch.from_numpy(points / pitch + (VOXELS - 1) / 2).float().reshape(1, -1, 3)

    y, x = np.meshgrid(np.arange(SIZE), np.arange(SIZE), indexing="ij")
    ends = camera.pixel(np.stack([x, y], -1)).reshape(-1, 3)
    source, target = to_voxels(camera.source), to_voxels(ends)
    long = torch.from_numpy(np.linalg.norm(ends - camera.source, axis=1)).float()

    def work() -> np.ndarray:
        made = []
        with torch.no_grad():  # in pieces: all rays at once take many GB
            for first in range(0, target.shape[1], 8192):
                some = slice(first, first + 8192)
                made.append(kind(volume, source, target[:, some], long[None, None, some]))
        return torch.cat(made, dim=-1).numpy().reshape(SIZE, SIZE)

    return work


def diffdrr_trilinear(triangles: int) -> Work:
    return _diffdrr("trilinear")


def diffdrr_siddon(triangles: int) -> Work:
    return _diffdrr("siddon")


def measure(name: str, triangles: int) -> None:
    """Prints one line of JSON: seconds a film and how far it is from ours."""
    work: Work = globals()[name](triangles)
    found = np.asarray(work(), np.float64)
    own = ours(triangles)().astype(np.float64)
    # A peer may count in cm or turn the film: the nearest of these is what it meant.
    turned = [f(found) * k for f in (lambda a: a, np.flipud, np.fliplr) for k in (1.0, 10.0, 0.1)]
    best = min((np.abs(t - own) for t in turned), key=lambda off: float(np.median(off[own > 0])))
    lost = float((best > 5).sum() / (own > 0).sum())
    rms = float(np.sqrt(np.mean(best[(own > 0) & (best <= 5)] ** 2)))
    repeats, start = 0, time.process_time()
    while repeats < 1 or (time.process_time() - start < 2 and repeats < 200):
        work()
        repeats += 1
    seconds = (time.process_time() - start) / repeats
    print("RESULT " + json.dumps({"seconds": seconds, "rms_mm": rms, "lost": lost}), flush=True)


def main() -> None:
    triangles = int(sys.argv[1]) if len(sys.argv) > 1 else 20_000
    print(f"{triangles:,} triangles, {SIZE} x {SIZE}, {os.cpu_count()} cores")
    print(
        "| program | CPU ms a film | films/s | times ours | RMS difference, mm | rays off by 5 mm |"
    )
    print("| --- | --- | --- | --- | --- | --- |", flush=True)
    base = None
    for name in PEERS:
        done = subprocess.run(
            [sys.executable, __file__, name, str(triangles)], capture_output=True, text=True
        )
        told = [line[7:] for line in done.stdout.splitlines() if line.startswith("RESULT ")]
        if not told:
            why = done.stderr.strip().splitlines()
            print(f"| {name} | skipped: {why[-1] if why else done.returncode} |", flush=True)
            continue
        result = json.loads(told[0])
        base = base or result["seconds"]
        print(
            f"| {name} | {result['seconds'] * 1000:.1f} | {1 / result['seconds']:.2f} | "
            f"{result['seconds'] / base:.1f} | {result['rms_mm']:.4f} | {result['lost']:.4%} |",
            flush=True,
        )


if __name__ == "__main__":
    if len(sys.argv) == 3:
        measure(sys.argv[1], int(sys.argv[2]))
    else:
        main()
