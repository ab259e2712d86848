"""What an entry costs: seconds a film on one core, and memory, in a process of its own."""

from __future__ import annotations

import time
from collections.abc import Mapping
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np

FILMS = 8


def costs(exam: Any, cache: Path) -> dict[str, Any]:
    """By entry; entries from outside have none but the seconds that they say themselves."""
    from pipeline.bench.exam import Entry

    suite = next(iter(exam.suites.values()), None)
    if suite is None:
        return {}
    found = {}
    for name in exam.scores:
        entry = Entry(name, exam.settings.entries[name])
        if entry.outside is not None:
            continue
        with ProcessPoolExecutor(1, get_context("spawn")) as pool:
            found[name] = pool.submit(measure, entry, suite, cache).result()
    return found


def measure(entry: Any, suite: Any, cache: Path) -> Mapping[str, Any]:
    """Reads a few films, the first of which also loads what must be loaded."""
    import cv2

    from pipeline.bench.exam import answer, build_entry
    from pipeline.bench.films import read_film

    cv2.setNumThreads(1)
    films = [read_film(cache, suite, seed).film for seed in suite.seeds[:FILMS]]
    before = _peak_mb()
    detector, estimator = build_entry(entry)
    seconds = []
    for film in films:
        started = time.perf_counter()
        answer(film, film.source, detector, estimator)
        seconds.append(time.perf_counter() - started)
    rest = seconds[1:] or seconds
    return {
        "films": len(films),
        "suite": suite.name,
        "first_s": seconds[0],
        "median_s": float(np.median(rest)),
        "p95_s": float(np.percentile(rest, 95)),
        "peak_mb": _peak_mb(),
        "before_mb": before,
    }


def _peak_mb() -> float:
    """Most memory that this process has held so far, MB; NaN where the system does not say."""
    status = Path("/proc/self/status")
    if status.exists():
        # not getrusage: a started process inherits its parent's peak there
        for line in status.read_text().splitlines():
            if line.startswith("VmHWM:"):
                return int(line.split()[1]) / 1e3
    try:
        import resource
    except ImportError:  # not on Windows
        return float("nan")
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6  # bytes on a Mac
