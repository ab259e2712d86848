"""Processes killed, disks full: nothing lost, nothing doubled."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from fake_archive import (
    check_books,
    children,
    count,
    films,
    kill,
    open_store,
    reader_of,
    sources,
    start,
    wait_for,
)
from postgres_server import PostgresServer
from sqlalchemy import event
from squareon_fakes import write_film
from store_cases import KEY

from pipeline.archive import engine
from pipeline.records.files import StopError
from pipeline.records.store import Store

LINUX = pytest.mark.skipif(sys.platform != "linux", reason="looks into /proc")
COUNT = 80


@pytest.fixture(params=["sqlite", "postgresql"])
def url(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[str]:
    """The address of an empty store."""
    if request.param == "sqlite":
        address = str(tmp_path / "store.sqlite")
        Store.open(address, KEY).close()
        yield address
        return
    server: PostgresServer = request.getfixturevalue("postgres")
    with server.database() as address:
        Store.open(address, KEY).close()
        yield address


def all_there(store: Store) -> None:
    assert sources(store) == [f"{n:05d}.film" for n in range(COUNT)]
    assert count(store, "films") == count(store, "films", "state = 'read'") == COUNT
    check_books(store)


@LINUX
def test_the_whole_run_killed_again_and_again(url: str, tmp_path: Path) -> None:
    """kill -9 of the command and all its processes at once, as a power cut does."""
    archive = films(tmp_path / "films", COUNT, slow=0.01)
    done = []
    for enough in (5, 45):
        with Store.open(url, KEY) as store:
            run = start(archive, url, workers=2)
            wait_for(lambda enough=enough, store=store: count(store, "films") >= enough)
            os.killpg(run.pid, signal.SIGKILL)
            run.wait()
            done.append(count(store, "films"))
            check_books(store)
    assert done == sorted(done)
    assert done[0] < COUNT
    with Store.open(url, KEY) as store:
        outcome = reader_of(archive, store).run()
        assert outcome.before == done[-1]
        all_there(store)


@LINUX
def test_the_command_alone_killed_leaves_no_process_behind(tmp_path: Path) -> None:
    archive = films(tmp_path / "films", COUNT, slow=0.01)
    with open_store(tmp_path) as store:
        run = start(archive, str(tmp_path / "store.sqlite"), workers=2)
        wait_for(lambda: count(store, "films") >= 5)
        left = children(run.pid)
        assert left
        run.kill()
        run.wait()
        wait_for(lambda: not any(_runs(pid) for pid in left))
        reader_of(archive, store).run()
        all_there(store)


def _runs(pid: int) -> bool:
    status = Path(f"/proc/{pid}/stat")
    return status.exists() and status.read_text().rpartition(")")[2].split()[0] != "Z"


@LINUX
def test_workers_killed_while_they_read(tmp_path: Path) -> None:
    archive = films(tmp_path / "films", COUNT, slow=0.02)
    with open_store(tmp_path) as store:
        run = start(archive, str(tmp_path / "store.sqlite"), workers=2)
        killed = 0
        for enough in (5, 40):
            wait_for(lambda enough=enough: count(store, "films") >= enough)
            for pid in children(run.pid):
                kill(pid)
                killed += 1
        assert run.wait(timeout=600) == 0
        assert killed >= 3
        all_there(store)


def test_films_that_crash_their_process_cost_only_themselves(tmp_path: Path) -> None:
    archive = films(tmp_path / "films", 40)
    for number in (7, 23):
        write_film(archive / f"{number // 10:04d}" / f"{number:05d}.film", bomb=True, number=number)
    with open_store(tmp_path) as store:
        outcome = reader_of(archive, store, workers=2).run()
        assert dict(outcome.films) == {"read": 38, "failed": 2}
        assert len(sources(store)) == 38
        assert count(store, "films", "what LIKE '%ended the process%'") == 2
        assert reader_of(archive, store).run().before == 40
        check_books(store)


def test_a_store_without_room_stops_the_run(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """SQLite's own limit on pages: SQLITE_FULL, as on a full disk."""
    monkeypatch.setattr(engine, "NOTE_FILMS", 10)
    archive = films(tmp_path / "films", COUNT)
    with open_store(tmp_path) as store:
        reader_of(films(tmp_path / "few", 10), store).run()
        with store._engine.connect() as connection:
            pages = connection.exec_driver_sql("PRAGMA page_count").scalar_one()

        def limit(connection: object, record: object) -> None:
            connection.execute(f"PRAGMA max_page_count={pages + 60}")  # type: ignore[attr-defined]

        event.listen(store._engine, "connect", limit)
        store._engine.dispose()
        with pytest.raises(StopError, match="disk of the store is full"):
            reader_of(archive, store).run()
    with open_store(tmp_path) as store:
        done = count(store, "films")
        assert 10 < done < COUNT
        check_books(store)
        reader_of(archive, store).run()
        all_there(store)


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A disk of one megabyte."""
    disk = tmp_path / "disk"
    disk.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", str(disk)]
    try:
        done = subprocess.run(mount, capture_output=True, check=False)
    except FileNotFoundError:
        pytest.skip("this system has no mount")
    if done.returncode:
        pytest.skip("a small disk may not be mounted here (it takes root)")
    yield disk
    subprocess.run(["umount", str(disk)], check=True)


def test_a_full_disk_under_the_store(
    small_disk: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(engine, "NOTE_FILMS", 10)
    archive = films(tmp_path / "films", 250)
    with open_store(small_disk) as store, pytest.raises(StopError, match="full"):
        reader_of(archive, store).run()
    with open_store(small_disk) as store:
        done = count(store, "films")
        assert 0 < done < 250
        check_books(store)
    subprocess.run(["mount", "-o", "remount,size=64m", str(small_disk)], check=True)
    with open_store(small_disk) as store:
        outcome = reader_of(archive, store).run()
        assert (outcome.before, outcome.films["read"]) == (done, 250 - done)
        assert len(store.readings()) == 250
        check_books(store)


def test_a_full_disk_under_fetched_films(small_disk: Path, tmp_path: Path) -> None:
    from fake_archive import ServerSource

    archive = films(tmp_path / "films", 30)
    large = archive / "0001" / "large.film"
    write_film(large, view="AP", more="x" * 2_000_000)
    source = ServerSource("fake://server", str(archive))
    with open_store(tmp_path) as store:
        with pytest.raises(StopError, match="the disk is full"):
            reader_of(source, store, spool=str(small_disk)).run()
        check_books(store)
        assert list(small_disk.iterdir()) == []
        subprocess.run(["mount", "-o", "remount,size=64m", str(small_disk)], check=True)
        reader_of(source, store, spool=str(small_disk)).run()
        assert count(store, "films", "state = 'read'") == len(store.readings()) == 31
        check_books(store)
