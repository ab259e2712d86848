"""Work on many films in processes, one thread each, told in the order of the jobs."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from multiprocessing import get_context
from typing import Any, TypeVar

from pipeline.knee.errors import Problem

J = TypeVar("J")
R = TypeVar("R")


def each(
    work: Callable[[J], R],
    jobs: Sequence[J],
    workers: int = 0,
    *,
    prepare: Callable[..., None] | None = None,
    parts: tuple[Any, ...] = (),
    chunk: int = 1,
) -> Iterator[R]:
    """What `work` gives for each job, in their order; in this process where one is enough.

    Args:
        work, prepare: functions of a module, so that other processes find them.
        workers: processes; 0 = one per core, never more than jobs.
        prepare: called with `parts` once in each process, before any work.
        chunk: jobs handed to a process at once.

    Raises:
        Problem: a process was ended from outside.
        Exception: whatever `work` raises.
    """
    workers = min(workers or os.cpu_count() or 1, len(jobs))
    if workers <= 1:
        _begin(prepare, parts)
        yield from map(work, jobs)
        return
    spawn = get_context("spawn")
    with ProcessPoolExecutor(workers, spawn, initializer=_begin, initargs=(prepare, parts)) as pool:
        try:
            yield from pool.map(work, jobs, chunksize=chunk)
        except BrokenProcessPool:
            what = "a process that works on films was ended from outside (memory?)"
            raise Problem("squareon", what, "ask for fewer workers=N") from None


def _begin(prepare: Callable[..., None] | None, parts: tuple[Any, ...]) -> None:
    import cv2  # not light

    cv2.setNumThreads(1)  # as many as cores in every process would fight
    if prepare is not None:
        prepare(*parts)
