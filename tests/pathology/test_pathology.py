"""Disease: what was drawn is what the bones show, nothing overlaps, landmarks stay true."""

import time
from dataclasses import replace

import numpy as np
import pytest

from pipeline.contracts import AnatomyRequest, Finding
from pipeline.knee.frames import frames_of
from pipeline.registry import build
from synthetic_data.pathology.bone_changes import Fabella, HeterotopicOssification, Osteopenia
from synthetic_data.pathology.leg import close_joint, move_leg, turn_about
from synthetic_data.pathology.osteoarthritis import GROWTH, Osteoarthritis

DISEASE = ("osteoarthritis", "osteopenia", "fabella", "heterotopic_ossification")


@pytest.fixture(scope="module")
def knees():
    source = build("anatomy", "shape_model", {})
    return [
        source.sample(np.random.default_rng(seed), AnatomyRequest(flexion_deg=flexion))
        for seed, flexion in enumerate((0.0, 15.0, 40.0, 75.0))
    ]


def apart(knee):
    """Least signed distance of the femur's vertices from the tibia (negative inside), by rays."""
    trimesh = pytest.importorskip("trimesh")
    tibia = trimesh.Trimesh(knee.bones["tibia"].vertices, knee.bones["tibia"].faces, process=False)
    femur = knee.bones["femur"].vertices
    low, high = tibia.bounds
    near = femur[((femur > low - 3) & (femur < high + 3)).all(axis=1)]
    inside = tibia.contains(near) if len(near) else np.zeros(0, dtype=bool)
    return near[inside], tibia


@pytest.mark.parametrize("name", DISEASE)
def test_it_is_a_finding_that_keeps_the_bones_faces(name, knees):
    finding = build("finding", name, {})
    assert isinstance(finding, Finding)
    for seed, knee in enumerate(knees):
        one = finding.apply(knee, np.random.default_rng(seed))
        two = finding.apply(knee, np.random.default_rng(seed))
        for bone, mesh in one.bones.items():
            assert np.array_equal(mesh.faces, knee.bones[bone].faces)
            assert np.isfinite(mesh.vertices).all()
            assert np.array_equal(mesh.vertices, two.bones[bone].vertices)
        new = {key for key in one.facts if key not in knee.facts}
        assert new
        assert all(key.startswith(f"{name}_") for key in new)
        assert set(one.solids) == set(two.solids)


def test_joint_spaces_become_what_was_wanted(knees):
    for knee in knees:
        frames = frames_of(knee.bones)
        moved, after, lean, reached = close_joint(knee, frames, (1.0, 4.0))
        assert reached[0] == pytest.approx(1.0, abs=0.15)
        assert reached[1] == pytest.approx(4.0, abs=0.35)
        # The frames carried along are those found anew.
        found = frames_of(moved.bones).tibia
        assert np.degrees(np.arccos(np.clip(found.y @ after.tibia.y, -1, 1))) < 0.05
        assert np.linalg.norm(found.centre - after.tibia.centre) < 0.3
        assert lean > 0  # closed medially more than laterally: varus


def test_a_varus_turn_brings_the_foot_toward_the_midline(knees):
    knee = knees[0]
    frames = frames_of(knee.bones)
    t = frames.tibia
    moved = move_leg(knee, frames, turn_about(t.x, np.radians(5)), t.centre, np.zeros(3))
    low = np.argmin(knee.bones["tibia"].vertices @ t.y)
    step = moved.bones["tibia"].vertices[low] - knee.bones["tibia"].vertices[low]
    assert step @ t.z < -10


@pytest.mark.parametrize("grade", [1, 2, 3, 4])
def test_osteoarthritis_by_grade(grade, knees):
    odds = tuple(float(g == grade) for g in (1, 2, 3, 4))
    finding = Osteoarthritis(grades=odds, medial=1.0, lateral=0.0)
    for seed, knee in enumerate(knees):
        got = finding.apply(knee, np.random.default_rng(seed))
        facts = got.facts
        assert facts["osteoarthritis_grade"] == grade
        assert facts["osteoarthritis_osteophyte_mm"] <= GROWTH[grade][1]
        if grade == 4:
            assert facts["osteoarthritis_gap_medial_mm"] < 1.7
        if grade >= 3:
            assert facts["osteoarthritis_gap_medial_mm"] < facts["osteoarthritis_gap_lateral_mm"]
        # Bone may touch by a hair, never sink in.
        sunk, tibia = apart(got)
        if len(sunk):
            trimesh = pytest.importorskip("trimesh")
            depth = trimesh.proximity.closest_point(tibia, sunk)[1]
            assert depth.max() < 0.8
            assert len(sunk) < 12


def test_osteophytes_grow_outward_and_stay_out_of_the_landmarks(knees):
    for seed, knee in enumerate(knees):
        got = Osteoarthritis(grades=(0.0, 0.0, 0.0, 1.0)).apply(knee, np.random.default_rng(seed))
        for bone in ("femur", "tibia"):
            grown = got.bones[bone].vertices - got.measured[bone].vertices
            size = np.linalg.norm(grown, axis=1)
            assert 1.0 < size.max() < 16.0
            assert (size < 0.01).mean() > 0.5  # most of the bone is as it was
            assert volume(got.bones[bone]) > volume(got.measured[bone])
        named = replace(got, measured={})
        edge = frames_of(got.surfaces).tibia.plateau_width
        assert frames_of(named.surfaces).tibia.plateau_width >= edge - 1e-6


def volume(mesh):
    a, b, c = (mesh.vertices[mesh.faces[:, k]] for k in range(3))
    return float(np.einsum("ij,ij->", a, np.cross(b, c)) / 6)


@pytest.mark.parametrize("seed", range(3))
def test_marrow_stays_inside_its_bone(seed, knees):
    for knee in knees:
        got = Osteoarthritis(grades=(0, 0, 0.5, 0.5)).apply(knee, np.random.default_rng(seed))
        for bone in ("femur", "tibia"):
            assert 0 < volume(got.marrow[bone]) < volume(got.bones[bone])
            shell = np.linalg.norm(got.bones[bone].vertices - got.marrow[bone].vertices, axis=1)
            before = np.linalg.norm(knee.bones[bone].vertices - knee.marrow[bone].vertices, axis=1)
            assert shell.min() > 0.4 * before.min()


def test_osteopenia_thins_the_cortex_by_what_it_says(knees):
    knee = knees[1]
    got = Osteopenia(lost=(0.5, 0.5)).apply(knee, np.random.default_rng(0))
    for bone in knee.marrow:
        before = np.linalg.norm(knee.bones[bone].vertices - knee.marrow[bone].vertices, axis=1)
        after = np.linalg.norm(got.bones[bone].vertices - got.marrow[bone].vertices, axis=1)
        assert after == pytest.approx(0.5 * before, abs=1e-9)


def test_a_fabella_lies_behind_the_lateral_condyle_in_the_muscle(knees):
    for seed, knee in enumerate(knees):
        solid = Fabella().apply(knee, np.random.default_rng(seed)).solids["fabella"]
        points = solid.mesh.vertices
        f = frames_of(knee.bones).femur
        assert points[:, 2].mean() > 5
        assert points[:, 0].mean() < f.touching[3][0]
        assert solid.kind == "bone"
        assert solid.within == "muscle"
        assert 0 < volume(solid.mesh) < 4 / 3 * np.pi * 9**3


def test_bone_in_muscle_is_clear_of_the_femur(knees):
    trimesh = pytest.importorskip("trimesh")
    for seed, knee in enumerate(knees):
        got = HeterotopicOssification().apply(knee, np.random.default_rng(seed))
        new = [s for key, s in got.solids.items() if key.startswith("ossification")]
        assert len(new) == got.facts["heterotopic_ossification_pieces"]
        femur = trimesh.Trimesh(
            knee.bones["femur"].vertices, knee.bones["femur"].faces, process=False
        )
        for solid in new:
            assert volume(solid.mesh) > 0
            assert femur.contains(solid.mesh.vertices).mean() < 0.1


@pytest.mark.parametrize("name", DISEASE)
def test_it_is_quick(name, knees):
    finding = build("finding", name, {})
    spent = []
    for seed in range(5):
        start = time.process_time()
        finding.apply(knees[1], np.random.default_rng(seed))
        spent.append(time.process_time() - start)
    assert min(spent) < 0.15
