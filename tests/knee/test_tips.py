"""True depth of instruments: against plane sections by trimesh, and against square films."""

import numpy as np
import pytest
import trimesh

from pipeline.contracts import AnatomyRequest
from pipeline.knee.camera import unit
from pipeline.knee.frames import frames_of
from pipeline.knee.tips import bone_of, tips_of
from pipeline.registry import build
from synthetic_data.placement import Placement, place

SQUARE = Placement(
    view="lateral",
    rotation=0.0,
    tilt=0.0,
    roll=12.0,
    source_at_near_end=True,
    lateral_to_right=True,
    sid=1000.0,
    sod=700.0,
    off_centre=(0.0, 0.0),
    field_mm=(200.0, 200.0),
    knee_at=None,
    pixel_mm=0.4,
)

BACK = np.array([0.0, 3.0, -15.0])


@pytest.fixture(scope="module", params=[5.0, 55.0, 90.0])
def knee(request):
    source = build("anatomy", "shape_model", {})
    knee = source.sample(np.random.default_rng(3), AnatomyRequest(flexion_deg=request.param))
    return knee, frames_of(knee.surfaces)


def inside(frames, rng, count=12):
    """Points near both shafts, and the bone each one is meant for."""
    f, t = frames.femur, frames.tibia
    bones = ["femur", "tibia"] * (count // 2)
    points = []
    for bone in bones:
        start, up, away = (
            (f.shaft_point, f.y, 1.0) if bone == "femur" else (t.shaft_point, t.y, -1.0)
        )
        rise = away * rng.uniform(25, 60) * up
        points.append(start + rise + rng.uniform(-20, 20) * f.z + rng.uniform(-6, 6) * f.x)
    return np.array(points), bones


def test_depth_is_that_of_a_plane_section(knee):
    """trimesh cuts the bone by the plane through the tip that holds the condylar axis."""
    knee, frames = knee
    tips, bones = inside(frames, np.random.default_rng(1))
    found = tips_of(tips, tips + BACK, knee.surfaces, frames, place(frames, SQUARE), "lateral")
    assert list(found.bones) == bones
    for tip, bone, depth in zip(tips, bones, found.depth, strict=True):
        z = frames.femur.z
        shaft = frames.femur.y if bone == "femur" else frames.tibia.y
        up = unit(shaft - (shaft @ z) * z)
        mesh = knee.surfaces[bone]
        cut = trimesh.Trimesh(mesh.vertices, mesh.faces, process=False).section(up, tip)
        reach = cut.vertices @ np.cross(up, z)
        own = 100 * (reach.max() - tip @ np.cross(up, z)) / np.ptp(reach)
        assert depth == pytest.approx(own, abs=0.01)


def test_a_square_film_shows_the_depth_and_a_turned_one_another(knee):
    """From far away a square film shows the truth; 10 degrees move a tip by its own lever."""
    knee, frames = knee
    tips, bones = inside(frames, np.random.default_rng(2), 24)
    far = {"sid": 60000.0, "sod": 50000.0}
    for rotation in (0.0, 10.0):
        placement = Placement(**{**vars(SQUARE), **far, "rotation": rotation})
        found = tips_of(
            tips, tips + BACK, knee.surfaces, frames, place(frames, placement), "lateral"
        )
        off = found.depth_shown - found.depth
        if rotation == 0.0:
            assert np.abs(off).max() < 0.2
            continue
        femur = np.array([bone == "femur" for bone in bones])
        assert abs(np.corrcoef(off[femur], found.mm[femur, 2])[0, 1]) > 0.7
        assert np.abs(off).max() > 5.0


def test_direction_and_elevation(knee):
    """An instrument along the beam is seen end on; one across it lies in the film's plane."""
    knee, frames = knee
    f = frames.femur
    camera = place(frames, Placement(**{**vars(SQUARE), "sid": 60000.0, "sod": 50000.0}))
    tips = np.stack([f.origin, f.origin, f.origin])
    backs = tips + np.stack([10 * f.z, 10 * f.x, 10 * f.x + 10 * f.z])
    found = tips_of(tips, backs, knee.surfaces, frames, camera, "lateral")
    assert found.elevation_deg == pytest.approx([90.0, 0.0, 45.0], abs=0.1)
    step = camera.project(f.origin - 10 * f.x) - camera.project(f.origin)
    for i in (1, 2):
        assert found.ahead_shown[i] @ step / np.linalg.norm(step) == pytest.approx(1.0, abs=1e-3)


def test_other_views_show_no_depth(knee):
    knee, frames = knee
    tips, _ = inside(frames, np.random.default_rng(3))
    ap = place(frames, Placement(**{**vars(SQUARE), "view": "AP"}))
    found = tips_of(tips, tips + BACK, knee.surfaces, frames, ap, "AP")
    assert np.isnan(found.depth_shown).all()
    assert np.isfinite(found.depth).all()
    far_off = tips_of(tips[:1] + 4000.0, tips[:1], knee.surfaces, frames, ap, "AP")
    assert np.isnan(far_off.depth).all()
    assert (
        len(tips_of(np.zeros((0, 3)), np.zeros((0, 3)), knee.surfaces, frames, ap, "AP").bones) == 0
    )


def test_bone_by_the_joint_line_that_is_farther_away():
    assert bone_of(30.0, -35.0) == "femur"
    assert bone_of(-25.0, 20.0) == "tibia"
    # Bent by 90 degrees a tip in the tibia may lie above the condyles, but less far.
    assert bone_of(10.0, 30.0) == "tibia"
