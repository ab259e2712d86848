"""The same on a dask cluster: workers and the scheduler may be killed."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import pytest
from fake_archive import HELPERS, ROOT, check_books, count, films, open_store, reader_of, sources
from loopback import free_port
from odd_work import Odd
from squareon_fakes import write_film

from pipeline.archive import engine
from pipeline.archive.cluster import do_task
from pipeline.batch.processes import packed
from pipeline.knee.errors import Problem
from pipeline.records.files import StopError

pytest.importorskip("distributed", reason="dask.distributed is not installed")
COUNT = 60


@pytest.fixture(autouse=True)
def often(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(engine, "NOTE_FILMS", 5)


@contextmanager
def dask(*words: str) -> Iterator[subprocess.Popen[bytes]]:
    """A scheduler or a worker as a program of its own."""
    environment = {**os.environ, "PYTHONPATH": str(HELPERS)}
    process = subprocess.Popen(
        [sys.executable, "-m", "distributed.cli.dask_" + words[0], *words[1:]],
        env=environment,
        cwd=ROOT,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        start_new_session=True,
    )
    try:
        yield process
    finally:
        end(process)


def end(process: subprocess.Popen[bytes]) -> None:
    """kill -9 of a program and what it has started."""
    with suppress(ProcessLookupError):
        os.killpg(process.pid, signal.SIGKILL)
    process.wait()


def scheduler(port: int) -> list[str]:
    return ["scheduler", "--host", "127.0.0.1", "--port", str(port), "--no-dashboard"]


def worker(port: int) -> list[str]:
    return [
        "worker",
        f"tcp://127.0.0.1:{port}",
        *("--nthreads", "1", "--nworkers", "1", "--no-dashboard", "--death-timeout", "60"),
    ]


def all_there(folder: Path) -> None:
    with open_store(folder) as store:
        assert sources(store) == [f"{n:05d}.film" for n in range(COUNT)]
        assert count(store, "films") == count(store, "films", "state = 'read'") == COUNT
        check_books(store)


def test_a_cluster_started_here_reads_what_processes_read(tmp_path: Path) -> None:
    """A film that crashes its process does not end the cluster's worker."""
    archive = films(tmp_path / "films", COUNT)
    write_film(archive / "0001" / "bomb.film", bomb=True)
    with open_store(tmp_path) as store:
        outcome = reader_of(archive, store, engine="local", task=30).run()
        assert dict(outcome.films) == {"read": COUNT, "failed": 1}
        assert reader_of(archive, store, engine="local").run().before == COUNT + 1
        assert count(store, "films", "what LIKE '%ended the process%'") == 1
    with open_store(tmp_path) as store:
        assert sources(store) == [f"{n:05d}.film" for n in range(COUNT)]
        check_books(store)


def test_scheduler_and_workers_killed(tmp_path: Path) -> None:
    archive = films(tmp_path / "films", COUNT, slow=0.04)
    port, happened = free_port(), []
    first_noted, second_noted = threading.Event(), threading.Event()

    def progress(done: int, total: int | None) -> None:
        if done >= 5:
            first_noted.set()
        if done >= 30:
            second_noted.set()

    with open_store(tmp_path) as store:
        reader = reader_of(
            archive,
            store,
            engine=f"tcp://127.0.0.1:{port}",
            task=10,
            patience_s=60.0,
            progress=progress,
        )
        failed: list[BaseException] = []

        def read() -> None:
            try:
                reader.run()
            except BaseException as error:
                failed.append(error)

        reading = threading.Thread(target=read)
        with dask(*scheduler(port)) as one, dask(*worker(port)) as busy:
            reading.start()
            assert first_noted.wait(300)
            end(busy)  # a worker alone
            happened.append("worker")
            with dask(*worker(port)):
                assert second_noted.wait(300)
                end(one)
                happened.append("scheduler")
        assert reader.outcome.done < COUNT
        with dask(*scheduler(port)), dask(*worker(port)):
            reading.join(120)
            assert not reading.is_alive()
    assert not failed, failed
    assert happened == ["worker", "scheduler"]
    all_there(tmp_path)


def test_a_task_says_no_name_and_raises_nothing() -> None:
    """Dask writes the beginning of a task's arguments, and what it raises, into its logs."""
    task = [["raise Quillonby/Persephone.dcm"]]
    assert b"uillonby" not in packed(task)
    results, error = do_task(packed(task), packed(Odd))
    assert (results, type(error)) == ([], ValueError)
    results, error = do_task(packed([["a"], ["die", "b"]]), packed(Odd))
    assert (results, error) == ([["a"], ["left die", "b"]], None)


def test_no_scheduler_is_said(tmp_path: Path) -> None:
    archive = films(tmp_path / "films", 3)
    with open_store(tmp_path) as store:
        reader = reader_of(archive, store, engine=f"tcp://127.0.0.1:{free_port()}", patience_s=0.0)
        with pytest.raises(StopError, match="no dask scheduler answers"):
            reader.run()


def test_an_engine_that_is_none_is_said() -> None:
    from fake_archive import settings

    with pytest.raises(Problem, match="is no engine"):
        settings(engine="cloud")
