"""What the engine costs: `python tests/archive/bench_archive.py WHAT [options]`.

    throughput   films a second from a folder, beside bare decoding, bare forward passes of the
                 networks and bare reading, in turns in the same run, in as many processes
    scaling      the same films with one and two processes, in turns
    memory       many tiny films with a fast fake detector through the real engine; memory of every
                 process while they pass, and a picture of it
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
import resource
import statistics
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1] / "helpers"))
import archive_bench
from fake_archive import children, films, reader_of
from postgres_server import PostgresServer
from store_cases import KEY

from pipeline.archive.engine import Reader, model_of
from pipeline.archive.settings import ArchiveSettings
from pipeline.archive.sources.folder import FolderSource
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


def archived(root: Path, chosen: ArchiveSettings) -> Callable[[int], int]:
    """Reads the first films of a folder into a new store."""

    def work(count: int) -> int:
        with tempfile.TemporaryDirectory() as folder:
            source = FolderSource(str(root / f"first-{count}"))
            with Store.open(f"{folder}/store.sqlite", KEY) as store:
                outcome = Reader(source, store, chosen, model_of(chosen.read())).run()
        assert outcome.films.total() == count, outcome
        return count

    return work


def firsts(root: Path, paths: Sequence[Path], counts: Sequence[int]) -> None:
    """Folders of links to the first films."""
    for count in counts:
        for path in paths[:count]:
            link = root / f"first-{count}" / path.parent.name / path.name
            link.parent.mkdir(parents=True, exist_ok=True)
            if not link.exists():
                os.link(path, link)


def throughput(options: argparse.Namespace) -> None:
    with tempfile.TemporaryDirectory(dir=options.folder) as temporary:
        for jpegls in (False, True):
            root = Path(temporary) / ("jpeg-ls" if jpegls else "raw")
            archive_bench.write_films(root / "all", options.films, options.drawn, jpegls)
            paths = sorted((root / "all").rglob("*.dcm"))
            firsts(root, paths, (2, len(paths)))
            size = paths[0].stat().st_size / 1e6
            print(f"\n{len(paths)} films, {root.name}, {size:.1f} MB, {options.workers} processes")
            chosen = settings_of(workers=options.workers)
            threads = max(1, (os.cpu_count() or 1) // options.workers)
            engine = archived(root, chosen)

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
                "archive": engine,
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
        archive_bench.write_films(root / "all", options.films, options.drawn, False)
        paths = sorted((root / "all").rglob("*.dcm"))
        firsts(root, paths, (2, len(paths)))
        found: dict[str, list[tuple[float, float]]] = {"1 process": [], "2 processes": []}
        # One thread each, so that only the number of processes differs.
        chosen = {
            name: settings_of(workers=workers, detector=_one_thread())
            for name, workers in (("1 process", 1), ("2 processes", 2))
        }
        print(f"{len(paths)} films; load {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")
        for _ in range(options.rounds):
            for name in found:
                found[name].append(steady(archived(root, chosen[name]), len(paths)))
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

        before = time.perf_counter()
        with Store.open(f"{temporary}/store.sqlite", KEY) as store:
            outcome = reader_of(root, store, workers=options.workers, progress=progress).run()
        took = time.perf_counter() - before
        store_mb = Path(f"{temporary}/store.sqlite").stat().st_size / 1e6
    print(f"{outcome.films.total()} films in {took:.0f} s, store {store_mb:.0f} MB")
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
                if callable(size):
                    print(f"{name:<11} {size(store) / at:7.0f} bytes a film")


@contextmanager
def sqlite(folder: str | None) -> Iterator[tuple[str, Any]]:
    with tempfile.TemporaryDirectory(dir=folder) as temporary:
        path = Path(temporary) / "store.sqlite"
        yield str(path), lambda store: path.stat().st_size


@contextmanager
def postgresql(folder: str | None) -> Iterator[tuple[str, Any]]:
    server = PostgresServer()
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
    parser.add_argument("what", choices=("throughput", "scaling", "memory", "inserts"))
    parser.add_argument("--films", type=int, default=40)
    parser.add_argument("--drawn", type=int, default=8, help="films that are rendered")
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--batch", type=int, default=200)
    parser.add_argument("--folder", help="where temporary films and stores lie")
    parser.add_argument("--readings", help="readings.jsonl to take a reading from (inserts)")
    parser.add_argument("--picture", help="PNG of the memory")
    parser.add_argument("--table", help="JSON of the memory")
    options = parser.parse_args()
    globals()[options.what](options)


if __name__ == "__main__":
    main()
