"""The same work done by a dask cluster: several units to a task, every film still isolated.

A worker keeps a process of its own for each of its threads (`pipeline.batch.processes`), so
that a film never ends the worker. What a worker or a scheduler that is lost had in hand is given
out again; results that are there already are left out when they are noted.
"""

from __future__ import annotations

import hashlib
import threading
import time
from collections.abc import Callable, Generator, Iterable, Sequence
from typing import Any, TypeVar

from pipeline.archive.settings import LOCAL
from pipeline.batch.processes import Isolated, Work, packed, unpacked
from pipeline.knee.errors import Problem
from pipeline.records.files import AGAIN, StopError

U = TypeVar("U")
R = TypeVar("R")

AHEAD = 2
"""Tasks a thread of the cluster has in hand or waiting."""
LOST_OFTEN = 20
"""How often in a row tasks may be lost without one that succeeds."""
LOOK_S = 5.0


def in_cluster(
    tasks: Iterable[Sequence[U]],
    make: Callable[[], Work[U, R]],
    address: str,
    workers: int,
    patience_s: float,
) -> Generator[R]:
    """The results of all units of all tasks, in the order in which tasks are finished.

    Args:
        address: of a scheduler, or `LOCAL` for a cluster of `workers` processes started here.
        patience_s: how long a scheduler that is gone, or a cluster without workers, is waited for.

    Raises what the work raises, and `StopError` where the cluster does not come back.
    """
    feed = iter(tasks)
    again: list[Sequence[U]] = []
    lost = 0
    while True:
        cluster = _Cluster(address, workers, patience_s)
        try:
            running: dict[Any, Sequence[U]] = {}
            more = True
            while True:
                while (more or again) and len(running) < AHEAD * cluster.threads():
                    task = again.pop() if again else next(feed, None)
                    if task is None:
                        more = False
                        break
                    running[cluster.submit(task, make)] = task
                if not running:
                    return
                for future in cluster.finished(running):
                    task = running.pop(future)
                    results = cluster.result(future)
                    if results is None:  # its worker was lost again and again
                        lost += 1
                        again.append(task)
                        if lost > LOST_OFTEN:
                            what = "its workers end before they have read their films"
                            raise StopError(address, what, f"look at their output and {AGAIN}")
                        continue
                    lost = 0
                    yield from results
        except _GoneError:
            again += running.values()
        finally:
            cluster.close()


class _GoneError(Exception):
    """The scheduler is gone, and with it all that was in hand."""


class _Cluster:
    """A connection to a cluster; one that is local is started and ended with it."""

    def __init__(self, address: str, workers: int, patience_s: float) -> None:
        try:
            import distributed
        except ImportError as error:
            raise Problem(
                "dask.distributed",
                "is not installed, and a cluster needs it",
                "pip install 'squareon[archive]', or leave out engine=",
            ) from error
        self._distributed = distributed
        self._patience_s = patience_s
        self._address = address
        self._own: Any = None
        self._client: Any = None
        self._looked, self._threads = -LOOK_S, 1
        if address == LOCAL:
            self._own = distributed.LocalCluster(
                n_workers=workers, threads_per_worker=1, dashboard_address=None
            )
        until = time.monotonic() + patience_s
        while self._client is None:
            try:
                self._client = distributed.Client(
                    self._own or address, timeout=max(1.0, min(10.0, patience_s))
                )
            except (OSError, TimeoutError) as error:
                if time.monotonic() >= until:
                    self.close()
                    raise StopError(
                        address, "no dask scheduler answers there", f"start it and {AGAIN}"
                    ) from error
                time.sleep(0.5)

    def close(self) -> None:
        for each in (self._client, self._own):
            if each is not None:
                try:
                    each.close(timeout=5)
                except Exception:  # it is gone already; there is nothing left to close
                    continue

    def threads(self) -> int:
        """Threads of all workers, at least 1; looked at now and then."""
        if time.monotonic() - self._looked > LOOK_S:
            try:
                self._threads = max(1, sum(self._client.nthreads().values()))
            except Exception as error:
                raise _GoneError from error
            self._looked = time.monotonic()
        return self._threads

    def submit(self, task: Sequence[U], make: Callable[[], Work[U, R]]) -> Any:
        # Packed, because dask writes the beginning of a task's arguments into its logs.
        return self._client.submit(do_task, packed(list(task)), packed(make), pure=False)

    def finished(self, running: Iterable[Any]) -> list[Any]:
        """Futures that are done, at least one. Raises `_GoneError`, `StopError`."""
        idle_since = time.monotonic()
        while True:
            try:
                done = self._distributed.wait(
                    list(running), timeout=1.0, return_when="FIRST_COMPLETED"
                ).done
                if done:
                    return list(done)
            except TimeoutError:
                pass
            except Exception as error:  # cancelled, closed: however it says that it is gone
                raise _GoneError from error
            if self._client.status != "running":
                raise _GoneError
            if self._workers():
                idle_since = time.monotonic()
            elif time.monotonic() - idle_since > self._patience_s:
                raise StopError(
                    self._address, "the cluster has no workers", f"start some and {AGAIN}"
                )

    def _workers(self) -> int:
        try:
            return len(self._client.scheduler_info(n_workers=-1)["workers"])
        except Exception as error:
            raise _GoneError from error

    def result(self, future: Any) -> Any:
        """What a task gave; None where its workers were lost. Raises what the work raised."""
        if future.status in ("cancelled", "lost"):
            raise _GoneError
        try:
            results, error = future.result(timeout=30)
        except self._distributed.scheduler.KilledWorker:
            return None
        except (OSError, TimeoutError) as lost:
            raise _GoneError from lost
        if error is not None:
            raise error
        return results


# ---- in a worker --------------------------------------------------------------------------------

_own = threading.local()


def do_task(task: bytes, made: bytes) -> tuple[list[Any], Exception | None]:
    """All units of a task, one after the other, in this thread's own process.

    What they raise is returned: dask would write it into its logs, with the names of films.
    """
    key = hashlib.sha256(made).hexdigest()
    if getattr(_own, "key", None) != key:
        if getattr(_own, "lane", None) is not None:
            _own.lane.close()
        _own.lane, _own.key = Isolated(unpacked(made)), key
    try:
        return [_own.lane(unit) for unit in unpacked(task)], None
    except Exception as error:
        return [], error
