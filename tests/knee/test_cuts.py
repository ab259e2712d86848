"""The compiled loops against plain words: every face, every edge, one at a time."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from pipeline.knee.anatomy import Mesh
from pipeline.knee.cuts import extents
from pipeline.knee.frames import _widest, section_centroids, section_points


def egg() -> Mesh:
    ball = trimesh.creation.icosphere(subdivisions=3, radius=1.0)
    return Mesh(
        np.asarray(ball.vertices) * [20.0, 50.0, 30.0] + [3.0, -200.0, 11.0],
        np.asarray(ball.faces, dtype=np.int32),
    )


def test_extents_are_those_of_all_edges_that_a_line_meets() -> None:
    mesh = egg()
    along, across = mesh.vertices[:, 1].copy(), mesh.vertices[:, 2].copy()
    heights = np.linspace(-260, -140, 37)
    least, greatest = np.full(37, np.inf), np.full(37, -np.inf)
    extents(along, across, mesh.faces, heights, least, greatest)
    for i, height in enumerate(heights):
        met = []
        for face in mesh.faces:
            for a, b in zip(face, np.roll(face, 1), strict=True):
                if (along[a] > height) != (along[b] > height):
                    share = (height - along[a]) / (along[b] - along[a])
                    met.append(across[a] + share * (across[b] - across[a]))
        if not met:
            assert np.isinf(least[i])
            assert np.isinf(greatest[i])
        else:
            assert [least[i], greatest[i]] == pytest.approx([min(met), max(met)], abs=1e-9)


def test_sections_are_closed_loops_in_their_planes() -> None:
    mesh, normal = egg(), np.array([0.6, 0.8, 0.0])
    middle = float(mesh.vertices.mean(axis=0) @ normal)
    # Not in order, and one that misses.
    offsets = middle + np.array([10.0, -12.0, 900.0, 0.0])
    plane, start, end = section_points(mesh, normal, offsets)
    assert set(plane) == {0, 1, 3}
    for p in (0, 1, 3):
        ours = plane == p
        for ends in (start[ours], end[ours]):
            assert ends @ normal == pytest.approx(offsets[p], abs=1e-9)
        # Each segment begins where another ends.
        assert np.sort(start[ours].round(6), axis=0) == pytest.approx(
            np.sort(end[ours].round(6), axis=0), abs=2e-6
        )


def test_the_section_of_a_tetrahedron_is_a_triangle_with_its_centroid() -> None:
    rng = np.random.default_rng(3)
    apex, base = rng.normal(size=3) * 100, rng.normal(size=(3, 3)) * 40
    faces = np.array([[0, 1, 2], [0, 2, 3], [0, 3, 1], [1, 3, 2]], dtype=np.int32)
    normal = np.cross(base[1] - base[0], base[2] - base[0])
    normal /= np.linalg.norm(normal)
    for vertices in (np.vstack([apex, base]), np.vstack([apex, base[[0, 2, 1]]])):
        shares = np.array([0.3, 0.9, 0.5])
        offsets = apex @ normal + shares * ((base[0] - apex) @ normal)
        found = section_centroids(Mesh(vertices, faces), normal, offsets)
        assert found == pytest.approx(apex + shares[:, None] * (base.mean(axis=0) - apex), abs=1e-9)


@pytest.mark.parametrize("seed", range(20))
def test_the_widest_direction_is_that_of_a_full_search(seed: int) -> None:
    rng = np.random.default_rng(seed)
    points = rng.normal(size=(int(rng.integers(5, 300)), 3)) * rng.uniform(1, 30, 3)
    turn = np.radians(np.arange(-60.0, 60.01, 1.0))
    directions = np.stack([np.cos(turn), 0 * turn, np.sin(turn)], axis=1)
    every = np.ptp(points @ directions.T, axis=0)
    found, best = _widest(points, directions)
    assert best == int(np.argmax(every))
    near = slice(max(best - 1, 0), best + 2)
    assert found[near] == pytest.approx(every[near], abs=1e-9)
