"""Work in processes of our own: one that crashes costs what it was at, and nothing else.

A process is a program of its own, spoken to through its standard input and output, so that it
can be started anywhere (a process that a cluster started may have no children of the usual
kind), and ends by itself when whoever started it is gone.
"""

from __future__ import annotations

import os
import pickle
import queue
import signal
import subprocess
import sys
import threading
import zlib
from collections import Counter
from collections.abc import Callable, Collection, Generator, Iterable
from contextlib import suppress
from typing import IO, Any, Generic, Protocol, TypeVar

from pipeline.records.files import AGAIN, StopError

ALGEBRA_THREADS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")
"""Names by which libraries of linear algebra are told how many threads to start."""

TRIES = 3
"""How often a process may end at one thing before that is left alone.

More than two: somebody else may end processes too (a machine short of memory, an administrator),
and over a large archive the same film is met by two of these now and then.
"""

Mark = Callable[[str], None]
U = TypeVar("U")
R = TypeVar("R")
U_contra = TypeVar("U_contra", contravariant=True)
R_co = TypeVar("R_co", covariant=True)


def unmarked(name: str) -> None:
    """A mark for which nobody waits."""


class Work(Protocol[U_contra, R_co]):
    """What is made once in each process and does one unit after the other.

    `skip` are marks that ended the process before: to be left alone and told of in the result.
    `mark` is called with a name before anything is done that may end the process.
    """

    def __call__(self, unit: U_contra, skip: Collection[str], mark: Mark, /) -> R_co: ...


class _Died(Exception):
    """The process ended; `at` is what it was at, None before it had begun."""

    def __init__(self, at: str | None) -> None:
        super().__init__(at)
        self.at = at


class Isolated(Generic[U, R]):
    """One process that does units; a new one takes its place when it ends.

    Args:
        make: makes the work in the process; found there by import, so no function of `__main__`.
    """

    def __init__(self, make: Callable[[], Work[U, R]]) -> None:
        self._make = make
        self._process: subprocess.Popen[bytes] | None = None
        self._closed = False

    def __call__(self, unit: U) -> R:
        """The result of a unit, whatever its process dies of. Raises what the work raises."""
        skip: set[str] = set()
        deaths: Counter[str | None] = Counter()
        while True:
            try:
                return self._ask(unit, skip)
            except _Died as died:
                if self._closed:
                    raise
                deaths[died.at] += 1
                if deaths[died.at] < TRIES:
                    continue
                if died.at is None:
                    what = "the process that reads films ends as soon as it starts"
                    raise StopError("squareon", what, f"look at what it says and {AGAIN}") from None
                skip.add(died.at)

    def close(self) -> None:
        """Ends the process for good, whatever it is at; any thread may say so."""
        self._closed = True
        self._end()

    def _end(self) -> None:
        process, self._process = self._process, None
        if process is None:
            return
        process.kill()
        process.wait()
        for pipe in (process.stdin, process.stdout):
            assert pipe is not None
            with suppress(OSError):
                pipe.close()

    def _ask(self, unit: U, skip: Collection[str]) -> R:
        at: str | None = None
        try:
            if self._process is None:
                self._process = self._started()
            if self._closed:  # while it was started
                raise EOFError
            into, out = self._process.stdin, self._process.stdout
            assert into is not None
            assert out is not None
            _send(into, (unit, frozenset(skip)))
            while True:
                kind, value = pickle.load(out)
                if kind == "at":
                    at = value
                elif kind == "done":
                    return value
                else:
                    break
        except (EOFError, OSError, ValueError, pickle.UnpicklingError):
            self._end()
            raise _Died(at) from None
        raise value

    def _started(self) -> subprocess.Popen[bytes]:
        # The import path first: what is made may be known only where this process looks.
        code = (
            "import pickle, sys; sys.path[:] = pickle.load(sys.stdin.buffer); "
            "from pipeline.batch.processes import serve; serve()"
        )
        one = dict.fromkeys(ALGEBRA_THREADS, "1")
        process = subprocess.Popen(
            [sys.executable, "-c", code],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            # Matrices here are small, and as many threads as cores in every process would fight.
            env={**one, **os.environ},
        )
        assert process.stdin is not None
        _send(process.stdin, sys.path)
        _send(process.stdin, self._make)
        return process


def serve() -> None:
    """The life of such a process: makes its work, then answers until nobody asks any more."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # who started it decides what Ctrl-C means
    into = sys.stdin.buffer
    out = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # whatever a library prints is no answer
    work: Work[Any, Any] | None = None
    with suppress(EOFError, BrokenPipeError):
        make = pickle.load(into)
        while True:
            unit, skip = pickle.load(into)
            try:
                if work is None:
                    work = make()
                answer = "done", work(unit, skip, lambda name: _send(out, ("at", name)))
            except (EOFError, BrokenPipeError):
                raise
            except BaseException as error:
                answer = "raised", error
            _send(out, answer)


def packed(value: Any) -> bytes:
    """What may be sent to a process of this program, not to be read in a log."""
    return zlib.compress(pickle.dumps(value))


def unpacked(data: bytes) -> Any:
    """What was `packed`, by this program alone: whoever can change it can run what they like."""
    return pickle.loads(zlib.decompress(data))


def _send(pipe: IO[bytes], what: Any) -> None:
    pipe.write(pickle.dumps(what))
    pipe.flush()


_END = object()


def in_processes(units: Iterable[U], make: Callable[[], Work[U, R]], workers: int) -> Generator[R]:
    """The results of all units, in the order in which they are finished.

    Units are taken as they are needed, from one thread at a time; at most two results a process
    wait to be taken. When the caller stops, all processes are ended.

    Raises what `units` or the work raises.
    """
    feed, turn = iter(units), threading.Lock()
    results: queue.Queue[tuple[str, Any]] = queue.Queue(2 * workers)
    stopped = threading.Event()
    lanes = [Isolated(make) for _ in range(workers)]

    def put(kind: str, value: Any = None) -> None:
        while not stopped.is_set():
            with suppress(queue.Full):
                results.put((kind, value), timeout=0.2)
                return

    def run(lane: Isolated[U, R]) -> None:
        try:
            while not stopped.is_set():
                with turn:
                    unit: Any = next(feed, _END)
                if unit is _END:
                    break
                put("done", lane(unit))
        except BaseException as error:
            put("raised", error)
        finally:
            lane.close()
            put("ended")

    threads = [threading.Thread(target=run, args=(lane,), daemon=True) for lane in lanes]
    for thread in threads:
        thread.start()
    left = workers
    try:
        while left:
            kind, value = results.get()
            if kind == "raised":
                raise value
            if kind == "done":
                yield value
            else:
                left -= 1
    finally:
        stopped.set()
        for lane in lanes:
            lane.close()
        for thread in threads:
            thread.join()
