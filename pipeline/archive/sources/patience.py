"""Trying again what may go better next time, and several connections at once."""

from __future__ import annotations

import queue
import threading
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from typing import Generic, TypeVar

from pipeline.archive.contract import GoneError
from pipeline.knee.errors import Problem

T = TypeVar("T")
Group = TypeVar("Group")

LONGEST_S = 30.0


class PassingError(Problem):
    """A `Problem` that may be gone at the next attempt.

    Args:
        wait_s: the pause that the server asked for, seconds.
    """

    def __init__(self, source: str, what: str, do: str, wait_s: float = 0.0) -> None:
        super().__init__(source, what, do)
        self.wait_s = wait_s

    def lasting(self) -> Problem:
        """What to say of one film after the last attempt."""
        return Problem(self.source, self.what, self.do)

    def gone(self) -> GoneError:
        """What to say where the server itself does not answer."""
        return GoneError(self.source, self.what, self.do)


@dataclass(frozen=True)
class Patience:
    """How often something is tried, and with which pauses."""

    attempts: int
    backoff_s: float
    sleep: Callable[[float], None] = time.sleep

    def keep_on(self, once: Callable[[], T]) -> T:
        """What `once` gives, tried again after each `PassingError`; the last one is raised."""
        for attempt in range(1, self.attempts):
            try:
                return once()
            except PassingError as error:
                pause = self.backoff_s * 2 ** (attempt - 1)
                self.sleep(min(LONGEST_S, max(pause, error.wait_s)))
        return once()


def spread(
    groups: Iterable[Group],
    worker: Callable[[Iterator[Group], Callable[[T], None]], None],
    connections: int,
) -> Iterator[T]:
    """What `connections` threads give, in the order in which it comes.

    Args:
        worker: works through the groups that its iterator hands out (each group goes to one
            thread) and passes on what it has; that call waits while nobody takes what is ready,
            so that no more than a few films lie about. Each thread calls it once and so may keep
            one connection.

    Raises what a worker raises. Closing the generator ends the threads.
    """
    return _Spread(groups, worker, connections).run()


class _StoppedError(Exception):
    """Nobody wants the rest."""


class _Spread(Generic[Group, T]):
    def __init__(
        self,
        groups: Iterable[Group],
        worker: Callable[[Iterator[Group], Callable[[T], None]], None],
        connections: int,
    ) -> None:
        self.waiting = iter(groups)
        self.worker = worker
        self.connections = connections
        self.lock = threading.Lock()
        self.stop = threading.Event()
        self.ready: queue.Queue[tuple[str, T | BaseException | None]] = queue.Queue(2 * connections)

    def run(self) -> Iterator[T]:
        threads = [
            threading.Thread(target=self._thread, daemon=True, name=f"fetch-{number}")
            for number in range(self.connections)
        ]
        for thread in threads:
            thread.start()
        try:
            running = len(threads)
            while running:
                kind, value = self.ready.get()
                if kind == "end":
                    running -= 1
                elif kind == "error":
                    assert isinstance(value, BaseException)
                    raise value
                else:
                    yield value  # type: ignore[misc]
        finally:
            self.stop.set()
            for thread in threads:
                thread.join()

    def _thread(self) -> None:
        try:
            self.worker(self._groups(), self._give)
            self._put("end", None)
        except _StoppedError:
            pass
        except BaseException as error:
            with suppress(_StoppedError):
                self._put("error", error)

    def _groups(self) -> Iterator[Group]:
        while not self.stop.is_set():
            with self.lock:
                try:
                    group = next(self.waiting)
                except StopIteration:
                    return
            yield group

    def _give(self, value: T) -> None:
        self._put("value", value)

    def _put(self, kind: str, value: T | BaseException | None) -> None:
        while not self.stop.is_set():
            try:
                self.ready.put((kind, value), timeout=0.2)
                return
            except queue.Full:
                continue
        raise _StoppedError
