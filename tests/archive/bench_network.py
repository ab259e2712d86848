"""Reading from a real archive server on loopback: `python tests/archive/bench_network.py`.

The same films, in turns in the same run: `squareon archive` by DICOMweb, by C-GET and by C-MOVE;
the films fetched alone; a folder of them; and the bare work of as many processes, decoding
(pydicom) and the forward passes of the networks, of which the slower is the bound, and reading
with all stages but no engine, store or server. Aimed at: 0.8 of the bound. Printed are ratios,
by the time that passed and by processor time, which a busy machine changes less; the server's own
processor time is not in it.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1] / "helpers"))
import archive_bench
from bench_archive import _print, archived, settings_of, steady
from real_archive import Archive, send, serving_archive

from pipeline.archive.contract import Listed, Source, Wanted
from pipeline.archive.sources.dicomweb import DicomwebSource
from pipeline.archive.sources.dimse import DimseSource
from pipeline.archive.sources.folder import FolderSource
from pipeline.archive.sources.network import Network
from pipeline.batch.processes import in_processes


def sources(there: Archive) -> dict[str, Source]:
    node = f"dicom://{there.title}@127.0.0.1:{there.port}"
    move = Network(fetch_by="move", move_title="INBOX", move_port=there.inbox_port)
    return {
        "DICOMweb": DicomwebSource(f"{there.web}/dicom-web"),
        "C-GET": DimseSource(node),
        "C-MOVE": DimseSource(node, move),
    }


def fetched(source: Source) -> Callable[[int], int]:
    """Listed and fetched, and nothing more."""

    def work(count: int) -> int:
        listed = [each for each in source.list(Wanted()) if isinstance(each, Listed)][:count]
        with tempfile.TemporaryDirectory() as folder:
            got = list(source.fetch(listed, Path(folder)))
        assert len(got) == count
        assert all(isinstance(path, Path) for _, path in got), got
        return count

    return work


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--films", type=int, default=40)
    parser.add_argument("--drawn", type=int, default=4, help="films that are rendered")
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--jpegls", action="store_true", help="films compressed, lossless")
    parser.add_argument("--folder", help="where temporary films and the server's lie")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(dir=options.folder) as temporary:
        root = Path(temporary) / "films"
        archive_bench.write_films(root, options.films, options.drawn, options.jpegls)
        paths = sorted(root.rglob("*.dcm"))
        with serving_archive(Path(temporary) / "server") as there:
            send(there, paths)
            measure(there, paths, options)


def measure(there: Archive, paths: Sequence[Path], options: argparse.Namespace) -> None:
    chosen = settings_of(workers=options.workers)
    threads = max(1, (os.cpu_count() or 1) // options.workers)

    def bare(make: Any) -> Callable[[int], int]:
        def work(count: int) -> int:
            units = [paths[at : min(at + 2, count)] for at in range(0, count, 2)]
            return sum(in_processes(units, make, options.workers))

        return work

    jobs = {
        "bare decode": bare(archive_bench.decode),
        "bare forward": bare(archive_bench.forward(chosen.read(), threads, paths[0])),
        "bare reading": bare(archive_bench.read(chosen.read(), threads)),
        "read folder": archived(FolderSource(str(paths[0].parents[1])), chosen),
    }
    for name, source in sources(there).items():
        jobs[f"fetch {name}"] = fetched(source)
        jobs[f"read {name}"] = archived(source, chosen)
    size = paths[0].stat().st_size / 1e6
    print(
        f"{len(paths)} films of {size:.1f} MB, {options.workers} processes; load "
        f"{os.getloadavg()[0]:.1f} on {os.cpu_count()} cores; medians of {options.rounds} turns"
    )
    found: dict[str, list[tuple[float, float]]] = {name: [] for name in jobs}
    for _ in range(options.rounds):
        for name, job in jobs.items():
            found[name].append(steady(job, len(paths)))
    rates = _print(found)
    slower = min("bare decode", "bare forward", key=lambda name: rates[name][0])
    for name in sources(there):
        read, fetch = rates[f"read {name}"], rates[f"fetch {name}"]
        print(
            f"{name}: reading / {slower} (the slower bound) {read[0] / rates[slower][0]:.2f}, by "
            f"processor time {rates[slower][1] / read[1]:.2f}; fetching alone / {slower} "
            f"{fetch[0] / rates[slower][0]:.1f}; reading / reading a folder, by processor time, "
            f"{rates['read folder'][1] / read[1]:.2f}"
        )


if __name__ == "__main__":
    main()
