"""Processes that crash, are killed or go on too long: what they were at is all that it costs."""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from odd_work import Odd, broken

from pipeline.batch.processes import Isolated, in_processes
from pipeline.records.files import StopError


@pytest.fixture
def lane() -> Iterator[Isolated[list[str], list[str]]]:
    one: Isolated[list[str], list[str]] = Isolated(Odd)
    yield one
    one.close()


def test_what_crashes_again_and_again_is_left_and_the_rest_is_done(
    lane: Isolated[list[str], list[str]],
) -> None:
    assert lane(["a", "die", "b", "die", "c"]) == ["a", "left die", "b", "left die", "c"]
    assert lane(["d", "die now", "e"]) == ["d", "left die now", "e"]


@pytest.mark.parametrize("times", [1, 2])
def test_what_others_kill_once_or_twice_is_done_again(
    lane: Isolated[list[str], list[str]], tmp_path: Path, times: int
) -> None:
    word = f"killed {times} {tmp_path / 'marks'}"
    assert lane(["a", word, "b"]) == ["a", word, "b"]


def test_what_a_library_prints_is_no_answer(lane: Isolated[list[str], list[str]]) -> None:
    assert lane(["print nonsense", "a"]) == ["print nonsense", "a"]


def test_an_error_of_the_work_is_raised_and_the_process_goes_on(
    lane: Isolated[list[str], list[str]],
) -> None:
    with pytest.raises(ValueError, match="so it was told"):
        lane(["raise so it was told"])
    assert lane(["a"]) == ["a"]


def test_a_process_that_cannot_start_stops_the_run() -> None:
    with pytest.raises(StopError, match="as soon as it starts"):
        list(in_processes([["a"]], broken, 1))


def test_all_units_are_done_once_by_several_processes() -> None:
    units = [[f"unit {n}", *(["die"] if n % 7 == 3 else [])] for n in range(20)]
    found = sorted(in_processes(units, Odd, 2))
    assert found == sorted([unit[0], *(f"left {w}" for w in unit[1:])] for unit in units)


def test_units_are_taken_as_they_are_needed() -> None:
    """Memory stays flat: no more units are asked for than can be at work or wait."""
    taken: list[int] = []

    def units() -> Iterator[list[str]]:
        for number in range(1000):
            taken.append(number)
            yield [str(number)]

    running = in_processes(units(), Odd, 2)
    next(running)
    time.sleep(0.5)
    assert len(taken) <= 10
    running.close()  # type: ignore[attr-defined]


def test_stopping_ends_a_process_at_work() -> None:
    running = in_processes([["a"], ["wait 600"]], Odd, 2)
    assert next(running) == ["a"]
    before = time.monotonic()
    running.close()  # type: ignore[attr-defined]
    assert time.monotonic() - before < 300


@pytest.mark.skipif(sys.platform != "linux", reason="looks into /proc")
def test_a_process_ends_when_nobody_asks_any_more() -> None:
    """After kill -9 of who started it nothing is left running."""
    code = (
        "import sys, time; sys.path.insert(0, sys.argv[1])\n"
        "from odd_work import Odd\nfrom pipeline.batch.processes import Isolated\n"
        "lane = Isolated(Odd); lane(['a']); print(lane._process.pid, flush=True)\n"
        "time.sleep(600)\n"
    )
    helpers = Path(__file__).parents[1] / "helpers"
    parent = subprocess.Popen(
        [sys.executable, "-c", code, str(helpers)], stdout=subprocess.PIPE, text=True
    )
    assert parent.stdout is not None
    child = int(parent.stdout.readline())
    parent.kill()
    parent.wait()
    deadline = time.monotonic() + 300
    while Path(f"/proc/{child}").exists() and time.monotonic() < deadline:
        time.sleep(0.05)
    state = Path(f"/proc/{child}/stat")
    assert not state.exists() or state.read_text().split()[2] == "Z"
