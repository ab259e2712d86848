"""Work for tests of processes: what each of them is made to do."""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Collection, Sequence
from pathlib import Path

from pipeline.batch.processes import Mark


def environment(names: Sequence[str], skip: Collection[str], mark: Mark) -> list[str | None]:
    return [os.getenv(name) for name in names]


def make_environment() -> object:
    return environment


class Odd:
    """Does words: `die` ends the process, `killed N PATH` the first N times, `raise` raises."""

    def __call__(self, words: Sequence[str], skip: Collection[str], mark: Mark) -> list[str]:
        done = []
        for word in words:
            if word in skip:
                done.append(f"left {word}")
                continue
            mark(word)
            self._do(word)
            done.append(word)
        return done

    def _do(self, word: str) -> None:
        kind, _, rest = word.partition(" ")
        if kind == "die":
            os.kill(os.getpid(), signal.SIGSEGV)
        if kind == "killed":
            times, _, path = rest.partition(" ")
            with Path(path).open("a+") as marks:
                if marks.tell() < int(times):
                    marks.write("x")
                    marks.flush()
                    os.kill(os.getpid(), signal.SIGKILL)
        if kind == "raise":
            raise ValueError(rest)
        if kind == "print":
            print(rest)
        if kind == "wait":
            time.sleep(float(rest))


def broken() -> object:
    os._exit(3)
