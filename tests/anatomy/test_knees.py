"""Knees from the shape model are closed, nested, apart, and the same for the same seed.

Closedness is judged by trimesh. Path lengths and containment come from rays against every
triangle in double precision, checked on a ball and against Embree; Embree alone, in single
precision, misses a hit in some thousand, which would pass for a fault of a surface.
"""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from numpy.typing import NDArray

from pipeline.contracts import AnatomyRequest, AnatomySource
from pipeline.knee.anatomy import Knee, Mesh
from pipeline.knee.errors import Problem
from synthetic_data.anatomy.shape_data import read_shape_model
from synthetic_data.anatomy.source import ShapeModelSource
from synthetic_data.anatomy.template import MODES

BONES = ("femur", "tibia", "fibula", "patella")
FLEXIONS = (-5.0, 0.0, 30.0, 60.0, 90.0)


def knee(seed: int, flexion: float = 0.0, sex: str | None = None) -> Knee:
    request = AnatomyRequest(sex=sex, flexion_deg=flexion)
    return ShapeModelSource().sample(np.random.default_rng(seed), request)


def solid(mesh: Mesh) -> trimesh.Trimesh:
    return trimesh.Trimesh(mesh.vertices, mesh.faces, process=False)


@pytest.fixture(scope="module")
def knees() -> list[Knee]:
    return [knee(100 + i, f) for i, f in enumerate(FLEXIONS)]


def crossings(mesh: Mesh, through: NDArray, direction: NDArray) -> tuple[NDArray, NDArray, NDArray]:
    """Where parallel lines through (rays, 3) points cross a surface: line, depth mm, and +1
    where it leaves, -1 where it enters. Depth counts from the point."""
    side = np.linalg.svd(direction[None])[2][1:]
    frame = np.stack([side[0], np.cross(direction, side[0]), direction])
    corners = (mesh.vertices @ frame.T)[mesh.faces]
    lines = through @ frame.T
    low, high = corners[:, :, :2].min(axis=1), corners[:, :, :2].max(axis=1)
    near = (lines[:, None, :2] >= low) & (lines[:, None, :2] <= high)
    line, face = np.nonzero(near.all(axis=2))
    a, b, c = (corners[face, k] for k in range(3))
    p = lines[line, :2] - a[:, :2]
    u, v = b - a, c - a
    det = u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0]
    with np.errstate(divide="ignore", invalid="ignore"):
        s = (p[:, 0] * v[:, 1] - p[:, 1] * v[:, 0]) / det
        t = (u[:, 0] * p[:, 1] - u[:, 1] * p[:, 0]) / det
    hit = (s >= 0) & (t >= 0) & (s + t <= 1)
    depth = a[:, 2] + s * u[:, 2] + t * v[:, 2] - lines[line, 2]
    return line[hit], depth[hit], np.sign(det)[hit]


def lengths(mesh: Mesh, through: NDArray, direction: NDArray) -> NDArray:
    """(rays,) signed mm inside a closed surface along parallel lines through (rays, 3) points."""
    line, depth, leaves = crossings(mesh, through, direction)
    assert not np.bincount(line, leaves, len(through)).any()
    return np.bincount(line, leaves * depth, len(through))


def inside(mesh: Mesh, points: NDArray) -> NDArray:
    """(N,) whether points lie inside a closed surface: how often a ray leaves it, net."""
    out = np.zeros(len(points))
    for part in np.array_split(np.arange(len(points)), len(points) // 400 + 1):
        line, depth, leaves = crossings(mesh, points[part], DIRECTIONS[2])
        ahead = depth > 0
        out[part] = np.bincount(line[ahead], leaves[ahead], len(part))
    return out > 0


def rays(mesh: Mesh, count: int, seed: int) -> NDArray:
    """(count, 3) random places in a mesh's bounding box."""
    rng = np.random.default_rng(seed)
    low, high = mesh.vertices.min(axis=0), mesh.vertices.max(axis=0)
    return rng.uniform(low, high, size=(count, 3))


def test_the_measure_itself_is_right_on_a_ball():
    ball = trimesh.creation.icosphere(subdivisions=5, radius=30.0)
    mesh = Mesh(np.asarray(ball.vertices), np.asarray(ball.faces, dtype=np.int32))
    for direction in DIRECTIONS:
        through = rays(mesh, 200, 0)
        off = np.linalg.norm(np.cross(through, direction), axis=1)
        wanted = 2 * np.sqrt(np.maximum(900.0 - off**2, 0))
        clear = off < 29
        assert np.abs(lengths(mesh, through, direction) - wanted)[clear].max() < 0.3


DIRECTIONS = [
    np.array(d) / np.linalg.norm(d) for d in ([1, 0.02, 0.03], [0.02, 0.03, 1], [0.5, 0.3, -0.8])
]


def test_the_source_fulfils_the_contract():
    assert isinstance(ShapeModelSource(), AnatomySource)


def test_containment_agrees_with_embree(knees):
    bone = knees[2].bones["tibia"]
    points = rays(bone, 800, 3)
    assert np.mean(inside(bone, points) != solid(bone).ray.contains_points(points)) < 0.005


def test_every_surface_is_closed_and_outward(knees):
    for k in knees:
        assert set(k.bones) == set(k.marrow) == set(BONES)
        assert set(k.soft) == {"skin", "muscle"}
        for part in (k.bones, k.marrow, k.soft):
            for name, mesh in part.items():
                body = solid(mesh)
                assert body.is_watertight, name
                assert body.is_winding_consistent, name
                assert body.euler_number == 2, name
                assert body.volume > 1000, name
                assert mesh.faces.dtype == np.int32


def test_faces_are_the_same_for_every_knee(knees):
    for k in knees[1:]:
        for name in BONES:
            assert np.array_equal(k.bones[name].faces, knees[0].bones[name].faces)


def test_the_same_seed_gives_the_same_knee_and_another_does_not():
    a, b, c = knee(7, 20.0), knee(7, 20.0), knee(8, 20.0)
    assert dict(a.facts) == dict(b.facts)
    for name in BONES:
        assert np.array_equal(a.bones[name].vertices, b.bones[name].vertices)
        assert not np.array_equal(a.bones[name].vertices, c.bones[name].vertices)
    assert np.array_equal(a.soft["skin"].vertices, b.soft["skin"].vertices)


def test_the_cortex_encloses_its_inner_face(knees):
    for i, k in enumerate(knees):
        for name in BONES:
            for direction in DIRECTIONS:
                start = rays(k.bones[name], 150, i)
                outer = lengths(k.bones[name], start, direction)
                inner = lengths(k.marrow[name], start, direction)
                assert (inner - outer).max() < 0.05, name
                # Signed lengths fall below zero only where a surface runs through itself.
                assert inner.min() > -0.3, name


def test_skin_encloses_muscle_and_muscle_all_bones(knees):
    for i, k in enumerate(knees):
        for direction in DIRECTIONS:
            start = rays(k.soft["skin"], 200, i)
            skin = lengths(k.soft["skin"], start, direction)
            muscle = lengths(k.soft["muscle"], start, direction)
            bones = sum(lengths(k.bones[name], start, direction) for name in BONES)
            assert skin.min() > -0.01
            assert muscle.min() > -0.01
            assert (muscle - skin).max() < 0.05
            assert (bones - muscle).max() < 0.05
        vertices = np.concatenate([k.bones[name].vertices[::29] for name in BONES])
        assert inside(k.soft["muscle"], vertices).all()


@pytest.mark.parametrize("flexion", FLEXIONS)
def test_bones_never_overlap(flexion):
    for seed in range(4):
        k = knee(500 + seed, flexion)
        for one, other in (
            ("femur", "tibia"),
            ("tibia", "femur"),
            ("patella", "femur"),
            ("femur", "patella"),
            ("fibula", "tibia"),
            ("tibia", "fibula"),
            ("patella", "tibia"),
            ("fibula", "femur"),
        ):
            box = k.bones[other].vertices
            points = k.bones[one].vertices
            low, high = box.min(axis=0), box.max(axis=0)
            near = points[((points > low) & (points < high)).all(axis=1)]
            if len(near):
                assert not inside(k.bones[other], near).any(), (seed, one, other)


@pytest.mark.parametrize("flexion", [0.0, 45.0, 90.0])
def test_the_joint_spaces_are_the_ones_drawn(flexion):
    """Narrowest distance, by rays down the tibia from the condyles' vertices."""
    for seed in range(3):
        k = knee(40 + seed, flexion)
        up = tibial_axis(k)
        femur, tibia = k.bones["femur"].vertices, k.bones["tibia"]
        near = femur[femur[:, 1] < femur[:, 1].min() + 45]
        where, ray, _ = solid(tibia).ray.intersects_location(
            near, np.broadcast_to(-up, near.shape), multiple_hits=False
        )
        gap = np.linalg.norm(where - near[ray], axis=1)
        middle = (k.points["medial_spine"] + k.points["lateral_spine"]) / 2
        lateral = near[ray][:, 2] - middle[2]
        for side, sign in (("medial", -1), ("lateral", 1)):
            width = float(k.facts["femur_width"])
            found = gap[sign * lateral > 0.16 * width].min()
            assert found == pytest.approx(float(k.facts[f"gap_{side}_seated"]), abs=0.7)


def tibial_axis(k: Knee) -> NDArray:
    """Up the tibia: from the middle of its far end to that of the plateau, roughly its shaft."""
    v = k.bones["tibia"].vertices
    long = np.linalg.svd(v - v.mean(axis=0), full_matrices=False)[2][0]
    return long if long @ (k.bones["femur"].vertices.mean(axis=0) - v.mean(axis=0)) > 0 else -long


def test_named_points_lie_on_their_bones(knees):
    bone = {
        "adductor_tubercle": "femur",
        "medial_spine": "tibia",
        "lateral_spine": "tibia",
        "fibular_head": "fibula",
    }
    for k in knees:
        assert set(k.points) == set(bone)
        for name, part in bone.items():
            distance = np.linalg.norm(k.bones[part].vertices - k.points[name], axis=1)
            assert distance.min() < 1e-9


def test_fibular_tip_and_spines_are_the_highest_of_their_surroundings():
    for seed in range(5):
        k = knee(seed)
        up = tibial_axis(k)
        fibula = k.bones["fibula"].vertices
        assert (fibula @ up).max() - k.points["fibular_head"] @ up < 2.0
        tibia = k.bones["tibia"].vertices
        for name in ("medial_spine", "lateral_spine"):
            tip = k.points[name]
            near = tibia[np.linalg.norm(tibia - tip, axis=1) < 3.0]
            assert (near @ up).max() - tip @ up < 1.2


def test_sides_are_those_of_a_right_knee(knees):
    for k in knees:
        assert k.points["lateral_spine"][2] > k.points["medial_spine"][2]
        assert k.points["fibular_head"][2] > k.points["lateral_spine"][2]
        assert k.points["adductor_tubercle"][2] < 0
    straight = knees[1]
    patella, femur = straight.bones["patella"].vertices, straight.bones["femur"].vertices
    assert patella[:, 0].mean() > femur[:, 0].mean()
    assert straight.points["fibular_head"][0] < straight.bones["tibia"].vertices[:, 0].mean()


def test_no_knee_is_a_training_subject():
    subjects = read_shape_model().subjects[:, :MODES]
    for seed in range(15):
        facts = knee(seed).facts
        scores = np.array([facts[f"mode_{m + 1}"] for m in range(MODES)])
        assert np.abs(scores).max() <= 2.5
        assert np.linalg.norm(subjects - scores, axis=1).min() > 1.0


def test_sex_is_obeyed_and_otherwise_drawn():
    assert knee(1, sex="female").facts["sex"] == "female"
    assert {knee(s).facts["sex"] for s in range(12)} == {"male", "female"}


@pytest.mark.parametrize(
    "request_", [AnatomyRequest(flexion_deg=130), AnatomyRequest(sex="unknown")]
)
def test_what_cannot_be_made_is_refused_in_plain_words(request_):
    with pytest.raises(Problem, match="ask for"):
        ShapeModelSource().sample(np.random.default_rng(0), request_)
