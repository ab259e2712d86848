"""Nothing is lost: random interleavings of reviewers, real threads, processes killed.

Set SQUAREON_STORE_FULL=1 for the full counts (1,000 interleavings and 100 kills in each
database, some minutes); by default a small part of that is done.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
from store_cases import KEY, moved, reading_row, with_both, x_of
from store_writer import save

from pipeline.records.store import Conflict, Store
from pipeline.records.store.model import Entry

FULL = os.environ.get("SQUAREON_STORE_FULL") == "1"
INTERLEAVINGS = 1000 if FULL else 25
KILLS = 100 if FULL else 4
ROOT = Path(__file__).parents[2]
NAMES = [mark["name"] for mark in reading_row()["landmarks"]]


class Reviewer:
    """Looks, changes, saves; each call of `step` does the next of these."""

    def __init__(self, store: Store, id: int, name: str, rng: np.random.Generator) -> None:
        self.store, self.id, self.name, self.rng = store, id, name, rng
        self.written: list[Entry] = []
        self.wishes: dict[str, float] = {}
        self.conflicts = 0
        self._steps = self._work()

    def step(self) -> bool:
        """False when there is nothing left to do."""
        return next(self._steps, None) is not None

    def _work(self) -> Iterator[str]:
        for _ in range(int(self.rng.integers(1, 4))):
            seen = self.store.reading(self.id)
            base, revision = seen.current, seen.revision
            yield "looked"
            mark, x = str(self.rng.choice(NAMES)), float(self.rng.integers(1000, 9999))
            mine = moved(base, **{mark: x})
            yield "changed"
            while True:
                try:
                    entry = self.store.decide(
                        self.id,
                        expected_revision=revision,
                        kind="accept_with_changes",
                        reviewer=self.name,
                        final=mine,
                    )
                except Conflict as conflict:
                    self.conflicts += 1
                    theirs = conflict.current
                    assert theirs.revision > revision
                    mine = with_both(base, mine, theirs.current)
                    base, revision = theirs.current, theirs.revision
                    yield "merged"
                else:
                    self.written.append(entry)
                    self.wishes[mark] = x
                    yield "saved"
                    break


def check_nothing_is_lost(store: Store, id: int, reviewers: list[Reviewer]) -> None:
    history = store.reading(id).history
    decided = [entry for entry in history if entry.kind != "add"]
    confirmed = [entry for reviewer in reviewers for entry in reviewer.written]
    assert sorted(confirmed, key=lambda entry: entry.revision) == decided
    assert [entry.revision for entry in history] == list(range(1, len(history) + 1))
    # Replayed by hand: the newest value of each landmark, in the order of the revisions.
    expected: dict[str, float] = {}
    before: dict[str, Any] = history[0].final or {}
    for entry in decided:
        assert entry.final is not None
        changed = {
            name: x_of(entry.final, name)
            for name in NAMES
            if x_of(entry.final, name) != x_of(before, name)
        }
        assert len(changed) <= 1  # each saves one wish and carries everyone else's along
        expected |= changed
        before = entry.final
    current = store.reading(id).current
    for name in NAMES:
        assert x_of(current, name) == expected.get(name, x_of(history[0].final or {}, name))
    for reviewer in reviewers:
        for name, x in reviewer.wishes.items():
            assert any(x_of(entry.final or {}, name) == x for entry in decided)


def test_random_interleavings(store: Store, record_property: Any) -> None:
    """Two to five reviewers on one film, their steps in a random order; each through a store of
    its own, as separate programs would."""
    conflicts = decisions = 0
    others = [Store.open(store.url.render_as_string(False), KEY) for _ in range(4)]
    stores = [store, *others]
    ids = store.add_readings([reading_row(number) for number in range(INTERLEAVINGS)])
    for id in ids:
        rng = np.random.default_rng(id)
        count = int(rng.integers(2, 6))
        reviewers = [Reviewer(stores[n], id, f"reviewer {n}", rng) for n in range(count)]
        working = list(reviewers)
        while working:
            one = working[int(rng.integers(len(working)))]
            if not one.step():
                working.remove(one)
        check_nothing_is_lost(store, id, reviewers)
        conflicts += sum(reviewer.conflicts for reviewer in reviewers)
        decisions += sum(len(reviewer.written) for reviewer in reviewers)
    for other in others:
        other.close()
    record_property("interleavings", len(ids))
    print(f"{len(ids)} interleavings, {decisions} decisions, {conflicts} conflicts")
    assert conflicts > len(ids) / 2  # the races did meet
    assert store.verify() == []


def test_real_threads(store: Store) -> None:
    """Eight threads on three films, half of them through one shared store."""
    ids = store.add_readings([reading_row(number) for number in range(3)])
    own = Store.open(store.url.render_as_string(False), KEY)
    reviewers = [
        Reviewer((store, own)[n % 2], ids[n % 3], f"reviewer {n}", np.random.default_rng(n))
        for n in range(8)
    ]
    failed: list[BaseException] = []

    def work(reviewer: Reviewer) -> None:
        try:
            while reviewer.step():
                pass
        except BaseException as error:
            failed.append(error)

    threads = [threading.Thread(target=work, args=(reviewer,)) for reviewer in reviewers]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    own.close()
    assert failed == []
    for place, id in enumerate(ids):
        check_nothing_is_lost(store, id, reviewers[place::3])
    assert store.verify() == []


def writer(url: str, id: int, who: str, landmark: str) -> subprocess.Popen[str]:
    helpers = ROOT / "tests" / "helpers"
    return subprocess.Popen(
        [sys.executable, str(helpers / "store_writer.py"), url, str(id), who, landmark],
        stdout=subprocess.PIPE,
        text=True,
        cwd=helpers,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )


def test_killed_in_the_middle_of_writing(store: Store) -> None:
    """Two writers on one film are killed with SIGKILL at random times, again and again."""
    url = store.url.render_as_string(False)
    rng = np.random.default_rng(3)
    kills = confirmed = written = 0
    while kills < KILLS:
        id = store.add_reading(reading_row(kills))
        pair = [writer(url, id, name, NAMES[n]) for n, name in enumerate("AB")]
        for process in pair:
            assert process.stdout is not None
            assert process.stdout.readline() == "ready\n"
        heard: list[list[str]] = [[], []]
        for process, lines in zip(pair, heard, strict=True):
            assert process.stdout is not None
            for _ in range(int(rng.integers(1, 5))):
                lines.append(process.stdout.readline())
            time.sleep(float(rng.uniform(0.0, 0.04)))
            os.kill(process.pid, signal.SIGKILL)
        told: dict[int, tuple[str, float]] = {}
        for who, process, lines in zip("AB", pair, heard, strict=True):
            assert process.stdout is not None
            lines += process.stdout.readlines()
            assert process.wait() == -signal.SIGKILL
            process.stdout.close()
            kills += 1
            for line in lines:
                if line.endswith("\n"):  # the last one may be cut
                    revision, x = line.split()
                    assert int(revision) not in told
                    told[int(revision)] = (who, float(x))
        decided = store.reading(id).history[1:]
        by_revision = {entry.revision: entry for entry in decided}
        assert [*by_revision] == list(range(2, len(decided) + 2))
        for revision, (who, x) in told.items():
            entry = by_revision[revision]
            assert entry.who == who
            assert x_of(entry.final or {}, NAMES["AB".index(who)]) == x
        # Written, but killed before it could say so: one each at most.
        assert 0 <= len(decided) - len(told) <= 2
        assert store.verify() == []
        confirmed, written = confirmed + len(told), written + len(decided)
    print(f"{kills} kills, {confirmed} decisions confirmed, {written} written")
    assert confirmed >= kills
    assert save(store, id, "C", NAMES[2], 5.0) == len(decided) + 2
    with Store.open(url, KEY) as again:
        assert again.verify() == []


FILLING = """
import sys
from pipeline.records.store import Store
from store_cases import KEY, reading_row
store = Store.open(sys.argv[1], KEY)
print("ready", flush=True)
store.add_readings([reading_row(n) for n in range(1500)], tags=["many"])
print("done", flush=True)
"""


def test_killed_while_a_folder_is_added(url: str) -> None:
    """All of a folder's readings come in, or none; opening may be killed too."""
    helpers = ROOT / "tests" / "helpers"
    rng = np.random.default_rng(4)
    seen = set()
    for _ in range(8 if FULL else 3):
        process = subprocess.Popen(
            [sys.executable, "-c", FILLING, url],
            stdout=subprocess.PIPE,
            text=True,
            cwd=helpers,
            env={**os.environ, "PYTHONPATH": str(ROOT)},
        )
        assert process.stdout is not None
        if rng.random() < 0.6:
            process.stdout.readline()
        time.sleep(float(rng.uniform(0.0, 0.4)))
        process.kill()
        process.communicate()
        with Store.open(url, KEY) as store:
            assert store.verify() == []
            seen.add(len(store.readings()))
    assert seen <= {0, 1500}
