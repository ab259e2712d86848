"""A process that decides without end, to be killed: `store_writer.py URL ID WHO LANDMARK`.

Each round it moves its own landmark and accepts; what the store has confirmed is printed. On a
conflict it merges and tries again, like a reviewer would.
"""

from __future__ import annotations

import itertools
import sys

from store_cases import KEY, moved, with_both

from pipeline.records.store import Conflict, Store


def save(store: Store, id: int, who: str, landmark: str, x: float) -> int:
    """Moves one landmark on top of whatever is there; returns the revision written."""
    base = store.reading(id)
    mine = moved(base.current, **{landmark: x})
    while True:
        try:
            done = store.decide(
                id,
                expected_revision=base.revision,
                kind="accept_with_changes",
                reviewer=who,
                final=mine,
            )
        except Conflict as conflict:
            theirs = conflict.current
            base, mine = theirs, with_both(base.current, mine, theirs.current)
        else:
            return done.revision


def main(url: str, id: str, who: str, landmark: str) -> None:
    with Store.open(url, KEY) as store:
        print("ready", flush=True)
        for number in itertools.count(1):
            revision = save(store, int(id), who, landmark, float(number))
            print(f"{revision} {number}", flush=True)


if __name__ == "__main__":
    main(*sys.argv[1:])
