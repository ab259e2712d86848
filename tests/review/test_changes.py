"""Changes: what a page may send, and finding them again between two versions of a reading."""

from __future__ import annotations

import copy
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.knee.errors import Problem
from pipeline.knee.landmarks import names_of
from pipeline.review.changes import Changes, changes_between, changes_of, swapped_name

PLACE = st.tuples(st.floats(-50, 4000), st.floats(-50, 4000)).map(
    lambda p: (round(p[0], 3), round(p[1], 3))
)


def reading(view: str) -> dict[str, Any]:
    """A reading with every landmark of its view in a place of its own."""
    landmarks = []
    for number, name in enumerate(names_of("AP" if view == "AP" else "lateral")):
        side = 300.0 if "lateral" in name else 0.0
        landmarks.append({"name": name, "x": side + 7.0 * number, "y": 11.0 * number, "seen": True})
    return {
        "view": {"name": view, "probability": 0.9},
        "side": {"name": "right", "probability": 0.9, "from": "image"},
        "landmarks": landmarks,
        "found": {"implant": None, "hardware": None, "instruments": []},
    }


def applied(row: dict[str, Any], changes: Changes) -> dict[str, Any]:
    """What a reading looks like after changes, written down from their meaning."""
    made = copy.deepcopy(row)
    if changes.swap:
        at = {each["name"]: (each["x"], each["y"]) for each in row["landmarks"]}
        for each in made["landmarks"]:
            each["x"], each["y"] = at[swapped_name(each["name"])]
    for each in made["landmarks"]:
        if each["name"] in changes.landmarks:
            place = changes.landmarks[each["name"]]
            each["seen"] = place is not None
            each["x"], each["y"] = place if place is not None else (None, None)
    if changes.side:
        made["side"]["name"] = changes.side
    if changes.instruments is not None:
        made["found"]["instruments"] = [{"tip": list(tip)} for tip in changes.instruments]
    return made


@given(
    view=st.sampled_from(["AP", "lateral"]),
    swap=st.booleans(),
    side=st.sampled_from([None, "left"]),
    tips=st.none() | st.lists(PLACE, min_size=1, max_size=3),
    data=st.data(),
)
def test_changes_are_found_again(
    view: str, swap: bool, side: Any, tips: Any, data: st.DataObject
) -> None:
    """Up to a third of the landmarks moved or hidden, on a lateral also with an exchange."""
    swap = swap and view == "lateral"
    names = st.sampled_from(names_of("AP" if view == "AP" else "lateral"))
    moved = data.draw(st.dictionaries(names, st.none() | PLACE, max_size=3))
    before = reading(view)
    changes = Changes(moved, swap, None, side, None if tips is None else tuple(tips))
    after = applied(before, changes)
    found = changes_between(before, after)
    assert (found.swap, found.side, found.view) == (swap, side, None)
    assert found.instruments == changes.instruments
    assert applied(before, found) == after


def test_an_exchange_on_ap_turns_the_knee() -> None:
    before = reading("AP")
    after = copy.deepcopy(before)
    for each in after["landmarks"]:
        each["x"] = 1000.0 - each["x"]
    assert changes_between(before, after).swap
    assert not changes_between(before, before).swap


def test_another_view_keeps_all_that_is_seen_there() -> None:
    found = changes_between(reading("AP"), reading("lateral"))
    assert found.view == "lateral"
    assert set(found.landmarks) == set(names_of("lateral"))
    gone = {**reading("AP"), "view": {"name": "other", "probability": 1.0}, "landmarks": []}
    assert changes_between(reading("AP"), gone) == Changes(view="other")


def test_there_and_back() -> None:
    sent = {
        "landmarks": {"fibular_head": [1.25, 2.5], "notch_apex": None},
        "swap": True,
        "view": "AP",
        "side": "left",
        "instruments": [[3.0, 4.0]],
    }
    changes = changes_of(sent)
    assert changes.as_dict() == sent
    assert changes_of({}) == Changes()
    assert Changes().none
    assert not changes.none


@pytest.mark.parametrize(
    ("sent", "word"),
    [
        ([], "no object"),
        ({"angles": 3}, "'angles' is no change"),
        ({"view": "PA"}, "no valid value"),
        ({"side": 1}, "no valid value"),
        ({"swap": "yes"}, "no valid value"),
        ({"landmarks": {"elbow": [1, 2]}}, "'elbow' is no landmark"),
        ({"landmarks": {"fibular_head": [1]}}, "not two numbers"),
        ({"landmarks": {"fibular_head": [1, True]}}, "not two numbers"),
        ({"landmarks": {"fibular_head": ["1", "2"]}}, "not two numbers"),
        ({"landmarks": {"fibular_head": [1, float("nan")]}}, "ordinary numbers"),
        ({"landmarks": {"fibular_head": [1, 1e9]}}, "ordinary numbers"),
        ({"landmarks": []}, None),
        ({"landmarks": [1]}, "no collection"),
        ({"instruments": {"a": 1}}, "no collection"),
        ({"instruments": [[0, 0]] * 13}, "more than 12"),
    ],
)
def test_what_cannot_be_meant_is_refused(sent: Any, word: str | None) -> None:
    if word is None:
        assert changes_of(sent) == Changes()
        return
    with pytest.raises(Problem, match=word):
        changes_of(sent)


def test_twins() -> None:
    assert swapped_name("medial_condyle_distal") == "lateral_condyle_distal"
    assert swapped_name("femoral_shaft_lateral_low") == "femoral_shaft_medial_low"
    assert swapped_name("patella_medial") == "patella_lateral"
    for alone in ("fibular_head", "medial_tibial_flare", "femoral_shaft_anterior_low"):
        assert swapped_name(alone) == alone
