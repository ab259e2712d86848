"""Work of the benchmark in processes: the same in any number of them, and a lost one is told."""

from __future__ import annotations

import os

import pytest

from pipeline.bench.pool import each
from pipeline.knee.errors import Problem

_added: list[int] = []


def prepare(number: int) -> None:
    _added[:] = [number]


def add(number: int) -> int:
    return number + _added[0]


def leave(number: int) -> int:
    os._exit(9)


@pytest.mark.parametrize("workers", [1, 2])
def test_results_come_in_the_order_of_the_jobs(workers: int) -> None:
    found = each(add, range(7), workers, prepare=prepare, parts=(10,), chunk=2)
    assert list(found) == list(range(10, 17))


def test_no_jobs_are_no_work() -> None:
    assert list(each(add, [], 2, prepare=prepare, parts=(1,))) == []


def test_a_process_that_is_ended_is_told_in_a_sentence() -> None:
    with pytest.raises(Problem, match=r"ended from outside.*fewer workers"):
        list(each(leave, range(2), 2))
