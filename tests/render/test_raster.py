"""Path lengths against closed forms, against Embree, and against themselves."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.contracts import Renderer
from pipeline.knee.anatomy import Mesh
from pipeline.knee.camera import Camera
from pipeline.knee.errors import Problem
from synthetic_data.render.raster import SignedDepthRasteriser, path_lengths

SOURCE = np.array([900.0, 30.0, -20.0])


def camera(size: int = 128, spacing: float = 1.2) -> Camera:
    return Camera.looking(
        source=SOURCE,
        toward=-SOURCE + np.array([0.0, 5.0, 3.0]),
        up=np.array([0.1, 1.0, 0.05]),
        sid=1080.0,
        spacing=spacing,
        rows=size,
        columns=size - 16,
    )


def rays(film: Camera) -> np.ndarray:
    y, x = np.meshgrid(np.arange(film.rows), np.arange(film.columns), indexing="ij")
    way = film.pixel(np.stack([x, y], -1)) - film.source
    return way / np.linalg.norm(way, axis=-1, keepdims=True)


def as_mesh(shape: trimesh.Trimesh) -> Mesh:
    return Mesh(np.array(shape.vertices), np.array(shape.faces, dtype=np.int32))


def ellipsoid_chord(film: Camera, radii: np.ndarray) -> np.ndarray:
    """Chord of a ray in an ellipsoid at the origin, by its quadratic."""
    d, s = rays(film) / radii, film.source / radii
    a, b, c = (d * d).sum(-1), (d * s).sum(-1), (s * s).sum() - 1
    return 2 * np.sqrt(np.maximum(b * b - a * c, 0)) / a


def cylinder_chord(film: Camera, radius: float, half: float) -> np.ndarray:
    """Chord in a cylinder along y: the part inside the round wall and between the lids."""
    d, s = rays(film), film.source
    a = d[..., 0] ** 2 + d[..., 2] ** 2
    b = d[..., 0] * s[0] + d[..., 2] * s[2]
    c = s[0] ** 2 + s[2] ** 2 - radius**2
    root = np.sqrt(np.maximum(b * b - a * c, 0))
    lids = np.sort((np.array([-half, half]) - s[1]) / d[..., 1, None], axis=-1)
    enter = np.maximum((-b - root) / a, lids[..., 0])
    leave = np.minimum((-b + root) / a, lids[..., 1])
    return np.where(root > 0, np.maximum(leave - enter, 0), 0)


RADII = np.array([25.0, 45.0, 35.0])


def ellipsoid(level: int) -> Mesh:
    ball = trimesh.creation.icosphere(level)
    return Mesh(np.array(ball.vertices) * RADII, np.array(ball.faces, dtype=np.int32))


def test_ellipsoid_error_falls_with_the_number_of_triangles() -> None:
    film = camera()
    exact = ellipsoid_chord(film, RADII)
    errors = []
    for level in (3, 4, 5):
        made = path_lengths(ellipsoid(level), film)
        errors.append(float(np.sqrt(np.mean((made - exact)[exact > 0] ** 2))))
    assert errors[2] < 0.1, errors  # 20,480 triangles
    assert errors[0] > 3 * errors[1] > 9 * errors[2], errors


def test_cylinder() -> None:
    film = camera()
    solid = trimesh.creation.cylinder(radius=20.0, height=60.0, sections=720)
    vertices = np.array(solid.vertices)[:, [0, 2, 1]]
    faces = np.array(solid.faces, dtype=np.int32)[:, ::-1]
    made = path_lengths(Mesh(vertices, faces), film)
    exact = cylinder_chord(film, 20.0, 30.0)
    assert np.sqrt(np.mean((made - exact) ** 2)) < 0.02
    assert abs(made.sum() / exact.sum() - 1) < 2e-4


def embree(mesh: Mesh, film: Camera) -> np.ndarray:
    """Signed sum of all hits of all rays, by trimesh's Embree."""
    pytest.importorskip("embreex", reason="Embree (embreex) is not installed")
    from trimesh.ray.ray_pyembree import RayMeshIntersector

    solid = trimesh.Trimesh(mesh.vertices, mesh.faces, process=False)
    way = rays(film).reshape(-1, 3)
    start = np.broadcast_to(film.source, way.shape)
    tracer = RayMeshIntersector(solid)
    triangle, ray, place = tracer.intersects_id(
        start, way, multiple_hits=True, return_locations=True
    )
    sign = np.sign((way[ray] * solid.face_normals[triangle]).sum(-1))
    depth = ((place - film.source) * way[ray]).sum(-1)
    out = np.zeros(len(way))
    np.add.at(out, ray, sign * depth)
    return out.reshape(film.rows, film.columns)


def knobbly(seed: int) -> Mesh:
    """A lumpy closed surface with hollows, so that rays cross it several times."""
    rng = np.random.default_rng(seed)
    ball = trimesh.creation.icosphere(4)
    points = np.array(ball.vertices)
    lumps = np.sin(points @ rng.normal(0, 5, (3, 3)) + rng.uniform(0, 6, 3)).sum(axis=1)
    return Mesh(points * (35 + 6 * lumps[:, None]), np.array(ball.faces, dtype=np.int32))


@pytest.mark.parametrize("seed", [0, 1])
def test_agrees_with_embree_on_the_same_mesh(seed: int) -> None:
    film, mesh = camera(), knobbly(seed)
    made, other = path_lengths(mesh, film), embree(mesh, film)
    # Embree works in float32 and may lose a ray in an edge: those show as whole depths.
    whole = np.abs(made - other) < 1.0
    assert whole.mean() > 0.999
    assert np.sqrt(np.mean((made - other)[whole] ** 2)) < 0.001


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 10_000), st.floats(0.2, 3.0))
def test_volume_seen_from_afar(seed: int, spacing: float) -> None:
    """Beer and Lambert need the volume: path x pixel area at the knee adds up to it."""
    mesh = knobbly(seed)
    far = 60_000.0
    size = int(150 / spacing)
    film = Camera.looking(
        source=np.array([far, 0.0, 0.0]),
        toward=np.array([-1.0, 0.0, 0.0]),
        up=np.array([0.0, 1.0, 0.0]),
        sid=far,
        spacing=spacing,
        rows=size,
        columns=size,
    )
    volume = trimesh.Trimesh(mesh.vertices, mesh.faces, process=False).volume
    assert path_lengths(mesh, film).sum() * spacing**2 == pytest.approx(volume, rel=0.02)


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 10_000))
def test_no_leak_where_vertices_and_edges_meet_pixel_centres(seed: int) -> None:
    """A box whose corners, edges and diagonals fall on pixel centres: every ray counts once."""
    rng = np.random.default_rng(seed)
    film = Camera.looking(
        source=np.array([0.0, 0.0, 1000.0]),
        toward=np.array([0.0, 0.0, -1.0]),
        up=np.array([0.0, 1.0, 0.0]),
        sid=1000.0,
        spacing=1.0,
        rows=33,
        columns=33,
    )
    size = 4 * rng.integers(1, 5, 3)
    box = trimesh.creation.box(size)
    box = box.subdivide()
    made = path_lengths(as_mesh(box), film)
    # Never a whole depth (about 1000 mm) too much or too little.
    assert made.min() >= 0
    assert made.max() < size.max() * 1.01
    assert made[15:18, 15:18].min() == pytest.approx(size[2], rel=1e-3)


def test_mirrored_film_is_the_mirror_image() -> None:
    film, mesh = camera(), knobbly(3)
    made, mirror = path_lengths(mesh, film), path_lengths(mesh, film.mirrored())
    assert np.quantile(np.abs(made - mirror[:, ::-1]), 0.999) < 1e-3


def test_beyond_the_film_only_the_box_is_cut() -> None:
    film, mesh = camera(), knobbly(4)
    part = film.cropped(30, 41, 20, 24)
    np.testing.assert_allclose(
        path_lengths(mesh, part), path_lengths(mesh, film)[41:61, 30:54], atol=1e-2
    )


def test_order_of_triangles_does_not_matter() -> None:
    film, mesh = camera(), knobbly(5)
    shuffled = Mesh(mesh.vertices, np.random.default_rng(0).permutation(mesh.faces))
    np.testing.assert_array_equal(path_lengths(mesh, film), path_lengths(shuffled, film))


def test_plugin_and_shape() -> None:
    renderer = SignedDepthRasteriser()
    assert isinstance(renderer, Renderer)
    film = camera()
    out = renderer.path_lengths([ellipsoid(2), knobbly(1)], film)
    assert out.shape == (2, film.rows, film.columns)
    assert out.dtype == np.float32


def moved(mesh: Mesh, by: np.ndarray) -> Mesh:
    return Mesh(mesh.vertices + by, mesh.faces)


def test_a_small_fold_counts_as_nothing() -> None:
    """One vertex pushed out through the far side: no ray loses its sign or a whole depth."""
    film, mesh = camera(), ellipsoid(4)
    vertices = mesh.vertices.copy()
    vertices[7] *= -1.3
    folded = path_lengths(Mesh(vertices, mesh.faces), film)
    assert folded.min() >= 0
    assert np.mean(np.abs(folded - path_lengths(mesh, film)) > 0.5) < 0.05


def test_problems_are_named() -> None:
    film, mesh = camera(), ellipsoid(3)
    with pytest.raises(Problem, match="not closed"):
        path_lengths(Mesh(mesh.vertices, mesh.faces[:-1]), film)
    with pytest.raises(Problem, match="inside out"):
        path_lengths(Mesh(mesh.vertices, mesh.faces[:, ::-1]), film)
    with pytest.raises(Problem, match="from source to receptor"):
        path_lengths(moved(mesh, SOURCE), film)
    with pytest.raises(Problem, match="from source to receptor"):
        path_lengths(moved(mesh, 3 * SOURCE), film)
    with pytest.raises(Problem, match="do not exist"):
        path_lengths(Mesh(mesh.vertices[:-1], mesh.faces), film)
    with pytest.raises(Problem, match="not finite"):
        path_lengths(Mesh(np.where(mesh.vertices > 24, np.nan, mesh.vertices), mesh.faces), film)
