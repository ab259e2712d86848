"""How long from a click to the next film: `python tests/practise/bench_practise.py [ROUNDS]`.

Plays exercises in a real browser against the server in a process of its own, the reader at work
in the background as in use, and prints median and 95th percentile of click to painted film at
768 x 768, of the server's own share, and of the same film on one thread in processor time, which
other work on the machine does not lengthen. The peer is the whole way without a rendering: the
film that is there already, fetched and painted again.
"""

from __future__ import annotations

import json
import os
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "helpers"))

from loopback import free_port
from practice_house import begin, practice_process
from review_browser import Visit, chromium
from review_house import wait_until_up

from pipeline.practise.desk import patient_of
from pipeline.practise.exercise import Exercise, code_of, draw
from pipeline.practise.table import Moves, aim_of, first_stand

FETCH = """async id => {
    const { call } = await import('/page/api.js');
    const { FilmStage } = await import('/practise/film.js');
    const stage = new FilmStage();
    document.querySelector('.controls').append(stage.element);
    const spent = [];
    for (let n = 0; n < 12; n++) {
        const began = performance.now();
        const response = await call(`/api/rounds/${id}/film`);
        const levels = new Uint16Array(await response.arrayBuffer());
        stage.show({ levels, rows: 768, columns: 768 }, 'film');
        await new Promise(done => requestAnimationFrame(() => setTimeout(done)));
        spent.push(performance.now() - began);
    }
    stage.element.remove();
    return spent.slice(2);
}"""


def told(times: list[float]) -> dict[str, float]:
    return {
        "median_ms": round(float(np.median(times)), 1),
        "p95_ms": round(float(np.percentile(times, 95)), 1),
        "count": len(times),
    }


def alone(exercise: Exercise) -> list[float]:
    """Processor time of films on one thread, ms."""
    patient = patient_of(exercise)
    stand, spent = first_stand(patient, exercise), []
    for number in range(7):
        stand = stand.after(Moves(orbital=1.5))
        began = time.thread_time()
        patient.film(aim_of(stand, exercise), number)
        spent.append(1000 * (time.thread_time() - began))
    return spent[1:]


def play(visit: Visit, exercise: Exercise, served: list[float]) -> tuple[list[float], list[float]]:
    """Click to film of one round, the first exposure of a patient included; and of the peer."""
    page = visit.page
    rng = np.random.default_rng(exercise.seed)
    begin(visit, code_of(exercise))
    for film in range(2, 9):
        page.fill("#move-orbital-number", str(int(rng.integers(1, 9))))
        page.fill("#move-other-number", str(-int(rng.integers(1, 9))))
        time.sleep(1.0)  # a learner looks at a film before the next
        page.get_by_role("button", name="Take the film").click()
        page.wait_for_selector(f".play[data-films='{film}']")
        visit.settle()
    spent = page.evaluate("performance.getEntriesByName('click to film').map(e => e.duration)")
    page.evaluate("performance.clearMeasures()")
    id: Any = page.evaluate(
        "performance.getEntriesByType('resource').map(e => e.name)"
        ".findLast(name => name.includes('/expose')).split('/').at(-2)"
    )
    peer = page.evaluate(FETCH, id)
    page.get_by_role("button", name="End").click()
    page.get_by_role("button", name="Overview").click()
    return spent, peer


def main(rounds: int = 8) -> None:
    rng = np.random.default_rng(7)
    exercises = [
        draw(level, rng, "AP" if n % 2 else "lateral")
        for n, level in zip(range(rounds), [2, 2, 3, 3, 4, 4, 3, 4] * rounds, strict=False)
    ]
    clicks: list[float] = []
    peers: list[float] = []
    served: list[float] = []
    with tempfile.TemporaryDirectory() as folder, chromium() as browser:
        port = free_port()
        process = practice_process(Path(folder), port)  # as it is used: not in this process
        wait_until_up(process, port)
        visit = Visit(browser, f"http://127.0.0.1:{port}")
        visit.context.add_init_script("localStorage.setItem('squareon learner', 'bench')")
        visit.page.goto(visit.address)
        visit.page.on(
            "response",
            lambda r: (
                served.append(float(r.headers["server-timing"].split("=")[-1]))
                if "/expose" in r.url
                else None
            ),
        )
        for exercise in exercises:
            spent, peer = play(visit, exercise, served)
            clicks += spent
            peers += peer
        visit.close()
        process.terminate()
        process.wait()
    cpu = [t for exercise in exercises[:4] for t in alone(exercise)]
    figures = {
        "click_to_film": told(clicks),
        "server": told(served),
        "peer_fetch_and_paint_only": told(peers),
        "one_thread_processor_time": told(cpu),
        "ratio_to_peer": round(float(np.median(clicks) / np.median(peers)), 2),
        "films_over_150_ms": sum(t > 150 for t in clicks),
        "cores": os.cpu_count(),
        "load_average": os.getloadavg()[0],
    }
    print(json.dumps(figures, indent=1))


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:2]))
