"""Closed bodies: closed indeed, of the volume that geometry says, and nowhere inside out."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.knee.anatomy import Mesh
from synthetic_data.hardware import bodies


def volume(mesh: Mesh) -> float:
    a, b, c = (mesh.vertices[mesh.faces[:, k]] for k in range(3))
    return float(np.einsum("ij,ij->", a, np.cross(b, c)) / 6)


def open_edges(mesh: Mesh) -> int:
    """Edges without their reverse: none on a closed surface whose faces agree on a side."""
    f = mesh.faces.astype(np.int64)
    edges = np.concatenate([f[:, [0, 1]], f[:, [1, 2]], f[:, [2, 0]]])
    forward = {(int(a), int(b)) for a, b in edges}
    assert len(forward) == len(edges)
    return sum((b, a) not in forward for a, b in forward)


@pytest.mark.parametrize("direction", np.concatenate([np.eye(3), -np.eye(3)]))
def test_a_rod_holds_what_a_cylinder_holds(direction):
    mesh = bodies.rod(np.ones(3), np.ones(3) + 40 * direction, 3.0, 64)
    assert open_edges(mesh) == 0
    assert volume(mesh) == pytest.approx(np.pi * 9 * 40, rel=0.003)


def test_a_pipe_holds_its_wall():
    mesh = bodies.pipe(np.linspace([0, 0, 0], [0, 100, 0], 20), 4.0, 2.0, 64)
    assert open_edges(mesh) == 0
    assert volume(mesh) == pytest.approx(np.pi * (16 - 4) * 100, rel=0.02)


def test_an_ellipsoid_holds_what_it_should():
    mesh = bodies.ellipsoid(np.array([3.0, 1.0, 2.0]), (10.0, 5.0, 7.0))
    assert open_edges(mesh) == 0
    assert volume(mesh) == pytest.approx(4 / 3 * np.pi * 350, rel=0.06)


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 2**32 - 1))
def test_every_point_of_a_lump_is_in_view_of_its_middle(seed):
    mesh = bodies.lump(np.zeros(3), (6.0, 9.0, 5.0), None, np.random.default_rng(seed))
    a, b, c = (mesh.vertices[mesh.faces[:, k]] for k in range(3))
    assert open_edges(mesh) == 0
    assert (np.einsum("ij,ij->i", a, np.cross(b, c)) > 0).all()


def test_a_prism_and_a_sheet_hold_a_box():
    corners = np.array([[0, 0, 0], [4, 0, 0], [4, 0, 5], [0, 0, 5.0]])
    box = bodies.prism(corners, np.zeros(3), np.array([0, 3.0, 0]))
    assert open_edges(box) == 0
    assert volume(box) == pytest.approx(60)
    x, z = np.meshgrid(np.arange(5.0), np.arange(6.0), indexing="ij")
    upper, lower = np.stack([x, 0 * x + 3, z], -1), np.stack([x, 0 * x, z], -1)
    whole = np.ones((4, 5), dtype=bool)
    sheet = bodies.sheet(upper, lower, whole)
    assert open_edges(sheet) == 0
    assert volume(sheet) == pytest.approx(60)
    notched = whole.copy()
    notched[1:3, 2:] = False
    sheet = bodies.sheet(upper, lower, notched)
    assert open_edges(sheet) == 0
    assert volume(sheet) == pytest.approx(60 - 2 * 3 * 3)


def test_a_screw_is_closed_and_as_long_as_asked():
    head, tip = np.array([1.0, 2, 3]), np.array([41.0, 2, 3])
    mesh = bodies.screw(head, tip, 2.5, (0.5, 1.0))
    assert open_edges(mesh) == 0
    assert np.ptp(mesh.vertices[:, 0]) == pytest.approx(40)
    assert np.pi * (0.7 * 2.5) ** 2 * 38 < volume(mesh) < np.pi * 2.5**2 * 45


def test_a_ray_meets_a_ball_where_it_should():
    ball = bodies.ellipsoid(np.array([0.0, 0.0, 5.0]), (10.0, 10.0, 10.0))
    at = bodies.crossings(ball, np.array([0.1, 0.2, -30.0]), np.array([0.0, 0.0, 1.0]))
    assert at == pytest.approx([25.0, 45.0], abs=0.1)
    assert bodies.span(ball, np.array([20.0, 0, 0]), np.array([0.0, 0, 1])) is None
