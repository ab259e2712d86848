"""Placement, truth and whole films: asked against measured, truth against rendered outlines."""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from pipeline.contracts import AnatomyRequest
from pipeline.knee.angles import angles_of, roll_of, up_on_film
from pipeline.knee.frames import frames_of
from pipeline.knee.landmarks import BY_NAME
from pipeline.registry import build
from synthetic_data.film_formation.distortion import Distortion
from synthetic_data.placement import Placement, draw_placement, place, truth_of
from synthetic_data.scenarios import KneeFilms

PLAIN = Placement(
    view="AP",
    rotation=0.0,
    tilt=0.0,
    roll=0.0,
    source_at_near_end=True,
    lateral_to_right=False,
    sid=1100.0,
    sod=1000.0,
    off_centre=(0.0, 0.0),
    field_mm=(240.0, 260.0),
    knee_at=None,
    pixel_mm=0.4,
)


@pytest.fixture(scope="module")
def knees():
    source = build("anatomy", "shape_model", {})
    made = {}
    for flexion in (5.0, 40.0):
        knee = source.sample(
            np.random.default_rng(int(flexion)), AnatomyRequest(flexion_deg=flexion)
        )
        made[flexion] = (knee, frames_of(knee.bones))
    return made


@pytest.mark.parametrize("view", ["AP", "lateral"])
@pytest.mark.parametrize("near", [True, False])
@pytest.mark.parametrize("to_right", [True, False])
def test_the_beam_stands_where_it_was_asked_to(knees, view, near, to_right):
    _, frames = knees[5.0]
    asked = replace(
        PLAIN,
        view=view,
        rotation=7.0,
        tilt=-4.0,
        roll=12.0,
        source_at_near_end=near,
        lateral_to_right=to_right,
    )
    camera = place(frames, asked)
    angles = angles_of(frames, camera, view)
    assert angles.rotation == pytest.approx(7.0, abs=1e-6)
    # The AP tilt is asked of the femur's ray and measured on the tibia's, some 20 mm away.
    assert angles.tilt == pytest.approx(-4.0, abs=1e-6 if view == "lateral" else 2.0)
    assert roll_of(up_on_film(frames, camera)) == pytest.approx(12.0, abs=1e-6)
    # The shaft itself leans against Y_f: about 9 degrees on AP (90 - 81, Paley 2002).
    lean = abs(angles.roll - 12.0)
    assert (4 < lean < 14) if view == "AP" else lean < 4
    axis = frames.femur.z if view == "AP" else frames.femur.x
    ends = camera.project(np.stack([frames.femur.origin, frames.femur.origin + 20 * axis]))
    assert (ends[1, 0] > ends[0, 0]) == to_right
    assert np.allclose(camera.project(frames.femur.origin), camera.principal, atol=1e-6)


def test_off_centre_is_the_distance_from_the_central_ray(knees):
    _, frames = knees[5.0]
    camera = place(frames, replace(PLAIN, off_centre=(17.0, 0.0), sod=850.0, sid=1000.0))
    angles = angles_of(frames, camera, "AP")
    assert angles.rotation == pytest.approx(0.0, abs=1e-6)
    assert abs(angles.off_centre[0]) == pytest.approx(1.15, abs=0.05)


@pytest.mark.parametrize("view", ["AP", "lateral"])
def test_contour_landmarks_lie_on_the_rendered_outline(knees, view):
    """The renderer knows nothing of landmarks: its silhouette is an independent reference."""
    renderer = build("renderer", "signed_depth", {})
    on_outline = {
        "femur": [
            "medial_femoral_flare",
            "lateral_femoral_flare",
            "notch_apex",
            "medial_epicondyle",
            "lateral_epicondyle",
            "femoral_shaft_medial_low",
            "femoral_shaft_anterior_low",
            "femoral_shaft_posterior_low",
            "trochlea_anterior",
        ],
        "tibia": ["medial_tibial_flare", "tibial_shaft_medial_low", "tibial_shaft_anterior_high"],
        "patella": ["patella_superior", "patella_inferior", "patella_medial"],
    }
    for knee, frames in knees.values():
        camera = place(frames, replace(PLAIN, view=view, rotation=4.0, tilt=3.0, roll=-8.0))
        truth = truth_of(knee, frames, camera, view, side="right", facts={})
        at = dict(zip(truth.names, truth.xy, strict=True))
        for bone, names in on_outline.items():
            path = renderer.path_lengths([knee.bones[bone]], camera)[0]
            outside = cv2.distanceTransform((path <= 0).astype(np.uint8), cv2.DIST_L2, 5)
            inside = cv2.distanceTransform((path > 0).astype(np.uint8), cv2.DIST_L2, 5)
            for name in names:
                if name not in at or not truth.seen[truth.names.index(name)]:
                    continue
                x, y = np.round(at[name]).astype(int)
                distance = max(outside[y, x], inside[y, x])
                assert distance < 2.5, (view, name, distance)
        # The further condyle reaches exactly as far as the silhouette of the whole femur.
        path = renderer.path_lengths([knee.bones["femur"]], camera)[0]
        rows, columns = np.nonzero(path > 0)
        up = truth.up
        lowest = (np.stack([columns, rows], axis=1) @ up).min()
        found = min(at["medial_condyle_distal"] @ up, at["lateral_condyle_distal"] @ up)
        assert found == pytest.approx(lowest, abs=1.0)


def test_fixed_landmarks_have_no_normal_and_contours_have(knees):
    knee, frames = knees[5.0]
    for view in ("AP", "lateral"):
        camera = place(frames, replace(PLAIN, view=view))
        truth = truth_of(knee, frames, camera, view, side="right", facts={})
        length = np.linalg.norm(truth.normal, axis=1)
        fixed = np.array([BY_NAME[name].kind == "fixed" for name in truth.names])
        assert np.allclose(length[fixed], 0)
        assert np.allclose(length[~fixed], 1)


def test_a_mirrored_film_has_mirrored_landmarks(knees):
    knee, frames = knees[5.0]
    one = place(frames, replace(PLAIN, rotation=5.0))
    two = one.mirrored()
    a = truth_of(knee, frames, one, "AP", side="right", facts={})
    b = truth_of(knee, frames, two, "AP", side="left", facts={})
    assert np.allclose(a.xy[:, 1], b.xy[:, 1])
    assert np.allclose(a.xy[:, 0], one.columns - 1 - b.xy[:, 0])
    assert b.rotation_deg == pytest.approx(a.rotation_deg)


def test_positive_rotation_puts_the_lateral_condyle_behind(knees):
    """definitions: lateral rotation positive = lateral condyle posterior to the medial one."""
    knee, frames = knees[40.0]
    truths = [
        truth_of(
            knee,
            frames,
            place(frames, replace(PLAIN, view="lateral", rotation=r, tilt=t)),
            "lateral",
            side="right",
            facts={},
        )
        for r, t in ((8.0, 0.0), (0.0, 8.0))
    ]
    at = [dict(zip(t.names, t.xy, strict=True)) for t in truths]
    # The patella faces smaller x, so posterior is larger x; distal is larger y (roll 0).
    apart = at[0]["lateral_condyle_posterior"] - at[0]["medial_condyle_posterior"]
    assert apart[0] > 4 / 0.4
    apart = at[1]["lateral_condyle_distal"] - at[1]["medial_condyle_distal"]
    assert apart[1] > 4 / 0.4


def test_patella_moves_medially_when_the_limb_turns_inward(knees):
    knee, frames = knees[5.0]
    places = {}
    for rotation in (-10.0, 10.0):
        camera = place(frames, replace(PLAIN, rotation=rotation))
        t = truth_of(knee, frames, camera, "AP", side="right", facts={})
        at = dict(zip(t.names, t.xy, strict=True))
        middle = (at["medial_epicondyle"] + at["lateral_epicondyle"]) / 2
        centre = (at["patella_medial"] + at["patella_lateral"]) / 2
        places[rotation] = (centre - middle)[0]
    # lateral is toward smaller x: medial is larger x
    assert places[10.0] > places[-10.0] + 5 / 0.4


def test_the_same_seed_is_the_same_film():
    one, two = KneeFilms(max_px=200).make(7), KneeFilms(max_px=200).make(7)
    assert one.film.sha256 == two.film.sha256
    assert KneeFilms(max_px=200).make(8).film.sha256 != one.film.sha256
    assert one.knees[0].rotation_deg == two.knees[0].rotation_deg


def test_films_are_as_asked_for():
    films = [KneeFilms(max_px=160, views=("lateral",), styles=("c_arm",)).make(s) for s in range(6)]
    for made in films:
        assert made.film.pixels.min() >= 0
        assert made.film.pixels.max() <= 1
        assert np.isfinite(made.film.pixels).all()
        assert all(k.view in ("lateral", "other") for k in made.knees)
        assert all(k.facts["style"] == "c_arm" for k in made.knees)


def test_two_knees_on_a_film_are_two_truths():
    scenario = KneeFilms(
        views=("AP",), styles=("radiography",), two_knees_share=1.0, other_share=0, no_knee_share=0
    )
    made = [scenario.make(s) for s in range(6)]
    pairs = [m.knees for m in made if len(m.knees) == 2]
    assert pairs
    for one, two in pairs:
        assert one.side != two.side
        # The lateral sides of a pair look away from each other.
        assert (one.centre[0] < two.centre[0]) == (not one.lateral_to_right)
        assert one.lateral_to_right != two.lateral_to_right


def test_placements_leave_room_for_the_knee():
    rng = np.random.default_rng(0)
    for style in ("radiography", "c_arm", "scanned_film"):
        for _ in range(200):
            drawn = draw_placement(rng, "AP", style, 640)
            assert max(drawn.field_mm) / drawn.pixel_mm <= 641
            assert drawn.sod < drawn.sid


def test_knees_are_shared_within_a_run_of_seeds_and_nowhere_else():
    """Seeds 8 to 11 with four films a knee show one knee; it is that of seed 8 alone, not 2."""
    few = KneeFilms(max_px=120, films_per_knee=4, other_share=0, no_knee_share=0)
    one = KneeFilms(max_px=120, other_share=0, no_knee_share=0)
    widths = [few.make(seed).knees[0].width_mm for seed in (8, 9, 11)]
    assert widths == [pytest.approx(one.make(8).knees[0].width_mm)] * 3
    assert few.make(12).knees[0].width_mm != pytest.approx(widths[0])
    assert one.make(2).knees[0].width_mm != pytest.approx(widths[0])


@pytest.mark.parametrize("view", ["AP", "lateral"])
def test_distorted_truth_lies_on_the_distorted_outline(knees, view):
    """The film goes through the map as a picture, the landmarks as points: they must agree."""
    knee, frames = knees[5.0]
    camera = place(frames, replace(PLAIN, view=view, rotation=4.0, tilt=3.0, roll=-8.0))
    distortion = Distortion((camera.columns / 2 + 9, camera.rows / 2 - 14), 300.0, 0.09, 4.0)
    plain = truth_of(knee, frames, camera, view, side="right", facts={})
    truth = truth_of(knee, frames, camera, view, side="right", facts={}, distortion=distortion)
    assert (truth.rotation_deg, truth.tilt_deg) == (plain.rotation_deg, plain.tilt_deg)
    assert np.abs(truth.xy - plain.xy).max() > 5
    renderer = build("renderer", "signed_depth", {})
    lengths = renderer.path_lengths([knee.bones[b] for b in ("femur", "tibia", "patella")], camera)
    maps = [distortion.picture(np.asarray(length) + np.float32(1e-3)) for length in lengths]
    checked = 0
    for name, xy, normal, seen in zip(truth.names, truth.xy, truth.normal, truth.seen, strict=True):
        field = np.hypot(*(xy - distortion.centre)) < 300
        if not seen or not field or not normal.any() or name == "notch_apex":
            continue
        bone = next((b for b in ("femur", "tibia", "patella") if b[:5] in name), None)
        if bone is None and ("condyle" in name or "trochlea" in name):
            bone = "femur"
        if bone is None:
            continue
        if "condyle" in name:
            swap = {"medial": "lateral", "lateral": "medial"}[name.split("_")[0]]
            other = truth.xy[truth.names.index(f"{swap}_{name.split('_', 1)[1]}")]
            if (other - xy) @ normal > -1:
                continue
        # Across the outline the bone begins within two pixels of the landmark; of two
        # condyles only the one that reaches further is on the outline.
        steps = np.arange(-4, 4.25, 0.25)
        line = (xy + steps[:, None] * normal).astype(np.float32)
        across = cv2.remap(
            maps[("femur", "tibia", "patella").index(bone)],
            line[None, :, 0], line[None, :, 1], cv2.INTER_LINEAR,
        )[0]  # fmt: skip
        if across[-1] > 0.5:
            continue
        checked += 1
        edge = steps[np.flatnonzero(across > 0.5)[-1]]
        assert abs(edge) < 1.6, (name, edge)
    assert checked >= 8
    # Directions and scale at the knee, by small differences of the map itself.
    f = frames.femur
    ends = distortion.forward(camera.project(np.stack([f.origin, f.origin + 0.01 * f.y])))
    assert truth.up == pytest.approx(
        (ends[1] - ends[0]) / np.linalg.norm(ends[1] - ends[0]), abs=1e-5
    )
    assert truth.centre == pytest.approx(ends[0])
    assert truth.mm_per_px_knee < plain.mm_per_px_knee
    assert truth.roll_deg == pytest.approx(plain.roll_deg, abs=5)
    assert truth.roll_deg != plain.roll_deg
