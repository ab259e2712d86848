"""Processes that make films and cut them into samples while the networks train."""

from __future__ import annotations

import multiprocessing
import os
import queue
import time
import traceback
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from models.samples import (
    LOCATED,
    CropSample,
    FilmSample,
    crop_sample,
    film_sample,
    film_to_samples,
)
from pipeline.contracts import Scenario
from pipeline.knee.errors import Problem

TRAINING_SEEDS = 1_000_000_000
"""Training films have this seed or a larger one; everything below is for measuring."""

VALIDATION_SEEDS = 500_000_000
BLANK_SHARE = 0.04
RUN = 12
_ONE_THREAD = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "NUMBA_NUM_THREADS")


@dataclass(frozen=True)
class FeedPlan:
    """What the workers make. `first` is the number of training films already made before."""

    crop: int
    picture: int
    crops_per_film: int
    validation_films: int
    seed: int
    first: int = 0


@dataclass(frozen=True)
class Fed:
    """One message from a worker: the samples of one film."""

    kind: Literal["training", "validation"]
    film: FilmSample
    crops: Sequence[CropSample]


class Feeder:
    """Starts `workers` processes; `take` hands over what they have made so far.

    The processes end by themselves when this one is gone. Use as a context manager.
    Raises `Problem` from `take` when the scenarios fail film after film, or when no process is
    left; while one is left, training goes on with fewer films.
    """

    def __init__(self, scenarios: Sequence[Scenario], plan: FeedPlan, workers: int) -> None:
        self._context = multiprocessing.get_context("spawn")
        self._queue: Any = self._context.Queue(maxsize=max(4 * workers, 8))
        self._stop = self._context.Event()
        self._processes = [
            self._context.Process(
                target=_work,
                args=(list(scenarios), plan, index, workers, self._queue, self._stop),
                daemon=True,
            )
            for index in range(workers)
        ]

    def __enter__(self) -> Feeder:
        with _single_threaded():
            for process in self._processes:
                process.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        deadline = time.monotonic() + 5.0
        while any(p.is_alive() for p in self._processes) and time.monotonic() < deadline:
            self._drop()
            time.sleep(0.02)
        for process in self._processes:
            if process.is_alive():
                process.terminate()
            process.join(timeout=5.0)
        self._queue.cancel_join_thread()
        self._queue.close()

    def _drop(self) -> None:
        try:
            while True:
                self._queue.get_nowait()
        except (queue.Empty, OSError, EOFError):
            pass

    @property
    def alive(self) -> int:
        """Processes still at work."""
        return sum(process.is_alive() for process in self._processes)

    def take(self, at_most: int, wait_s: float = 0.0) -> list[Fed]:
        """Up to `at_most` messages; waits up to `wait_s` for the first one only."""
        taken: list[Fed] = []
        while len(taken) < at_most:
            try:
                message = self._queue.get(timeout=wait_s) if wait_s and not taken else None
                message = message or self._queue.get_nowait()
            except queue.Empty:
                break
            if isinstance(message, str):
                raise Problem(
                    "training films",
                    f"a scenario failed on twenty films in a row, the last time with\n{message}",
                    "mend or leave out that scenario",
                )
            taken.append(message)
        if not taken and not any(process.is_alive() for process in self._processes):
            raise Problem(
                "training films",
                "the processes that make them ended unexpectedly, perhaps for want of memory",
                "start again with fewer workers; training resumes from the last checkpoint",
            )
        return taken


@contextmanager
def _single_threaded() -> Iterator[None]:
    """Children started inside see libraries told to use one thread each."""
    before = {name: os.environ.get(name) for name in _ONE_THREAD}
    os.environ.update(dict.fromkeys(_ONE_THREAD, "1"))
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value


def validation_seed(index: int) -> int:
    return VALIDATION_SEEDS + index


def _work(
    scenarios: Sequence[Scenario], plan: FeedPlan, index: int, workers: int, out: Any, stop: Any
) -> None:
    """A worker's life: training films without end, its share of the validation films among them."""
    import cv2

    from models.augment import Augmenter

    cv2.setNumThreads(0)
    if hasattr(os, "nice"):
        os.nice(5)
    out.cancel_join_thread()

    def put(message: Fed | str) -> bool:
        while not stop.is_set():
            if not _parent_lives():
                os._exit(1)
            try:
                out.put(message, timeout=1.0)
                return True
            except queue.Full:
                continue
        return False

    augmenter = Augmenter()
    failures = 0
    for number in _numbers(plan, index, workers):
        if stop.is_set():
            return
        try:
            made = (
                _validation(scenarios, plan, -number - 1)
                if number < 0
                else _training(scenarios, plan, number, augmenter)
            )
            failures = 0
        except Exception:
            failures += 1
            if failures >= 20:
                put(traceback.format_exc(limit=6))
                # ending now could lose the message on its way
                while not stop.wait(0.5) and _parent_lives():
                    pass
                return
            continue
        if not put(made):
            return


def _parent_lives() -> bool:
    parent = multiprocessing.parent_process()
    return parent is None or parent.is_alive()


def _numbers(plan: FeedPlan, index: int, workers: int) -> Iterator[int]:
    """-1, -2, ... are validation films, 0, 1, ... training films; every worker has its share.

    Training films come in runs of `RUN` consecutive numbers, so that a scenario that shows one
    knee on several films makes it once. Validation films come a few at a time between the first
    runs, so that training need not wait for them.
    """
    block = plan.first // RUN + index
    held = list(range(index, plan.validation_films, workers))
    while True:
        yield from range(block * RUN, (block + 1) * RUN)
        block += workers
        yield from (-k - 1 for k in held[: RUN // 2])
        held = held[RUN // 2 :]


def _training(scenarios: Sequence[Scenario], plan: FeedPlan, number: int, augmenter: Any) -> Fed:
    from models.blanks import blank_film

    seed = TRAINING_SEEDS + plan.seed * 100_000_000 + number
    rng = np.random.default_rng([seed, 1])
    if rng.random() < BLANK_SHARE:
        labelled = blank_film(rng)
    else:
        labelled = scenarios[int(rng.integers(len(scenarios)))].make(seed)
    film, crops = film_to_samples(
        labelled, plan.crop, plan.picture, plan.crops_per_film, augmenter, rng
    )
    return Fed("training", film, crops)


def _validation(scenarios: Sequence[Scenario], plan: FeedPlan, index: int) -> Fed:
    seed = validation_seed(index)
    labelled = scenarios[index % len(scenarios)].make(seed)
    rng = np.random.default_rng([seed, 2])
    film = film_sample(labelled, plan.picture, None, None)
    crops = [
        crop_sample(labelled, truth, plan.crop, LOCATED, None, rng) for truth in labelled.knees
    ]
    return Fed("validation", film, crops)
