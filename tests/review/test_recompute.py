"""Recomputing a reading after changes: the same code as `squareon read`, the same numbers."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from review_house import desk_of, id_of
from squareon_fakes import detection_of, film_and_reading

from pipeline.contracts import Sight
from pipeline.demo import PLAIN
from pipeline.knee.detection import Hypothesis, Pose
from pipeline.knee.landmarks import names_of
from pipeline.propose.instruments import LEVER_MM, LEVER_SD_MM, instrument
from pipeline.records.schema import reading_schema
from pipeline.records.store import Store
from pipeline.registry import build
from pipeline.review.changes import Changes, changes_between
from pipeline.review.desk import Desk, Opened, Viewer, same
from pipeline.review.recompute import Base, edited, recompute, remembered

ADA = Viewer("Ada Example")
NAMES = ("pair/AP.dcm", "pair/lateral.dcm", "shot-1.dcm")


@pytest.fixture
def desk(store: Store) -> Desk:
    return desk_of(store)


def opened(desk: Desk, name: str) -> Opened:
    return desk.open(id_of(desk.store, name), ADA)


def seen(row: dict[str, Any]) -> dict[str, tuple[float, float]]:
    return {each["name"]: (each["x"], each["y"]) for each in row["landmarks"] if each["seen"]}


@pytest.mark.parametrize("name", [*NAMES, "ramp.png"])
def test_without_changes_it_is_what_was_read(desk: Desk, name: str) -> None:
    found = opened(desk, name)
    row, _ = desk.shown(found, Changes())
    assert found.faithful
    assert {k: v for k, v in row.items() if k != "made_by"}.keys() == (
        found.stored.original.keys() - {"made_by"}
    )
    assert same(row, found.stored.original)
    if name == "pair/lateral.dcm":  # its heights come from the AP film of the same knee
        assert found.partner_id == id_of(desk.store, "pair/AP.dcm")
        assert {p["heights_from"] for p in row["proposals"]} == {"partner AP film"}


@pytest.mark.parametrize("name", NAMES[:2])
def test_what_is_recomputed_is_a_reading(desk: Desk, name: str) -> None:
    jsonschema = pytest.importorskip("jsonschema")
    names = names_of("AP" if "AP" in name else "lateral")
    changes = Changes(
        {names[0]: (300.0, 300.0), names[1]: None}, True, None, "left", ((200.0, 100.0),)
    )
    row, revised = desk.shown(opened(desk, name), changes)
    jsonschema.validate(row, reading_schema())
    json.dumps(revised.drawn(), allow_nan=False)
    assert row["side"] == {"name": "left", "probability": 1.0, "from": "person"}


def test_changes_are_kept_to_the_digit(desk: Desk) -> None:
    found = opened(desk, "pair/AP.dcm")
    place = seen(found.stored.original)["medial_epicondyle"]
    moved = (place[0] + 0.25, place[1])
    row, _ = desk.shown(found, Changes({"medial_epicondyle": moved, "notch_apex": None}))
    assert seen(row)["medial_epicondyle"] == pytest.approx(moved, abs=1e-5)
    assert "notch_apex" not in seen(row)
    again = changes_between(found.stored.original, row)
    assert again == Changes({"medial_epicondyle": moved, "notch_apex": None})
    # The rest stays where the network saw it.
    was, now = seen(found.stored.original), seen(row)
    for name in was.keys() - {"medial_epicondyle", "notch_apex"}:
        assert now[name] == pytest.approx(was[name], abs=1e-4)


def test_a_small_nudge_changes_little_and_moves_the_right_way(desk: Desk) -> None:
    """Lateral film: the lateral condyle farther back means the lateral end more to the front."""
    found = opened(desk, "pair/lateral.dcm")
    start = found.stored.original["alignment"]["rotation_deg"]
    base = edited(found.base, Changes(), desk.parts)
    at = {n: base.xy[i] for i, n in enumerate(base.names)}
    forward = at["trochlea_anterior"] - at["medial_condyle_posterior"]
    forward /= np.linalg.norm(forward)
    angles = []
    for step in (-4.0, -0.25, 0.25, 4.0):
        place = at["lateral_condyle_posterior"] - step * forward
        row, _ = desk.shown(found, Changes({"lateral_condyle_posterior": tuple(place)}))
        angles.append(row["alignment"]["rotation_deg"])
    assert angles == sorted(angles)
    assert angles[-1] - angles[0] > 0.4
    assert abs(angles[1] - start) < 1.0
    assert abs(angles[2] - angles[1]) < 0.6


@pytest.mark.parametrize("view", ["AP", "lateral"])
def test_landmarks_at_the_truth_give_the_true_angles(view: str, desk: Desk) -> None:
    """A person who puts every landmark where it is gets the angles as they are."""
    off = []
    for seed in range(7100, 7104):
        options = {**PLAIN, "styles": ("radiography",), "views": (view,), "findings": {}}
        labelled = build("scenario", "knee_films", options).make(seed)
        (truth,) = labelled.knees
        (detection, *_) = desk.parts.detector.detect(labelled.film)
        if detection.view != view:
            continue
        true = {
            name: (float(xy[0]), float(xy[1]))
            for name, xy, seen_there in zip(truth.names, truth.xy, truth.seen, strict=True)
            if seen_there
        }
        base = Base(labelled.film, 0, replace(detection, direct=None))
        reading = recompute(base, Changes(true), desk.parts).reading
        assert reading.alignment is not None
        off.append(
            (
                reading.alignment.rotation_deg - truth.rotation_deg,
                reading.alignment.tilt_deg - truth.tilt_deg,
            )
        )
    assert len(off) >= 3
    assert np.abs(np.median(off, axis=0)).max() < 2.5


def test_exchanging_the_condyles_of_a_lateral_film_turns_the_angles(desk: Desk) -> None:
    found = opened(desk, "pair/lateral.dcm")
    before = found.stored.original["alignment"]
    row, _ = desk.shown(found, Changes(swap=True))
    after = row["alignment"]
    assert after["rotation_deg"] == pytest.approx(-before["rotation_deg"], abs=1.5)
    assert after["tilt_deg"] == pytest.approx(-before["tilt_deg"], abs=1.5)
    assert len(after["hypotheses"]) == 1 or after["hypotheses"][0]["probability"] > 0.5
    straight, turned = seen(found.stored.original), seen(row)
    for name, twin in (
        ("medial_condyle_distal", "lateral_condyle_distal"),
        ("fibular_head", "fibular_head"),
    ):
        assert turned[name] == pytest.approx(straight[twin], abs=1e-3)


def test_exchanging_sides_of_an_ap_film_looks_at_its_mirror_image(desk: Desk) -> None:
    found = opened(desk, "pair/AP.dcm")
    row, _ = desk.shown(found, Changes(swap=True))
    straight, turned = seen(found.stored.original), seen(row)
    assert straight["lateral_epicondyle"][0] < straight["medial_epicondyle"][0]
    assert turned["lateral_epicondyle"][0] > turned["medial_epicondyle"][0]
    assert changes_between(found.stored.original, row).swap


def test_another_view_is_read_as_a_person_says(desk: Desk) -> None:
    found = opened(desk, "pair/AP.dcm")
    row, _ = desk.shown(found, Changes(view="lateral"))
    assert row["view"] == {"name": "lateral", "probability": 1.0}
    assert [each["name"] for each in row["landmarks"]] == list(names_of("lateral"))
    assert row["alignment"] is not None
    gone, _ = desk.shown(found, Changes(view="other"))
    assert gone["alignment"] is None
    assert "another view" in gone["refused"] or "other than AP" in gone["refused"]
    blank = opened(desk, "ramp.png")
    named, _ = desk.shown(blank, Changes(view="AP"))
    assert named["view"]["name"] == "AP"
    assert len(named["landmarks"]) == len(names_of("AP"))


def test_a_reading_of_other_weights_goes_by_what_it_remembers(desk: Desk) -> None:
    found = opened(desk, "pair/AP.dcm")
    row = found.stored.original
    memory = remembered(row, found.base.film)
    base = replace(found.base, detection=memory)
    again = recompute(base, Changes(), desk.parts).row()
    for name, place in seen(row).items():
        assert seen(again)[name] == pytest.approx(place, abs=1e-4)
    for angle in ("rotation_deg", "tilt_deg"):
        # the landmarks are remembered, the network's own angles are not: both intervals count
        reach = sum(np.ptp(one["alignment"][f"{angle[:-4]}_90"]) / 2 for one in (row, again))
        assert abs(again["alignment"][angle] - row["alignment"][angle]) < reach


def test_gross_mistakes_of_the_network_take_its_own_angles_along(desk: Desk) -> None:
    found = opened(desk, "pair/AP.dcm")
    assert found.base.detection.direct is not None
    places = seen(found.stored.original)
    names = ("medial_epicondyle", "lateral_epicondyle", "notch_apex")
    far = {name: (places[name][0] + 60.0, places[name][1]) for name in names}
    two = dict(list(far.items())[:2])
    assert edited(found.base, Changes(two), desk.parts).direct is not None
    assert edited(found.base, Changes(far), desk.parts).direct is None
    row, _ = desk.shown(found, Changes(far))
    assert any("left out" in words for words in row["cautions"])


def test_depth_of_an_instrument(desk: Desk) -> None:
    """Against the outline's own crossing of a level line, found by other means than the code's."""
    found = opened(desk, "pair/lateral.dcm")
    row, revised = desk.shown(found, Changes())
    outline = np.array(revised.drawn()["outline"]["femur"])
    places = seen(row)
    low, high = (
        np.array(places[f"femoral_shaft_anterior_{h}"])
        + np.array(places[f"femoral_shaft_posterior_{h}"])
        for h in ("low", "high")
    )
    up = (high - low) / np.linalg.norm(high - low)
    middle = low / 2 + 0.4 * (high - low) / 2
    near = outline[np.abs((outline - middle) @ up) < 6.0]
    across = np.array([-up[1], up[0]])
    reach = (near - middle) @ across
    front = np.sign((np.array(places["femoral_shaft_anterior_low"]) - middle) @ across)
    ends = sorted((reach.min(), reach.max()), key=lambda v: -v * front)
    tip = middle + across * (ends[0] + 0.25 * (ends[1] - ends[0]))
    changed, revised = desk.shown(found, Changes(instruments=(tuple(tip), (5.0, 5.0))))
    one, _ = changed["found"]["instruments"]
    assert one["tip"] == pytest.approx(tip, abs=1e-4)
    assert one["depth_percent"] == pytest.approx(25.0, abs=6.0)
    lower, upper = one["depth_90"]
    shift = revised.shift_percent[0]
    assert lower < one["depth_percent"] < upper
    assert shift is not None
    assert 0 < shift < (upper - lower) / 2
    ap, _ = desk.shown(opened(desk, "pair/AP.dcm"), Changes(instruments=((200.0, 200.0),)))
    assert ap["found"]["instruments"][0]["depth_percent"] is None


def test_a_misaligned_film_widens_the_depth() -> None:
    """Against 20000 drawn levers and angles: 90 % of the shifts lie within twice the share."""
    facts = {"view": "lateral"}
    film, _ = film_and_reading(None, **facts)
    detection = detection_of(film, facts)
    xy = np.array(detection.xy)
    at = {name: i for i, name in enumerate(detection.names)}
    for name, place in {
        "femoral_shaft_anterior_low": (80, 100),
        "femoral_shaft_anterior_high": (80, 40),
        "femoral_shaft_posterior_low": (140, 100),
        "femoral_shaft_posterior_high": (140, 40),
        "medial_condyle_distal": (95, 200),
        "lateral_condyle_distal": (95, 200),
        "medial_condyle_posterior": (95, 170),
        "lateral_condyle_posterior": (95, 170),
        "trochlea_anterior": (70, 170),
    }.items():
        xy[at[name]] = place
    detection = replace(detection, xy=xy)
    mm = film.scale.mm_per_px_knee

    def share_of(degrees: float) -> float:
        pose = Pose((Hypothesis(degrees, 1.0, 0.0, 1.0, 1.0),), 0.0, 5.0, None, 100.0)
        sight = Sight(film, detection, pose, "right", 5.0, 0.0)
        found, share = instrument(sight, np.array([95.0, 70.0]), 0.5)
        assert found.depth_percent == pytest.approx(25.0)
        low, high = found.depth_90
        assert share is not None
        assert (high - low) / 2 > share
        return share

    rng = np.random.default_rng(0)
    lever = rng.choice([-1, 1], 20000) * rng.normal(LEVER_MM, LEVER_SD_MM, 20000) / mm
    for degrees in (0.0, 3.0, -12.0):
        shift = 100.0 * lever * np.tan(np.radians(rng.normal(degrees, 1.0, 20000))) / 60.0
        low, high = np.percentile(shift, [5, 95])
        # Five places stand for a normal error: its tails are a tenth short.
        assert share_of(degrees) == pytest.approx((high - low) / 2, rel=0.12)
    assert share_of(0.0) < share_of(3.0) < share_of(12.0)
    assert share_of(12.0) == pytest.approx(share_of(-12.0), rel=1e-6)
