"""Two independent readers: neither sees the other's decision until both are in."""

from __future__ import annotations

import dataclasses
import json

import pytest
from store_cases import moved, reading_row, with_verdict, x_of

from pipeline.knee.errors import Problem
from pipeline.records.store import Conflict, Filter, Store

SECRET = 77.125
"""A coordinate that only the first reader has set."""


@pytest.fixture
def id(store: Store) -> int:
    number = store.add_reading(reading_row())
    store.decide(number, expected_revision=1, kind="second", reviewer="Lead")
    return number


def give(store: Store, id: int, who: str, role: str, final: dict | None = None) -> None:
    seen = store.reading(id, who, role)
    kind = "accept" if final is None else "accept_with_changes"
    store.decide(
        id, expected_revision=seen.revision, kind=kind, reviewer=who, role=role, final=final
    )


def secret_of(store: Store, id: int) -> dict:
    return moved(store.reading(id).original, notch_apex=SECRET)


def test_the_first_decision_is_hidden_from_everyone_else(store: Store, id: int) -> None:
    give(store, id, "Anna", "first", secret_of(store, id))
    viewers: list[tuple[str | None, str]] = [("Ben", "second"), ("Ben", "first"), (None, "first")]
    for viewer, role in viewers:
        seen = store.reading(id, viewer, role)
        text = json.dumps(dataclasses.asdict(seen), default=str)
        assert str(SECRET) not in text
        assert "Anna" not in text
        assert (seen.state, seen.blinded, seen.current) == ("double", True, seen.original)
    row = json.dumps([dataclasses.asdict(row) for row in store.readings()])
    assert "Anna" not in row
    assert store.readings()[0].state == "double"
    own = store.reading(id, "Anna")
    assert x_of(own.current, "notch_apex") == SECRET
    assert own.first_reader == "Anna"
    assert own.state == "double"


def test_both_are_seen_once_both_are_in(store: Store, id: int) -> None:
    give(store, id, "Anna", "first", secret_of(store, id))
    give(store, id, "Ben", "second")
    for viewer, role in (("Ben", "second"), ("Anna", "first"), (None, "first")):
        seen = store.reading(id, viewer, role)
        assert not seen.blinded
        assert (seen.first_reader, seen.second_reader) == ("Anna", "Ben")


def test_the_order_of_the_two_does_not_matter(store: Store, id: int) -> None:
    give(store, id, "Ben", "second", secret_of(store, id))
    assert str(SECRET) not in json.dumps(store.reading(id, "Anna").current)
    give(store, id, "Anna", "first")
    assert store.reading(id).state == "accepted"  # they agree: the first one's version stands
    assert store.reading(id).decision == store.reading(id).history[-1]


def test_the_other_reader_is_no_conflict(store: Store, id: int) -> None:
    seen = store.reading(id, "Ben", "second").revision
    give(store, id, "Anna", "first")
    store.decide(id, expected_revision=seen, kind="accept", reviewer="Ben", role="second")
    assert store.reading(id).state == "accepted"


def test_two_people_cannot_give_the_same_reading(store: Store, id: int) -> None:
    seen = store.reading(id, "Ben", "first").revision
    give(store, id, "Anna", "first", secret_of(store, id))
    with pytest.raises(Conflict) as caught:
        store.decide(id, expected_revision=seen, kind="accept", reviewer="Ben", role="first")
    assert str(SECRET) not in json.dumps(dataclasses.asdict(caught.value.current), default=str)
    assert "Anna" not in str(caught.value)
    with pytest.raises(Problem, match="given already"):
        give(store, id, "Ben", "first")


def test_one_person_cannot_give_both(store: Store, id: int) -> None:
    give(store, id, "Anna", "first")
    with pytest.raises(Problem, match="another person"):
        give(store, id, " Anna ", "second")
    give(store, id, "Anna", "first", secret_of(store, id))  # but may think again
    give(store, id, "Ben", "second")
    assert x_of(store.reading(id).current, "notch_apex") == SECRET


def test_differing_readings_are_adjudicated(store: Store, id: int) -> None:
    original = store.reading(id).original
    give(store, id, "Anna", "first", with_verdict(original, "no", 9.0))
    give(store, id, "Ben", "second", with_verdict(original, "cannot tell", 5.0))
    seen = store.reading(id)
    assert seen.state == "adjudicate"
    assert (seen.decision, seen.current) == (None, original)
    (double,) = store.double_readings()
    assert (double.first.who, double.second.who, double.settled) == ("Anna", "Ben", None)
    with pytest.raises(Problem, match="both readings are in"):
        give(store, id, "Anna", "first")
    store.decide(
        id,
        expected_revision=seen.revision,
        kind="adjudicate",
        reviewer="Clara",
        final=double.second.final,
    )
    settled = store.reading(id)
    assert (settled.state, settled.decision.who) == ("changed", "Clara")  # type: ignore[union-attr]
    assert settled.current["alignment"]["square"] == "cannot tell"
    assert store.double_readings()[0].settled == settled.decision
    assert store.verify() == []


def test_adjudication_may_reject_or_keep_the_proposal(store: Store) -> None:
    for outcome, state in (("reject", "rejected"), ("accept", "accepted")):
        id = store.add_reading(reading_row(ord(outcome[0])))
        original = store.reading(id).original
        give(store, id, "Anna", "first", with_verdict(original, "no", 9.0))
        give(store, id, "Ben", "second")
        store.decide(
            id,
            expected_revision=store.reading(id).revision,
            kind="adjudicate",
            reviewer="Clara",
            outcome=outcome,
            reason="as I see it",
        )
        assert store.reading(id).state == state


def test_a_rejection_and_an_acceptance_differ(store: Store, id: int) -> None:
    give(store, id, "Anna", "first")
    revision = store.reading(id, "Ben", "second").revision
    store.decide(
        id,
        expected_revision=revision,
        kind="reject",
        reviewer="Ben",
        role="second",
        reason="blurred",
    )
    assert store.reading(id).state == "adjudicate"


def test_a_second_reader_is_blind_before_anyone_asked(store: Store) -> None:
    id = store.add_reading(reading_row())
    give(store, id, "Anna", "first", secret_of(store, id))
    assert store.reading(id).state == "changed"
    assert str(SECRET) not in json.dumps(
        dataclasses.asdict(store.reading(id, "Ben", "second")), default=str
    )
    give(store, id, "Ben", "second")
    assert [(d.first.who, d.second.who) for d in store.double_readings()] == [("Anna", "Ben")]


def test_decisions_of_an_earlier_round_are_hidden_too(store: Store) -> None:
    id = store.add_reading(reading_row())
    give(store, id, "Anna", "first", secret_of(store, id))
    for kind in ("reopen", "second"):
        store.decide(id, expected_revision=store.reading(id).revision, kind=kind, reviewer="Lead")
    seen = store.reading(id, "Ben", "second")
    assert str(SECRET) not in json.dumps(dataclasses.asdict(seen), default=str)


def test_opening_again_ends_the_round(store: Store, id: int) -> None:
    give(store, id, "Anna", "first", secret_of(store, id))
    give(store, id, "Ben", "second")
    store.decide(id, expected_revision=store.reading(id).revision, kind="reopen", reviewer="Lead")
    assert store.reading(id).state == "proposed"
    assert store.double_readings() == []
    give(store, id, "Ben", "first")
    assert store.reading(id).state == "accepted"


def test_the_worklist_of_one_reader(store: Store, id: int) -> None:
    def waiting(who: str) -> list[int]:
        return [row.id for row in store.readings(Filter(waiting_for=who))]

    give(store, id, "Anna", "first")
    assert (waiting("Anna"), waiting("Ben")) == ([], [id])
    give(store, id, "Ben", "second")
    assert (waiting("Anna"), waiting("Ben")) == ([], [])


def test_a_second_reading_is_asked_for_once(store: Store, id: int) -> None:
    with pytest.raises(Problem, match="wanted already"):
        store.decide(id, expected_revision=2, kind="second", reviewer="Anna")
