"""How long from a dragged landmark to new angles: `python tests/review/bench_drag.py`.

Drags one landmark of an AP and of a lateral film in the browser, many small steps, and prints
median and 95th percentile of change to update (page, server and back), of the server's own share,
and of the fit alone in processor time, which other work on the machine does not lengthen.
"""

from __future__ import annotations

import json
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "helpers"))

from loopback import free_port
from review_browser import Visit, chromium
from review_house import desk_of, id_of, make_results, start_process, wait_until_up

from pipeline.records.store import open_store
from pipeline.review.changes import Changes
from pipeline.review.desk import Viewer

STEPS = 60


def told(times: list[float]) -> dict[str, float]:
    return {
        "median_ms": round(float(np.median(times)), 1),
        "p95_ms": round(float(np.percentile(times, 95)), 1),
        "count": len(times),
    }


def main() -> None:
    figures: dict[str, dict[str, dict[str, float]]] = {}
    with tempfile.TemporaryDirectory() as folder:
        results = make_results(Path(folder))
        port = free_port()
        process = start_process(results, port)  # as it is used: not in the browser's process
        wait_until_up(process, port)
        with open_store(str(results)) as store, chromium() as browser:
            for view, name in (("AP", "pair/AP.dcm"), ("lateral", "pair/lateral.dcm")):
                id = id_of(store, name)
                visit = Visit(browser, f"http://127.0.0.1:{port}")
                served: list[float] = []
                visit.page.on(
                    "response",
                    lambda r, served=served: (
                        served.append(float(r.headers["server-timing"].split("=")[-1]))
                        if "/api/recompute/" in r.url
                        else None
                    ),
                )
                visit.film(id)
                x, y = visit.centre("fibular_head")
                mouse = visit.page.mouse
                mouse.move(x, y)
                mouse.down()
                for step in range(STEPS):
                    mouse.move(x + 6 + step / 4, y + 3)
                    visit.settle()
                mouse.up()
                spent = visit.page.evaluate(
                    "performance.getEntriesByName('change to update').map(e => e.duration)"
                )
                visit.close()
                desk, cpu = desk_of(store), []
                desk.recompute(id, Changes(), Viewer())
                for step in range(STEPS):
                    place = {"fibular_head": (180.0 + step / 4, 400.0)}
                    began = time.thread_time()
                    desk.recompute(id, Changes(place), Viewer())
                    cpu.append(1000 * (time.thread_time() - began))
                figures[view] = {
                    "change_to_update": told(spent[1:]),
                    "server": told(served[1:]),
                    "server_processor_time": told(cpu),
                }
        process.kill()
        process.wait()
    print(json.dumps(figures, indent=1))


if __name__ == "__main__":
    main()
