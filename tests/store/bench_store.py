"""How quick a store of many readings is: `python tests/store/bench_store.py [READINGS] [URL]`.

Prints medians and 95th percentiles of the time that passes, and the mean processor time of this
process, in milliseconds.
"""

from __future__ import annotations

import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "helpers"))
from store_cases import KEY, moved, reading_row

from pipeline.records.store import Filter, Store


def measure(name: str, work: Callable[[int], object], times: int = 40) -> None:
    spent, busy = [], time.process_time()
    for number in range(times):
        start = time.perf_counter()
        work(number)
        spent.append(1000 * (time.perf_counter() - start))
    own = 1000 * (time.process_time() - busy) / times
    median, late = statistics.median(spent), float(np.percentile(spent, 95))
    print(f"{name:<30} median {median:8.1f}   95th {late:8.1f}   processor {own:8.1f} ms")


def rows(count: int) -> list[dict]:
    rng = np.random.default_rng(1)
    return [
        reading_row(
            n,
            view=("AP", "lateral")[n % 2],
            side=("right", "left")[n // 2 % 2],
            square=("yes", "no", "cannot tell")[n % 3],
            probability=float(rng.uniform(0, 1)),
            width=float(rng.uniform(1, 20)),
            study=f"study {n // 4}",
        )
        for n in range(count)
    ]


def run(count: int, url: str) -> None:
    store = Store.open(url, KEY)
    start = time.perf_counter()
    many = rows(count)
    ids = store.add_readings(many, tags=["all"])
    print(f"{count} readings added in {time.perf_counter() - start:.1f} s")
    for id in ids[::10]:
        store.decide(id, expected_revision=2, kind="accept", reviewer="A")
    chosen = Filter(verdict=("cannot tell",), view=("AP",), side=("left",), uncertainty=(5.0, 15.0))
    study = store.reading(ids[0]).original["film"]["study_digest"]
    measure("first page of 50", lambda n: store.readings(limit=50))
    measure("page in the middle", lambda n: store.readings(limit=50, offset=count // 2))
    measure("filtered page of 50", lambda n: store.readings(chosen, limit=50))
    measure("one study", lambda n: store.readings(Filter(study=study)))
    measure("by tag, page of 50", lambda n: store.readings(Filter(tags=("all",)), limit=50))
    measure("the whole worklist", lambda n: store.readings(), 10)
    measure("progress", lambda n: store.progress())
    measure("open one reading", lambda n: store.reading(ids[n]))

    def decide(n: int) -> None:
        id = ids[n * 10 + 1]
        final = moved(many[n * 10 + 1], **{many[n * 10 + 1]["landmarks"][0]["name"]: 1.0})
        store.decide(id, expected_revision=2, kind="accept_with_changes", reviewer="A", final=final)

    measure("decide", decide)
    measure("add what is there already", lambda n: store.add_readings(many), 3)
    measure("verify the whole store", lambda n: store.verify(), 3)


if __name__ == "__main__":
    many = int(sys.argv[1]) if len(sys.argv) > 1 else 5000
    if len(sys.argv) > 2:
        run(many, sys.argv[2])
    else:
        with tempfile.TemporaryDirectory() as folder:
            run(many, str(Path(folder) / "store.sqlite"))
