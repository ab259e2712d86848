"""Decisions through the server: what is stored, who sees what, conflicts."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from review_house import House, desk_of, id_of

from pipeline.records.store import Store
from pipeline.review.changes import Changes
from pipeline.review.desk import Viewer, same

BEN = "Ben Example"
ADA = Viewer("Ada Example")
MOVED = {"medial_epicondyle": [350.25, 280.5]}


@pytest.fixture
def id(store: Store) -> int:
    return id_of(store, "pair/AP.dcm")


def decide(house: House, id: int, kind: str, revision: int, **words: Any) -> Any:
    who, role = words.pop("who", "Ada Example"), words.pop("role", "first")
    body = {"expected_revision": revision, "kind": kind, "changes": {}, **words}
    return house.call(f"/api/decide/{id}", body, who=who, role=role)


def test_accept_keeps_the_original(house: House, store: Store, id: int) -> None:
    answer = decide(house, id, "accept", 1)
    assert (answer.status, answer.json["state"]) == (200, "accepted")
    stored = store.reading(id)
    assert stored.decision is not None
    assert (stored.decision.kind, stored.decision.who) == ("accept", "Ada Example")
    assert stored.current == stored.original
    assert not store.verify()


def test_accept_with_changes_is_computed_by_the_server(house: House, store: Store, id: int) -> None:
    """What is stored is the recomputation; a page has no way to send numbers of its own."""
    expected = desk_of(store).recompute(id, Changes({"medial_epicondyle": (350.25, 280.5)}), ADA)
    answer = decide(house, id, "accept", 1, changes={"landmarks": MOVED})
    assert (answer.status, answer.json["state"]) == (200, "changed")
    stored = store.reading(id)
    assert same(stored.current, expected["shown"])
    assert not same(stored.current, stored.original)
    mark = next(m for m in stored.current["landmarks"] if m["name"] == "medial_epicondyle")
    assert (mark["x"], mark["y"]) == (350.25, 280.5)
    assert stored.original["film"] == stored.current["film"]
    again = house.call(f"/api/reading/{id}").json
    assert again["changes"]["landmarks"] == MOVED
    forged = {"expected_revision": 2, "kind": "accept", "changes": {}, "final": {"alignment": 0}}
    assert house.call(f"/api/decide/{id}", forged).status == 422


def test_reject_reopen_and_what_is_not_possible(house: House, store: Store, id: int) -> None:
    assert decide(house, id, "reject", 1).json["what"] == "was rejected without a reason"
    assert decide(house, id, "accept", 1, who="").json["what"] == "a decision needs a reviewer"
    assert decide(house, id, "nonsense", 1).status == 422
    assert decide(house, id, "reject", 1, reason=" too dark ").json["state"] == "rejected"
    assert store.reading(id).history[-1].reason == "too dark"
    assert decide(house, id, "reopen", 2).json["state"] == "proposed"
    assert [entry.kind for entry in store.reading(id).history] == ["add", "reject", "reopen"]
    assert not store.verify()


def test_the_later_of_two_gets_both_versions(house: House, store: Store, id: int) -> None:
    assert decide(house, id, "accept", 1, changes={"landmarks": MOVED}).status == 200
    late = decide(house, id, "accept", 1, who=BEN)
    assert late.status == 409
    theirs = late.json["theirs"]
    assert (theirs["who"], theirs["kind"], theirs["revision"]) == (
        "Ada Example",
        "accept_with_changes",
        2,
    )
    assert theirs["changes"]["landmarks"] == MOVED
    assert theirs["current"]["alignment"] is not None
    assert len(store.reading(id).history) == 2


def test_a_second_reader_is_blind(house: House, store: Store, id: int) -> None:
    """Nothing that the server sends to the second reader tells what the first one did."""
    decide(house, id, "second", 1, who="Cleo Example")
    decide(house, id, "accept", 2, changes={"landmarks": MOVED, "side": "left"})
    for path in (f"/api/reading/{id}", "/api/worklist", f"/api/series/{id}"):
        answer = house.call(path, who=BEN, role="second")
        assert answer.status == 200
        assert "350.25" not in answer.body.decode(), path
        assert "Ada" not in answer.body.decode(), path
    told = house.call(f"/api/reading/{id}", who=BEN, role="second").json
    assert told["blinded"]
    assert told["current"] == told["original"]
    assert told["changes"] == Changes().as_dict()
    row = next(
        row
        for row in house.call("/api/worklist", who=BEN, role="second").json["rows"]
        if row["id"] == id
    )
    assert row["hidden"]
    assert row["verdict"] is row["rotation_deg"] is None
    both = decide(house, id, "accept", told["revision"], who="Ada Example", role="second")
    assert both.status == 422


def test_two_readers_and_an_adjudicator(house: House, store: Store, id: int) -> None:
    decide(house, id, "second", 1)
    decide(house, id, "accept", 2, changes={"side": "left"})
    seconds = decide(house, id, "accept", 3, who=BEN, role="second")
    assert seconds.status == 200
    assert seconds.json["state"] == "adjudicate"
    told = house.call(f"/api/reading/{id}", who="Cleo Example", role="adjudicator").json
    assert [(r["role"], r["who"]) for r in told["readers"]] == [
        ("first", "Ada Example"),
        ("second", BEN),
    ]
    first = told["readers"][0]
    assert first["changes"]["side"] == "left"
    settled = decide(
        house,
        id,
        "accept",
        told["revision"],
        who="Cleo Example",
        role="adjudicator",
        changes=first["changes"],
    )
    assert settled.status == 200
    assert settled.json["state"] == "changed"
    assert store.reading(id).current["side"]["name"] == "left"
    assert store.reading(id).history[-1].kind == "adjudicate"


def test_changes_on_the_pair_move_the_heights(house: House, store: Store, id: int) -> None:
    """The lateral's heights follow the AP film as a person left it."""
    lateral = id_of(store, "pair/lateral.dcm")
    before = house.call(f"/api/reading/{lateral}").json["shown"]["proposals"]
    flare = next(
        m for m in store.reading(id).original["landmarks"] if m["name"] == "medial_femoral_flare"
    )
    place = [flare["x"], flare["y"] - 25.0]
    changed = {"landmarks": {"medial_femoral_flare": place}}
    assert decide(house, id, "accept", 1, changes=changed).status == 200
    after = house.call(f"/api/reading/{lateral}").json
    moved = [
        np.abs(np.subtract(now["points"], was["points"])).max()
        for now, was in zip(after["shown"]["proposals"], before, strict=True)
    ]
    assert moved[0] > 5.0
    assert max(moved[1:]) < 1.0
    # Accepting it accepts what is shown, which is no longer what was read.
    assert decide(house, lateral, "accept", 1).json["state"] == "changed"


def test_tags(house: House, store: Store, id: int) -> None:
    assert house.call(f"/api/tag/{id}", {"tag": "teaching"}).json["tags"] == ["teaching"]
    assert house.call("/api/worklist").json["tags"] == ["teaching"]
    assert house.call(f"/api/tag/{id}", {"tag": "teaching", "remove": True}).json["tags"] == []
    assert house.call(f"/api/tag/{id}", {"tag": "x"}, who="").status == 422
    # A tag since it was opened is no conflict.
    assert decide(house, id, "accept", 1).status == 200
