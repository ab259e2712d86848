"""Cost of path lengths against size: `python tests/render/bench_size.py`.

Processor time of one core and the memory a film needs, 256 to 3000 pixels on a side, 10^3 to 10^6
triangles. Memory is the most that arrays take while a film is made, the film
itself included and the mesh not.
"""

from __future__ import annotations

import sys
import time
import tracemalloc
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from shapes import ball, camera

from pipeline.knee.anatomy import Mesh
from synthetic_data.render.raster import path_lengths

SIZES = (256, 512, 1024, 2048, 3000)
TRIANGLES = (1_000, 10_000, 100_000, 1_000_000)


def one(triangles: int, size: int) -> None:
    made: Mesh = ball(triangles, (50, 80, 60), 0.05)
    film = camera(size)
    tracemalloc.start()  # numpy reports its arrays to it
    path_lengths(made, film)
    grown = tracemalloc.get_traced_memory()[1] / 1e6
    tracemalloc.stop()
    # The least of many: what others do on the machine only ever adds.
    spent, start = [], time.process_time()
    while len(spent) < 3 or (time.process_time() - start < 0.5 and len(spent) < 100):
        begin = time.process_time()
        path_lengths(made, film)
        spent.append(time.process_time() - begin)
    each = min(spent)
    mesh_mb = (made.vertices.nbytes + made.faces.nbytes) / 1e6
    print(
        f"| {len(made.faces):,} | {size} | {each * 1000:.1f} | {1 / each:,.1f} | {grown:.0f} | "
        f"{mesh_mb:.1f} |",
        flush=True,
    )


def main() -> None:
    path_lengths(ball(500, (30, 40, 35)), camera(64))  # compiles
    print("| triangles | pixels on a side | ms a film | films/s | MB | MB of the mesh |")
    print("| --- | --- | --- | --- | --- | --- |", flush=True)
    for triangles in TRIANGLES:
        for size in SIZES:
            one(triangles, size)


if __name__ == "__main__":
    main()
