"""Three-way merge: what either person changed is kept; what both changed is a person's choice."""

from __future__ import annotations

import copy
from typing import Any

from hypothesis import given
from hypothesis import strategies as st
from store_cases import moved, reading_row, x_of

from pipeline.records.store import merge

BASE = reading_row()
NAMES = [landmark["name"] for landmark in BASE["landmarks"]]
INSTRUMENT = {"tip": [10.0, 20.0], "depth_percent": None, "depth_90": None}

edits = st.fixed_dictionaries(
    {},
    optional={
        **{name: st.sampled_from([1.0, 2.0, None]) for name in NAMES[:5]},
        "view": st.sampled_from(["AP", "lateral"]),
        "side": st.sampled_from(["right", "left"]),
        "instruments": st.sampled_from([1, 2]),
        "added": st.sampled_from([1.0, 2.0]),
    },
)


def edited(edit: dict[str, Any]) -> dict[str, Any]:
    """BASE after one person's edits; None = not seen."""
    reading = copy.deepcopy(BASE)
    for name, value in edit.items():
        if name == "added":
            reading["landmarks"].append({**reading["landmarks"][0], "name": "extra", "x": value})
        elif name == "instruments":
            reading["found"]["instruments"] = [INSTRUMENT] * value
        elif name in ("view", "side"):
            reading[name] = {**reading[name], "name": value, "probability": 1.0}
        else:
            for landmark in reading["landmarks"]:
                if landmark["name"] == name:
                    landmark.update(x=value, seen=value is not None)
                    if value is None:
                        landmark.update(y=None)
    return reading


def says(reading: dict[str, Any]) -> dict[str, Any]:
    """What a person set, in a plain form that owes nothing to the merge's own code."""
    said = {f"landmark {mark['name']}": (mark["x"], mark["y"]) for mark in reading["landmarks"]}
    said |= {"view": reading["view"]["name"], "side": reading["side"]["name"]}
    return said | {"instruments": len(reading["found"]["instruments"])}


@given(edits, edits)
def test_nothing_that_one_person_did_is_lost(mine: dict, theirs: dict) -> None:
    result = merge(BASE, edited(mine), edited(theirs))
    base, my, their, merged = (
        says(BASE),
        says(edited(mine)),
        says(edited(theirs)),
        says(result.merged),
    )
    for part in merged:
        was, a, b = (said.get(part) for said in (base, my, their))
        clash = a != was and b != was and a != b
        assert (part in {change.part for change in result.clashes}) == clash
        expected = b if clash or a == was else a
        assert merged[part] == expected, part
    assert set(merged) == set(base) | set(my) | set(their)
    assert result.recompute == (merged not in (my, their))


@given(edits, edits)
def test_the_preferred_one_wins_a_clash_and_only_that(mine: dict, theirs: dict) -> None:
    a, b = edited(mine), edited(theirs)
    assert merge(a, a, b).merged == b
    there = merge(BASE, a, b, prefer="mine")
    back = merge(BASE, b, a, prefer="theirs")
    assert says(there.merged) == says(back.merged)
    assert {c.part for c in there.mine} == {c.part for c in back.theirs}
    assert {c.part for c in there.both} == {c.part for c in back.both}


@given(edits)
def test_one_person_alone_needs_no_merge(mine: dict) -> None:
    reading = edited(mine)
    result = merge(BASE, reading, BASE)
    assert says(result.merged) == says(reading)
    assert not result.clashes
    assert not result.recompute


def test_inputs_stay_as_they_are() -> None:
    a, b = edited({NAMES[0]: 1.0}), edited({NAMES[1]: 2.0})
    before = copy.deepcopy((BASE, a, b))
    result = merge(BASE, a, b)
    assert (BASE, a, b) == before
    assert (x_of(result.merged, NAMES[0]), x_of(result.merged, NAMES[1])) == (1.0, 2.0)
    (change,) = result.mine
    assert change.part == f"landmark {NAMES[0]}"
    assert (change.base["x"], change.mine["x"]) == (100.0, 1.0)
    assert result.recompute
    assert moved(BASE) == BASE
