"""Implants, hardware, instruments: closed, outside one another, and truth that fits the film."""

import time

import numpy as np
import pytest

from pipeline.contracts import AnatomyRequest, Finding
from pipeline.knee.frames import frames_of
from pipeline.knee.landmarks import BY_NAME
from pipeline.registry import build
from synthetic_data.physics.beam import materials_known
from synthetic_data.placement import Placement, place, truth_of
from synthetic_data.render.raster import SignedDepthRasteriser

METAL = ("arthroplasty", "nail", "plate", "screws", "procedure")

PLAIN = Placement(
    view="AP",
    rotation=3.0,
    tilt=-2.0,
    roll=4.0,
    source_at_near_end=True,
    lateral_to_right=False,
    sid=1100.0,
    sod=1000.0,
    off_centre=(0.0, 0.0),
    field_mm=(240.0, 260.0),
    knee_at=None,
    pixel_mm=0.4,
)
VIEWS = {"AP": 6.0, "lateral": 40.0}


@pytest.fixture(scope="module")
def knees():
    source = build("anatomy", "shape_model", {})
    return {
        (view, seed): source.sample(
            np.random.default_rng(seed), AnatomyRequest(flexion_deg=flexion)
        )
        for view, flexion in VIEWS.items()
        for seed in range(3)
    }


def applied(name, knee, seed=5):
    return build("finding", name, {}).apply(knee, np.random.default_rng(seed))


def closed(mesh):
    f = mesh.faces.astype(np.int64)
    edges = np.concatenate([f[:, [0, 1]], f[:, [1, 2]], f[:, [2, 0]]])
    code = edges[:, 0] * 10**7 + edges[:, 1]
    back = edges[:, 1] * 10**7 + edges[:, 0]
    return len(np.unique(code)) == len(code) and np.isin(back, code).all()


@pytest.mark.parametrize("name", METAL)
def test_it_is_a_finding_made_of_closed_bodies(name, knees):
    finding = build("finding", name, {})
    assert isinstance(finding, Finding)
    for knee in knees.values():
        for seed in range(4):
            got = finding.apply(knee, np.random.default_rng(seed))
            assert got.solids
            for key, solid in got.solids.items():
                assert closed(solid.mesh), key
                assert np.isfinite(solid.mesh.vertices).all(), key
                assert solid.material in materials_known()
                bones = {*got.bones, *(f"{bone}_marrow" for bone in got.marrow)}
                assert solid.within in {None, "muscle", "skin", *bones}
                assert solid.kind in ("implant", "hardware", "instrument", "thing")
            for bone, mesh in got.bones.items():
                assert np.array_equal(mesh.faces, knee.bones[bone].faces)
            new = {k: v for k, v in got.facts.items() if k not in knee.facts}
            assert new
            assert all(k.startswith(f"{name}_") for k in new)
            assert all(isinstance(v, float | str) for v in new.values())


@pytest.mark.parametrize("name", METAL)
def test_the_same_generator_gives_the_same_metal(name, knees):
    knee = knees["AP", 0]
    one, two = applied(name, knee), applied(name, knee)
    assert one.facts == two.facts
    assert one.solids.keys() == two.solids.keys()
    for key in one.solids:
        assert np.array_equal(one.solids[key].mesh.vertices, two.solids[key].mesh.vertices)


@pytest.mark.parametrize("name", METAL)
@pytest.mark.parametrize("view", ["AP", "lateral"])
def test_truth_lies_on_the_outlines_of_what_is_measured(name, view, knees):
    """Outlines are rendered, not projected: an independent way to the same place."""
    for seed in range(3):
        knee = applied(name, knees[view, seed], seed)
        frames = frames_of(knee.surfaces)
        camera = place(frames, Placement(**{**vars(PLAIN), "view": view}))
        truth = truth_of(knee, frames, camera, view, side="right", facts={})
        assert np.isfinite(truth.xy).all()
        assert np.isfinite(truth.normal).all()
        assert not set(np.asarray(truth.names)[truth.seen]) & knee.hidden
        surfaces = knee.surfaces
        shade = {
            bone: length > 0
            for bone, length in zip(
                surfaces,
                SignedDepthRasteriser().path_lengths(list(surfaces.values()), camera),
                strict=True,
            )
        }
        for landmark, xy, normal, seen in zip(
            truth.names, truth.xy, truth.normal, truth.seen, strict=True
        ):
            if not seen or BY_NAME[landmark].kind != "contour" or landmark == "notch_apex":
                continue
            inside, outside = xy - 4 * normal, xy + 4 * normal
            bone = shade[BY_NAME[landmark].bone]
            if not all((p >= 0).all() and (p < bone.shape[::-1]).all() for p in (inside, outside)):
                continue
            # A hair's breadth of bone may lie along a thin rim: somewhere within 4 pixels.
            steps = xy - np.linspace(0.5, 4, 8)[:, None] * normal
            hits = [bone[tuple(np.round(p[::-1]).astype(int))] for p in steps]
            assert any(hits), (landmark, seed)
            if "condyle_distal" in landmark or "posterior" in landmark:
                continue  # the other condyle's shade may reach further
            if "flare" not in landmark:
                assert not bone[tuple(np.round(outside[::-1]).astype(int))], (landmark, seed)


@pytest.mark.parametrize("name", ["nail", "plate", "screws", "arthroplasty"])
def test_metal_is_put_in_once(name, knees):
    knee = applied("arthroplasty", knees["AP", 0])
    assert applied(name, knee) is knee


def test_truth_says_what_was_found(knees):
    for name, found in (
        ("arthroplasty", {"implant": 1.0, "hardware": 0.0}),
        ("screws", {"implant": 0.0, "hardware": 1.0}),
        ("procedure", {"implant": 0.0, "hardware": 0.0}),
    ):
        knee = applied(name, knees["AP", 1])
        frames = frames_of(knee.surfaces)
        truth = truth_of(knee, frames, place(frames, PLAIN), "AP", side="right", facts={})
        assert truth.found == found


def test_the_insert_is_as_thick_as_recorded(knees):
    """Measured on vertices: the cap's lowest points above the tray's top."""
    for (_, seed), knee in knees.items():
        got = applied("arthroplasty", knee, seed)
        tray = got.solids["tibial_tray"].mesh.vertices
        ring = tray[1:-1]
        upper = ring[len(ring) // 2 :]
        other = ring[: len(ring) // 2]
        middle = upper.mean(axis=0)
        normal = np.linalg.svd(upper - middle)[2][2]
        up = middle - other.mean(axis=0)
        if up @ (got.solids["femoral_component"].mesh.vertices.mean(axis=0) - middle) < 0:
            middle, up = other.mean(axis=0), -up
        normal = normal if normal @ up > 0 else -normal
        heights = (got.solids["femoral_component"].mesh.vertices - middle) @ normal
        assert heights.min() == pytest.approx(got.facts["arthroplasty_insert_mm"], abs=0.05)
        # Both condyles stand on it.
        across = got.solids["femoral_component"].mesh.vertices @ frames_of(got.surfaces).tibia.z
        side = across < across.mean()
        assert heights[side].min() == pytest.approx(heights[~side].min(), abs=0.3)


def test_replaced_bone_stays_behind_the_metal(knees):
    """No bone shows below the cap or above the tray."""
    for (_, seed), knee in knees.items():
        got = applied("arthroplasty", knee, seed)
        f, t = frames_of(knee.bones).femur, frames_of(got.surfaces).tibia
        cap = got.solids["femoral_component"].mesh.vertices
        bone = got.bones["femur"].vertices
        assert (bone @ f.y).min() > (cap @ f.y).min() + 4.0
        tray = got.solids["tibial_tray"].mesh.vertices
        assert (got.bones["tibia"].vertices @ t.y).max() < (tray @ t.y).max() + 0.5
        assert got.hidden >= {"medial_spine", "lateral_spine", "notch_apex"}


def test_tips_are_where_the_metal_ends(knees):
    """Along its own line a tip is the last point of its cannula, on the film as well."""
    for (view, seed), knee in knees.items():
        got = applied("procedure", knee, seed)
        cannulas = [s.mesh for key, s in got.solids.items() if key.endswith("_cannula")]
        assert len(cannulas) == len(got.tips) > 0
        frames = frames_of(got.surfaces)
        camera = place(frames, Placement(**{**vars(PLAIN), "view": view}))
        for mesh, tip in zip(cannulas, got.tips, strict=True):
            xy = camera.project(mesh.vertices)
            end = camera.project(tip)
            away = xy.mean(axis=0) - end
            if np.linalg.norm(away) < 20:
                continue  # seen end on
            away /= np.linalg.norm(away)
            assert ((xy - end) @ away).min() == pytest.approx(0.0, abs=1.5)


def test_nothing_goes_in_on_the_inferolateral_side(knees):
    """Below the joint line no cannula lies lateral of the tibia's middle."""
    finding = build("finding", "procedure", {})
    for knee in knees.values():
        t = frames_of(knee.bones).tibia
        for seed in range(12):
            got = finding.apply(knee, np.random.default_rng(seed))
            for key, solid in got.solids.items():
                if key.endswith("_cannula"):
                    tip = solid.mesh.vertices[0] - t.centre
                    assert not (tip @ t.y < -5 and tip @ t.z > 0), (key, seed)


@pytest.mark.parametrize("name", METAL)
def test_it_is_quick(name, knees):
    finding = build("finding", name, {})
    spent = []
    for seed in range(5):
        start = time.process_time()
        finding.apply(knees["AP", 0], np.random.default_rng(seed))
        spent.append(time.process_time() - start)
    assert min(spent) < 0.15


def test_what_lies_about_is_outside_the_limb_and_hardly_attenuates(knees):
    """Table, tubing, towels and pillow: bodies outside the skin, worth a few mm of plastic."""
    shares = dict.fromkeys(("towel_share", "pillow_share", "tubing_share", "table_share"), 1.0)
    finding = build("finding", "procedure", shares)
    for (view, seed), knee in knees.items():
        got = finding.apply(knee, np.random.default_rng(seed))
        things = {
            key: solid
            for key, solid in got.solids.items()
            if key.split("_")[0] in ("towel", "pillow", "tubing", "table")
        }
        assert {key.split("_")[0] for key in things} == {"towel", "pillow", "tubing", "table"}
        assert all(solid.within is None and solid.kind == "thing" for solid in things.values())
        f = frames_of(got.surfaces).femur
        table = things["table_top"].mesh.vertices
        assert ((table - f.origin) @ f.x).mean() < -60
        camera = place(frames_of(got.surfaces), Placement(**{**vars(PLAIN), "view": view}))
        lengths = build("renderer", "signed_depth", {}).path_lengths(
            [solid.mesh for solid in things.values()], camera
        )
        assert min(float(length.min()) for length in lengths) > -1e-3
        if view == "AP":
            # From the front every sheet is crossed once, at a slant at most.
            assert sum(float(np.median(length)) for length in lengths) < 12
