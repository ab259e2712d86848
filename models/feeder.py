"""Processes that make films and cut them into samples while the networks train."""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import queue
import threading
import time
import traceback
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from multiprocessing.connection import Connection, wait
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.develop import FedScene
from models.samples import (
    LOCATED,
    CropSample,
    FilmSample,
    crop_sample,
    film_sample,
    film_to_samples,
    scene_to_looks,
)
from models.slots import Fed, Outbox, SlotPlan, make_file, opened, take_out
from pipeline.contracts import TRAINING_SEEDS, Scenario, SceneScenario
from pipeline.knee.errors import Problem

VALIDATION_SEEDS = 500_000_000
BLANK_SHARE = 0.04
RUN = 12
SCENES_FROM = 50_000_000
"""Subjects of scenes are numbered from here, so that none is a film's subject too."""

SCENES_WAITING = 24
_ONE_THREAD = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "NUMBA_NUM_THREADS")


@dataclass(frozen=True)
class FeedPlan:
    """What the workers make.

    Attributes:
        crop, picture: sides of what the networks see, pixels.
        crops_per_film, validation_films: see `TrainOptions`.
        seed: of the run.
        first, first_scene: films and scenes already made before.
        shots: films of each scene.
        rank, ranks: which of how many feeders that share a run this one is.
    """

    crop: int
    picture: int
    crops_per_film: int
    validation_films: int
    seed: int
    first: int = 0
    first_scene: int = 0
    shots: int = 8
    rank: int = 0
    ranks: int = 1


class SceneFeeder:
    """Starts `workers` processes that make packed scenes; a thread fetches what they have made.

    Use as a context manager. `take` raises `Problem` when no process is left.
    """

    def __init__(self, scenarios: Sequence[SceneScenario], plan: FeedPlan, workers: int) -> None:
        context = multiprocessing.get_context("spawn")
        self._near: list[Connection] = []
        self._far: list[Connection] = []
        self._processes: list[Any] = []
        self._made: queue.Queue[FedScene] = queue.Queue(SCENES_WAITING)
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._fetch, daemon=True)
        for index in range(workers):
            near, far = context.Pipe(duplex=False)
            self._near.append(near)
            self._far.append(far)
            arguments = (list(scenarios), plan, index, workers, far)
            self._processes.append(context.Process(target=_scene_work, args=arguments, daemon=True))

    def __enter__(self) -> SceneFeeder:
        with _single_threaded():
            for process in self._processes:
                process.start()
        for far in self._far:
            far.close()
        if self._processes:
            self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._over.set()
        for near in self._near:
            near.close()
        for process in self._processes:
            process.terminate()
            process.join(timeout=5.0)

    def _fetch(self) -> None:
        left = list(self._near)
        while left and not self._over.is_set():
            try:
                ready = wait(left, 0.2)
            except OSError:
                return
            for near in ready:
                assert isinstance(near, Connection)
                try:
                    fed = near.recv()
                except (EOFError, OSError):
                    left.remove(near)
                    continue
                while not self._over.is_set():
                    with contextlib.suppress(queue.Full):
                        self._made.put(fed, timeout=0.2)
                        break

    def take(self, looks: int) -> list[FedScene]:
        """Scenes with `looks` looks or more together where so many wait, else none."""
        if self._made.empty() and self._processes and not self.alive:
            raise Problem(
                "training scenes",
                "the processes that make them ended unexpectedly",
                "start again with fewer workers; training resumes from the last checkpoint",
            )
        if self._made.qsize() < -(-looks // self._per_scene):
            return []
        taken: list[FedScene] = []
        while sum(len(fed.labels) for fed in taken) < looks:
            taken.append(self._made.get())
            self._per_scene = len(taken[-1].labels)
        return taken

    _per_scene = 8

    @property
    def alive(self) -> int:
        """Processes still at work."""
        return sum(process.is_alive() for process in self._processes)


def _scene_work(
    scenarios: Sequence[SceneScenario],
    plan: FeedPlan,
    index: int,
    workers: int,
    pipe: Connection,
) -> None:
    """A worker's life: scenes without end."""
    if hasattr(os, "nice"):
        os.nice(5)
    failures = 0
    number = plan.first_scene + index * plan.ranks + plan.rank
    # a closed pipe: the training process is gone
    with contextlib.suppress(BrokenPipeError, EOFError, OSError):
        while failures < 20:
            seed = TRAINING_SEEDS + plan.seed * 100_000_000 + SCENES_FROM + number
            number += workers * plan.ranks
            rng = np.random.default_rng([seed, 5])
            try:
                scenario = scenarios[int(rng.integers(len(scenarios)))]
                scene = scenario.scene(seed, plan.shots)
                looks, labels = scene_to_looks(scene, plan.crop, rng)
                fed = FedScene(scene.packed(looks, rng), labels)
            except Exception:
                failures += 1
                if failures == 20:
                    traceback.print_exc(limit=6)
                continue
            failures = 0
            pipe.send(fed)


class Feeder:
    """Starts `workers` processes; `take` hands over what they have made so far.

    The processes end by themselves when this one is gone. Use as a context manager.
    Raises `Problem` from `take` when the scenarios fail film after film, or when no process is
    left; while one is left, training goes on with fewer films.
    """

    def __init__(self, scenarios: Sequence[Scenario], plan: FeedPlan, workers: int) -> None:
        context = multiprocessing.get_context("spawn")
        self._layout = slots_of(plan)
        self._slots: dict[Connection, NDArray[np.uint8]] = {}
        self._files: list[Path] = []
        self._far: list[Connection] = []
        self._processes: list[Any] = []
        for index in range(workers):
            near, far = context.Pipe()
            path = make_file(self._layout, workers)
            self._slots[near] = opened(path, self._layout)
            self._files.append(path)
            self._far.append(far)
            arguments = (list(scenarios), plan, index, workers, path, far)
            self._processes.append(context.Process(target=_work, args=arguments, daemon=True))

    def __enter__(self) -> Feeder:
        with _single_threaded():
            for process in self._processes:
                process.start()
        for far in self._far:
            far.close()
        return self

    def __exit__(self, *_: object) -> None:
        # a worker whose pipe is closed ends at its next film
        for near in self._slots:
            near.close()
        deadline = time.monotonic() + 5.0
        while self.alive and time.monotonic() < deadline:
            time.sleep(0.02)
        for process in self._processes:
            if process.is_alive():
                process.terminate()
            process.join(timeout=5.0)
        for path in self._files:
            path.unlink(missing_ok=True)
        self._slots.clear()

    @property
    def alive(self) -> int:
        """Processes still at work."""
        return sum(process.is_alive() for process in self._processes)

    def take(self, at_most: int, wait_s: float = 0.0) -> list[Fed]:
        """Up to `at_most` films; waits up to `wait_s` for the first one only."""
        taken: list[Fed] = []
        while len(taken) < at_most:
            ready = wait(list(self._slots), 0.0 if taken else wait_s)
            if not ready:
                break
            for near in ready[: at_most - len(taken)]:
                assert isinstance(near, Connection)
                try:
                    message = near.recv_bytes()
                except (EOFError, OSError):
                    del self._slots[near]
                    continue
                if len(message) > 1:
                    raise Problem(
                        "training films",
                        "a scenario failed on twenty films in a row, the last time with\n"
                        + message.decode(),
                        "mend or leave out that scenario",
                    )
                taken.append(take_out(self._slots[near], message[0], self._layout))
                with contextlib.suppress(OSError):
                    near.send_bytes(message)
        if not taken and not self._slots:
            raise Problem(
                "training films",
                "the processes that make them ended unexpectedly, perhaps for want of memory",
                "start again with fewer workers; training resumes from the last checkpoint",
            )
        return taken


def slots_of(plan: FeedPlan) -> SlotPlan:
    """Room for every crop of a training film, a stray one included."""
    return SlotPlan(plan.crop, plan.picture, plan.crops_per_film + 1)


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
    scenarios: Sequence[Scenario],
    plan: FeedPlan,
    index: int,
    workers: int,
    path: Path,
    pipe: Connection,
) -> None:
    """A worker's life: training films without end, its share of the validation films among them."""
    import cv2

    from models.augment import Augmenter

    cv2.setNumThreads(0)
    if hasattr(os, "nice"):
        os.nice(5)
    # a closed pipe: the training process is gone, or wants no more
    with contextlib.suppress(EOFError, OSError):
        outbox = Outbox(path, slots_of(plan), pipe)
        augmenter = Augmenter()
        failures = 0
        for number in _numbers(plan, index, workers):
            try:
                made = (
                    _validation(scenarios, plan, -number - 1)
                    if number < 0
                    else _training(scenarios, plan, number, augmenter)
                )
                failures = 0
            except Exception:
                failures += 1
                if failures < 20:
                    continue
                pipe.send_bytes(traceback.format_exc(limit=6).encode())
                # ending now could lose the message on its way
                while True:
                    pipe.recv_bytes()
            outbox.put(number < 0, *made)


def _numbers(plan: FeedPlan, index: int, workers: int) -> Iterator[int]:
    """-1, -2, ... are validation films, 0, 1, ... training films; every worker has its share.

    Training films come in runs of `RUN` consecutive numbers, so that a scenario that shows one
    knee on several films makes it once. Validation films come a few at a time between the first
    runs, so that training need not wait for them.
    """
    block = plan.first // RUN + index * plan.ranks + plan.rank
    held = list(range(index, plan.validation_films, workers))
    while True:
        yield from range(block * RUN, (block + 1) * RUN)
        block += workers * plan.ranks
        yield from (-k - 1 for k in held[: RUN // 2])
        held = held[RUN // 2 :]


Made = tuple[FilmSample, Sequence[CropSample]]


def _training(scenarios: Sequence[Scenario], plan: FeedPlan, number: int, augmenter: Any) -> Made:
    from models.blanks import blank_film

    seed = TRAINING_SEEDS + plan.seed * 100_000_000 + number
    rng = np.random.default_rng([seed, 1])
    if rng.random() < BLANK_SHARE:
        labelled = blank_film(rng)
    else:
        labelled = scenarios[int(rng.integers(len(scenarios)))].make(seed)
    return film_to_samples(labelled, plan.crop, plan.picture, plan.crops_per_film, augmenter, rng)


def _validation(scenarios: Sequence[Scenario], plan: FeedPlan, index: int) -> Made:
    seed = validation_seed(index)
    labelled = scenarios[index % len(scenarios)].make(seed)
    rng = np.random.default_rng([seed, 2])
    film = film_sample(labelled, plan.picture, None, None)
    crops = [
        crop_sample(labelled, truth, plan.crop, LOCATED, None, rng) for truth in labelled.knees
    ]
    return film, crops
