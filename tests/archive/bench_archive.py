"""What the engine costs: `python tests/archive/bench_archive.py WHAT [options]`.

    throughput   films a second from a folder, beside bare decoding, bare forward passes of the
                 networks and bare reading, in turns in the same run, in as many processes
                 (from a server: `bench_network.py`)
    scaling      the same films with one and two processes, in turns
    memory       many tiny films with a fast fake detector through the real engine; memory of every
                 process while they pass, and a picture of it
    simulate     the real command and store with many workers that only wait as long as a film takes
    inserts      films noted a second, SQLite and PostgreSQL, as the store grows

Printed are ratios against a peer of the same run; processor time beside the time that passed, since
a busy machine changes the second more than the first.
"""

from __future__ import annotations

import argparse
import copy
import hashlib
import json
import os
import pickle
import random
import resource
import statistics
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1] / "helpers"))
import archive_bench
from fake_archive import children, films, reader_of
from postgres_server import PostgresServer
from sqlalchemy import text
from store_cases import KEY

from pipeline.archive import engine
from pipeline.archive.contract import Listed, Source
from pipeline.archive.engine import Reader, model_of
from pipeline.archive.settings import ArchiveSettings
from pipeline.archive.sources.folder import FolderSource
from pipeline.batch import processes
from pipeline.batch.processes import in_processes
from pipeline.cli import compose
from pipeline.knee.reading import MadeBy
from pipeline.records.store import Store
from pipeline.records.store.films import FilmLedger, FilmSeen


def processor_s() -> float:
    """Of this process and all that have ended."""
    return sum(
        use.ru_utime + use.ru_stime
        for use in map(resource.getrusage, (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    )


def steady(work: Callable[[int], int], count: int) -> tuple[float, float]:
    """Films a second and processor milliseconds a film, once all has started.

    `work(count)` against `work(2)`: what starting processes costs is taken off.
    """
    wall, busy = time.perf_counter(), processor_s()
    work(2)
    start_wall, start_busy = time.perf_counter() - wall, processor_s() - busy
    wall, busy = time.perf_counter(), processor_s()
    work(count)
    wall, busy = time.perf_counter() - wall - start_wall, processor_s() - busy - start_busy
    return (count - 2) / wall, 1000 * busy / (count - 2)


def settings_of(**changes: Any) -> ArchiveSettings:
    return ArchiveSettings(**{**compose("archive", ArchiveSettings, []), **changes})


def archived(source: Source, chosen: ArchiveSettings) -> Callable[[int], int]:
    """Reads the first films of a source into a new store."""

    def work(count: int) -> int:
        with tempfile.TemporaryDirectory() as folder:
            first = archive_bench.First(source, count)
            with Store.open(f"{folder}/store.sqlite", KEY) as store:
                outcome = Reader(first, store, chosen, model_of(chosen.read())).run()
        assert outcome.films.total() == count, outcome
        return count

    return work


def throughput(options: argparse.Namespace) -> None:
    with tempfile.TemporaryDirectory(dir=options.folder) as temporary:
        for jpegls in (False, True):
            root = Path(temporary) / ("jpeg-ls" if jpegls else "raw")
            archive_bench.write_films(root, options.films, options.drawn, jpegls)
            paths = sorted((root).rglob("*.dcm"))
            size = paths[0].stat().st_size / 1e6
            print(f"\n{len(paths)} films, {root.name}, {size:.1f} MB, {options.workers} processes")
            chosen = settings_of(workers=options.workers)
            threads = max(1, (os.cpu_count() or 1) // options.workers)
            archive = archived(FolderSource(str(root)), chosen)

            def bare(make: Any, paths: Sequence[Path] = paths) -> Callable[[int], int]:
                def work(count: int) -> int:
                    units = [paths[n : n + 2] for n in range(0, count, 2)]
                    return sum(in_processes(units, make, options.workers))

                return work

            read = chosen.read()
            jobs = {
                "bare decode": bare(archive_bench.decode),
                "bare forward": bare(archive_bench.forward(read, threads, paths[0])),
                "bare reading": bare(archive_bench.read(read, threads)),
                "archive": archive,
            }
            found: dict[str, list[tuple[float, float]]] = {name: [] for name in jobs}
            for _ in range(options.rounds):
                for name, job in jobs.items():
                    found[name].append(steady(job, len(paths)))
            rates = _print(found)
            slower = min("bare decode", "bare forward", key=lambda name: rates[name][0])
            by_time = rates["archive"][0] / rates[slower][0]
            by_processor = rates[slower][1] / rates["archive"][1]
            print(
                f"archive / {slower} (the slower bound): {by_time:.2f}, by processor time "
                f"{by_processor:.2f}"
            )
            print(
                f"archive / bare reading: {rates['archive'][0] / rates['bare reading'][0]:.2f}, "
                f"by processor time {rates['bare reading'][1] / rates['archive'][1]:.2f}"
            )


def _print(found: dict[str, list[tuple[float, float]]]) -> dict[str, tuple[float, float]]:
    rates = {}
    for name, each in found.items():
        rate, busy = (statistics.median(column) for column in zip(*each, strict=True))
        spread = f"{min(r for r, _ in each):.2f} to {max(r for r, _ in each):.2f}"
        print(f"  {name:<14} {rate:7.2f} films/s ({spread})   {busy:7.1f} ms of processor a film")
        rates[name] = (rate, busy)
    return rates


def scaling(options: argparse.Namespace) -> None:
    with tempfile.TemporaryDirectory(dir=options.folder) as temporary:
        root = Path(temporary)
        archive_bench.write_films(root, options.films, options.drawn, False)
        paths = sorted((root).rglob("*.dcm"))
        found: dict[str, list[tuple[float, float]]] = {"1 process": [], "2 processes": []}
        # One thread each, so that only the number of processes differs.
        chosen = {
            name: settings_of(workers=workers, detector=_one_thread())
            for name, workers in (("1 process", 1), ("2 processes", 2))
        }
        print(f"{len(paths)} films; load {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")
        for _ in range(options.rounds):
            for name in found:
                found[name].append(
                    steady(archived(FolderSource(str(root)), chosen[name]), len(paths))
                )
        rates = _print(found)
        one, two = rates["1 process"], rates["2 processes"]
        print(f"2 processes / (2 x 1 process): {two[0] / one[0] / 2:.2f}")
        print(f"processor time a film, 1 process / 2: {one[1] / two[1]:.2f}")


def _one_thread() -> dict[str, Any]:
    detector = dict(compose("archive", ArchiveSettings, [])["detector"])
    return {**detector, "threads": 1}


def resident_mb(pid: int) -> float:
    try:
        status = Path(f"/proc/{pid}/status").read_text()
    except OSError:
        return float("nan")
    return next(
        (float(line.split()[1]) / 1024 for line in status.splitlines() if "VmRSS" in line),
        float("nan"),
    )


def memory(options: argparse.Namespace) -> None:
    with tempfile.TemporaryDirectory(dir=options.folder) as temporary:
        root = films(Path(temporary) / "films", options.films)
        samples: list[tuple[int, float, list[float]]] = []

        def progress(done: int, total: int | None) -> None:
            if not samples or done - samples[-1][0] >= options.films / 500:
                # Not the processes that began last: those of a pool come first.
                read = [resident_mb(pid) for pid in children(os.getpid())]
                samples.append((done, resident_mb(os.getpid()), read))

        before, own = time.perf_counter(), time.process_time()
        with Store.open(f"{temporary}/store.sqlite", KEY) as store:
            outcome = reader_of(root, store, workers=options.workers, progress=progress).run()
        took, own = time.perf_counter() - before, time.process_time() - own
        store_mb = Path(f"{temporary}/store.sqlite").stat().st_size / 1e6
    print(
        f"{outcome.films.total()} films in {took:.0f} s, store {store_mb:.0f} MB, "
        f"{1000 * own / outcome.films.total():.2f} ms of the command's processor a film"
    )
    # Flat from the tenth part on, when caches and pages of the database are filled.
    late = [one for one in samples if one[0] >= options.films / 10 and one[2]]
    first, last = late[: len(late) // 9], late[-len(late) // 9 :]

    def mean(part: Sequence[tuple[int, float, list[float]]], own: bool) -> float:
        return statistics.mean(one[1] if own else max(one[2]) for one in part)

    for name, own in (("the command", True), ("a reading process", False)):
        a, b = mean(first, own), mean(last, own)
        peak = max(one[1] if own else max(one[2]) for one in late)
        print(
            f"  {name:<18} {a:6.1f} MB after a tenth, {b:6.1f} MB at the end ({b / a:.3f}), "
            f"most {peak:.1f} MB"
        )
    if options.picture:
        _plot(late, samples, options.picture)
    if options.table:
        Path(options.table).write_text(json.dumps(samples))


def _plot(late: Any, samples: Any, path: str) -> None:
    import matplotlib

    matplotlib.use("Agg")
    from matplotlib import pyplot

    figure, axes = pyplot.subplots(figsize=(7.2, 3.2), constrained_layout=True)
    done = [one[0] for one in samples]
    axes.plot(done, [one[1] for one in samples], "-", color="black", label="the command")
    pairs = [(one[0], max(one[2])) for one in samples if one[2]]
    axes.plot(
        *zip(*pairs, strict=True), "--", color="0.45", label="a reading process (the largest)"
    )
    axes.set(xlabel="films noted", ylabel="resident memory, MB", ylim=(0, None))
    axes.legend(frameon=False, loc="lower right")
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    figure.savefig(path, dpi=110)


def seen(number: int, row: dict[str, Any]) -> FilmSeen:
    mine = copy.copy(row)
    sha256 = hashlib.sha256(str(number).encode()).hexdigest()
    mine["film"] = {**row["film"], "sha256": sha256, "source": f"/films/{number // 4}/{number}.dcm"}
    mine["film"] |= {"sop_instance": f"1.2.{number}", "study_digest": f"{number // 2:016x}"}
    return FilmSeen(f"/films/{number}.dcm", sha256, 9_600_000, number, "read", (mine,))


def inserts(options: argparse.Namespace) -> None:
    rows = [json.loads(line) for line in Path(options.readings).read_text().splitlines()]
    row = next(row for row in rows if row["alignment"])
    made_by = row["made_by"]
    print(f"a reading is {len(json.dumps(row)) / 1e3:.1f} kB; {options.batch} films a transaction")
    for name, opened in (("SQLite", sqlite), ("PostgreSQL", postgresql)):
        with opened(options.folder) as (url, size):
            if not url:
                print(f"{name}: {size}")
                continue
            with Store.open(url, KEY) as store:
                ledger = FilmLedger(store, MadeBy(**made_by), "/films")
                if options.prefill:
                    prefill(store, options.prefill)
                before = size(store)
                at = 0
                for upto in range(options.films // 5, options.films + 1, options.films // 5):
                    wall, busy = time.perf_counter(), time.process_time()
                    count = upto - at
                    for start in range(at, upto, options.batch):
                        ledger.note([seen(n, row) for n in range(start, start + options.batch)])
                    at = upto
                    wall, busy = time.perf_counter() - wall, time.process_time() - busy
                    print(
                        f"{name:<11} {upto:7d} films: {count / wall:7.0f} films/s, "
                        f"{1000 * busy / count:.2f} ms of this process's processor a film"
                    )
                names = [
                    (f"/films/{n}.dcm", 9_600_000, n) for n in range(0, at, max(1, at // 20000))
                ]
                wall = time.perf_counter()
                assert len(ledger.known(names, failed_too=True)) == len(names)
                print(f"{name:<11} known: {len(names) / (time.perf_counter() - wall):7.0f} names/s")
                print(f"{name:<11} {(size(store) - before) / at:7.0f} bytes a film")


def prefill(store: Store, count: int) -> None:
    """So many films that were read before, in the tables that every new film is looked up in."""
    if store.url.get_backend_name() == "sqlite":
        letters = "lower(hex(randomblob(32)))"
        series = (
            "WITH RECURSIVE n(g) AS (SELECT 1 UNION ALL SELECT g + 1 FROM n WHERE g < :count) "
            f"SELECT g, {letters} AS sha256, {letters} AS name FROM n"
        )
    else:
        letters = "encode(sha256((g::text || 'NAME')::bytea), 'hex')"
        series = (
            f"SELECT g, {letters} AS sha256, {letters.replace('NAME', 'other')} AS name "
            "FROM generate_series(1, :count) AS g"
        )
    steps = (
        "INSERT INTO models VALUES (99, 'prefilled', 'prefilled')",
        f"CREATE TEMPORARY TABLE fill AS {series}",
        "INSERT INTO readings SELECT g, sha256, 0, 0, 'prefilled', 'prefilled' FROM fill "
        "ORDER BY sha256",
        "INSERT INTO films SELECT sha256, 99, 'read', 1, NULL, 1, '2026-01-01' FROM fill "
        "ORDER BY sha256",
        "INSERT INTO film_names SELECT name, sha256, 1, 1, NULL, '2026-01-01' FROM fill "
        "ORDER BY name",
        "INSERT INTO acquisitions SELECT sha256, name, 'op-0', 'st-0', '2026-01-01', 'DX', 'KNEE', "
        "NULL FROM fill ORDER BY sha256",
        "DROP TABLE fill",
    )
    with store._engine.begin() as connection:
        for step in steps:
            connection.execute(text(step), {"count": count} if ":count" in step else {})


@dataclass(frozen=True)
class Names:
    """A source that lists so many names and holds no films."""

    count: int
    address: str = "simulated"
    stays: bool = False

    def list(self, wanted: Any) -> Iterator[Listed]:
        for number in range(self.count):
            yield Listed(str(number), f"{number // 2}", 9_600_000)

    def fetch(self, listed: Any, folder: Path) -> Iterator[Any]:
        raise NotImplementedError


def simulate(options: argparse.Namespace) -> None:
    rows = [json.loads(line) for line in Path(options.readings).read_text().splitlines()]
    row = next(row for row in rows if row["alignment"])
    sent = pickle.dumps([seen(n, row) for n in range(engine.UNIT)])

    class Waiting:
        """Stands for a process: takes its time, more or less; what it sends is unpacked here."""

        def __init__(self, make: Any) -> None:
            self._random = random.Random(id(self))

        def __call__(self, listed: Any) -> Any:
            time.sleep(options.film_s * len(listed) * self._random.uniform(0.5, 1.5))
            came = pickle.loads(sent)[: len(listed)]
            return [renamed(one, mine.name) for one, mine in zip(came, listed, strict=True)]

        def close(self) -> None:
            pass

    processes.Isolated = Waiting  # type: ignore[assignment,misc]
    ideal = options.workers / options.film_s
    print(
        f"{options.films} films, {options.workers} workers of {options.film_s} s a film: "
        f"{ideal:.0f} films/s if nothing else took time"
    )
    for name, opened in (("SQLite", sqlite), ("PostgreSQL", postgresql)):
        with opened(options.folder) as (url, size):
            if not url:
                print(f"{name}: {size}")
                continue
            with Store.open(url, KEY) as store:
                if options.prefill:
                    prefill(store, options.prefill)
                chosen = settings_of(workers=options.workers)
                reader = Reader(Names(options.films), store, chosen, MadeBy(**row["made_by"]))
                wall, busy = time.perf_counter(), time.process_time()
                outcome = reader.run()
                wall, busy = time.perf_counter() - wall, time.process_time() - busy
                assert outcome.films["read"] == options.films
            rate = options.films / wall
            print(
                f"{name:<11} {rate:7.0f} films/s, {rate / ideal:.2f} of that; "
                f"{1000 * busy / options.films:.2f} ms of this process's processor a film"
            )


def renamed(one: FilmSeen, name: str) -> FilmSeen:
    """The film under another name and with another content."""
    sha256 = hashlib.sha256(name.encode()).hexdigest()
    (row,) = one.rows
    return replace(
        one, name=name, sha256=sha256, rows=({**row, "film": {**row["film"], "sha256": sha256}},)
    )


@contextmanager
def sqlite(folder: str | None) -> Iterator[tuple[str, Any]]:
    with tempfile.TemporaryDirectory(dir=folder) as temporary:
        path = Path(temporary) / "store.sqlite"
        yield str(path), lambda store: path.stat().st_size


@contextmanager
def postgresql(folder: str | None) -> Iterator[tuple[str, Any]]:
    server = PostgresServer(Path(folder or tempfile.gettempdir()), durable=True)
    if not server.available:
        yield "", server.missing
        return

    def size(store: Store) -> int:
        with store._engine.connect() as connection:
            return connection.exec_driver_sql(
                "SELECT pg_database_size(current_database())"
            ).scalar_one()

    with server, server.database() as address:
        yield address, size


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("what", choices=("throughput", "scaling", "memory", "simulate", "inserts"))
    parser.add_argument("--films", type=int, default=40)
    parser.add_argument("--drawn", type=int, default=8, help="films that are rendered")
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--film-s", type=float, default=0.25, help="(simulate)")
    parser.add_argument("--batch", type=int, default=200)
    parser.add_argument("--prefill", type=int, default=0, help="films read before (inserts)")
    parser.add_argument("--folder", help="where temporary films and stores lie")
    parser.add_argument("--readings", help="readings.jsonl to take a reading from")
    parser.add_argument("--picture", help="PNG of the memory")
    parser.add_argument("--table", help="JSON of the memory")
    options = parser.parse_args()
    globals()[options.what](options)


if __name__ == "__main__":
    main()
