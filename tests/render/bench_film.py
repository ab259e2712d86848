"""Whole films a second, stage by stage: `python tests/render/bench_film.py [films]`.

On the CPU (processor time, one core) and, with CuPy, on a device (its own clock, a batch of 64):
512 x 512 pixels, ten nested surfaces. Every part is guarded: where one fails its error is
printed and the others go on.
"""

from __future__ import annotations

import os
import sys
import time
import traceback
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from shapes import SURFACES, camera, limb

from synthetic_data.film_formation import tone
from synthetic_data.film_formation.formation import Formation, form, window
from synthetic_data.film_formation.marks import Mark
from synthetic_data.physics.beam import Beam, beam, transmit
from synthetic_data.physics.exposure import Technique, detect, heel
from synthetic_data.physics.materials import materials
from synthetic_data.render.cuda import Batch, cupy, draw
from synthetic_data.render.film_cuda import CudaDevice, Films, Recipe, binned_beam
from synthetic_data.render.raster import SignedDepthRasteriser

SIZE = 512
BANDWIDTH = 3.35e12
"""Bytes a second of an H100's memory (SXM5 80 GB, its data sheet, from memory)."""
ROLES = tuple(role for _, role in SURFACES)
FRACTIONS = tuple(0.2 if role == "marrow" else 0.0 for role in ROLES)


@contextmanager
def guarded(what: str) -> Iterator[None]:
    """Prints an error in one line and goes on."""
    try:
        yield
    except Exception as error:
        where = traceback.extract_tb(error.__traceback__)[-1]
        print(f"  {what}: FAILED, {type(error).__name__}: {error} ({where.name}, {where.lineno})")


def row(what: str, seconds: float, limit: float | None = None) -> None:
    words = f"  {what:44s} {seconds * 1e6:10.1f} us a film {1 / seconds:12,.0f} films/s"
    if limit is not None:
        words += f"  memory alone {limit * 1e6:6.1f} us"
    print(words, flush=True)


def technique(seed: int) -> Technique:
    rng = np.random.default_rng(seed)
    return Technique(
        kvp=float(rng.integers(55, 76)),
        mm_per_px=205 / SIZE,
        scatter=float(rng.uniform(0.1, 1.0)),
        scatter_mm=float(rng.uniform(20, 60)),
        blur_mm=float(rng.uniform(0.1, 0.3)),
        heel=float(rng.uniform(0, 0.25)),
        heel_deg=float(rng.uniform(0, 360)),
    )


class Silence:
    """A generator that gives no noise."""

    def standard_normal(self, shape: tuple[int, ...], dtype: Any) -> np.ndarray:
        return np.zeros(shape, dtype)


def cpu_primary(paths: np.ndarray, taken: Technique, used: Beam) -> tuple[np.ndarray, np.ndarray]:
    named = {name: path for (name, _), path in zip(SURFACES, paths, strict=True)}
    shares = {name.removesuffix("_marrow"): 0.2 for name in named if name.endswith("_marrow")}
    through = materials(named, None, shares)
    primary = transmit(through, used) * heel((SIZE, SIZE), taken)
    return primary, np.asarray(sum(through.values()), dtype=np.float32)


def cpu_show(density: np.ndarray, shown: Formation) -> np.ndarray:
    low, high = window(density, np.ones_like(density[::7, ::7], dtype=bool))
    return tone.curve(
        density,
        low + shown.low * (high - low),
        low + shown.high * (high - low),
        gamma=shown.gamma,
        sigmoid=shown.sigmoid,
        dark=shown.dark,
        bright=shown.bright,
    )


def used_by(taken: Technique) -> Beam:
    return beam(round(taken.kvp), taken.al_mm, taken.cu_mm)


# ---- one core -----------------------------------------------------------------------------------


def core_seconds(work: Callable[[], Any], repeats: int = 20) -> float:
    """The least of so many: what others do on the machine only ever adds."""
    work()
    spent = []
    for _ in range(repeats):
        start = time.process_time()
        work()
        spent.append(time.process_time() - start)
    return min(spent)


def on_cpu(triangles: int) -> None:
    import cv2

    cv2.setNumThreads(1)
    print(f"\none core, {triangles:,} triangles on ten surfaces, {SIZE} x {SIZE}")
    taken, shown, film = technique(0), Formation(), camera(SIZE, 0)
    meshes, rng = limb(triangles, 0), np.random.default_rng(0)
    raster = SignedDepthRasteriser()
    paths = raster.path_lengths(meshes, film)
    fused, fine = used_by(taken), binned_beam(taken)
    primary, body = cpu_primary(paths, taken, fused)
    signal = detect(primary, body, taken, fused, rng)
    density = tone.density(signal)
    # Which of the two sums a stage is part of: with 8 fused energies, with 64.
    stages: tuple[tuple[str, Callable[[], Any], tuple[int, int]], ...] = (
        ("path lengths", lambda: raster.path_lengths(meshes, film), (1, 1)),
        ("materials and beam, 8 fused energies", lambda: cpu_primary(paths, taken, fused), (1, 0)),
        ("  the same with 64 energies", lambda: cpu_primary(paths, taken, fine), (0, 1)),
        ("scatter, noise, blur", lambda: detect(primary, body, taken, fused, rng), (1, 1)),
        ("logarithm, window, curve", lambda: cpu_show(tone.density(signal), shown), (1, 1)),
    )
    totals = np.zeros(2)
    for what, work, counts in stages:
        with guarded(what):
            seconds = core_seconds(work)
            totals += seconds * np.array(counts)
            row(what, seconds)
    row("whole film: the sum (8 energies)", totals[0])
    row("whole film: the sum (64 energies)", totals[1])
    gains = Formation(gains=(1.3, 1.3, 1.2, 1.1))
    marked = Formation(marks=(Mark(("R",), ((0.1, 0.1), (0.9, 0.2)), lead=True),), gains=())
    extras: tuple[tuple[str, Callable[[], Any]], ...] = (
        ("multi-scale enhancement", lambda: tone.enhanced(density, gains.gains, gains.base)),
        ("a picture with a lead marker, no pyramid", lambda: form(signal, marked, rng)),
        ("JPEG there and back", lambda: tone.recompressed(density, 80)),
    )
    for what, extra in extras:
        with guarded(what):
            row(f"beside it: {what}", core_seconds(extra))


def films_in_one_go(films: int) -> tuple[float, float]:
    """Seconds of processor and of the clock: films with 64 energies, each with its own camera."""
    import cv2

    cv2.setNumThreads(1)
    taken, shown, rng = technique(0), Formation(), np.random.default_rng(0)
    meshes, raster = limb(20_000, 0), SignedDepthRasteriser()
    fused, fine = used_by(taken), binned_beam(taken)
    cameras = [camera(SIZE, seed) for seed in range(8)]

    def make(number: int) -> None:
        paths = raster.path_lengths(meshes, cameras[number % 8])
        primary, body = cpu_primary(paths, taken, fine)
        cpu_show(tone.density(detect(primary, body, taken, fused, rng)), shown)

    for number in range(4):
        make(number)
    clock, processor = time.perf_counter(), time.process_time()
    for number in range(films):
        make(number)
    return time.process_time() - processor, time.perf_counter() - clock


def on_two_cores(films: int = 150) -> None:
    """Two processes at once; by the clock only where nothing else runs."""
    print(
        f"\ntwo processes, 20,000 triangles, 64 energies, in one go; load {os.getloadavg()[0]:.1f}"
    )
    with ProcessPoolExecutor(2, mp_context=get_context("spawn")) as pool:
        spent = list(pool.map(films_in_one_go, (films, films)))
    row("a film of one process, processor time", sum(cpu for cpu, _ in spent) / (2 * films))
    row("both together, by the clock", max(wall for _, wall in spent) / (2 * films))


def knees_on_cpu() -> None:
    from pipeline.registry import build

    print("\none core, new geometry and exact truth for every film, everything drawn on it")
    for each in (1, 4):
        films = build("scenario", "knee_films", {"films_per_knee": each, "max_px": SIZE})
        for seed in range(4):
            films.make(seed)
        start = time.process_time()
        for seed in range(100, 112):
            films.make(seed)
        row(
            f"{each} film{'s' if each > 1 else ''} of each knee", (time.process_time() - start) / 12
        )


# ---- a device -----------------------------------------------------------------------------------


def on_device(films: int) -> None:
    xp = cupy()
    name = xp.cuda.runtime.getDeviceProperties(0)["name"].decode()
    print(f"\n{name}, CuPy {xp.__version__}, batches of {films}, {SIZE} x {SIZE}")

    for triangles in (20_000, 39_000):
        with guarded(f"{triangles:,} triangles"):
            stages_on_device(xp, films, triangles)


def stages_on_device(xp: Any, films: int, triangles: int) -> None:
    def clock(work: Callable[[], Any], repeats: int = 20) -> float:
        """Seconds a film."""
        for _ in range(3):
            work()
        begin, end = xp.cuda.Event(), xp.cuda.Event()
        begin.record()
        for _ in range(repeats):
            work()
        end.record()
        end.synchronize()
        return float(xp.cuda.get_elapsed_time(begin, end)) / 1000 / repeats / films

    plane = SIZE * SIZE * 4 / BANDWIDTH  # seconds to read or write one float map
    maker = Films(CudaDevice(), ROLES, FRACTIONS)
    taken = [technique(seed) for seed in range(films)]
    shown = [Formation(gamma=1.5 + 0.01 * seed) for seed in range(films)]
    print(f"\n {triangles:,} triangles a film")
    subjects = [limb(triangles, seed) for seed in range(8)]
    cameras = [camera(SIZE, seed) for seed in range(films)]
    pairs = [(m, film) for n, film in enumerate(cameras) for m in subjects[n % 8]]
    surfaces, total, limit = len(SURFACES), 0.0, 0.0
    batch, paths = Batch.of(pairs), None
    recipe = Recipe.of(taken, shown, range(films)).on(xp)
    fine = Recipe.of(taken, shown, range(films), [binned_beam(t) for t in taken]).on(xp)
    shape = (films, surfaces, SIZE, SIZE)
    best = 8
    with guarded("path lengths"):
        times = {
            lanes: clock(lambda lanes=lanes: draw(batch, lanes, check=False), 5)
            for lanes in (2, 4, 8, 16, 32)
        }
        best = min(times, key=lambda lanes: times[lanes])
        for lanes, seconds in times.items():
            row(f"path lengths, {lanes} threads a triangle", seconds, 3 * surfaces * plane)
        total, limit = total + times[best], limit + 3 * surfaces * plane
    paths = draw(batch, best).reshape(shape)
    primary, body = maker.transmit(paths, recipe)
    scatter = maker.scatter(primary, body, recipe)
    density = maker.detect(primary, scatter, recipe)
    # Maps read and written: surfaces in, two out; two in; one in and out three times; one in
    # (a forty-ninth of it for the window) and out.
    stages: tuple[tuple[str, Callable[[], Any], float, bool], ...] = (
        (
            "materials and beam, 8 fused energies",
            lambda: maker.transmit(paths, recipe),
            surfaces + 2,
            False,
        ),
        (
            "materials and beam, 64 energies",
            lambda: maker.transmit(paths, fine),
            surfaces + 2,
            True,
        ),
        ("scatter", lambda: maker.scatter(primary, body, recipe), 2, True),
        ("noise, blur, logarithm", lambda: maker.detect(primary, scatter, recipe), 6, True),
        ("window and curve", lambda: maker.show(density, recipe), 2 + 1 / 49, True),
    )
    for what, work, maps, counts in stages:
        with guarded(what):
            seconds = clock(work)
            row(what, seconds, maps * plane)
            total += seconds if counts else 0.0
            limit += maps * plane if counts else 0.0
    if total:
        row("whole film, 64 energies: the sum", total, limit)
    with guarded("in one go"):

        def whole(recipe: Recipe) -> Any:
            return maker.make(draw(batch, best, check=False).reshape(shape), recipe)

        row("whole film, 64 energies, in one go", clock(lambda: whole(fine), 10), limit)
        row("whole film, 8 energies, in one go", clock(lambda: whole(recipe), 10), limit)
    with guarded("new geometry"):
        start = time.perf_counter()
        for _ in range(3):
            Batch.of(pairs)
        xp.cuda.Device().synchronize()
        again = (time.perf_counter() - start) / 3 / films
        row("beside it: new cameras, 8 limbs checked and sent", again)
        start = time.perf_counter()
        Recipe.of(taken, shown, range(films)).on(xp)
        row("beside it: settings prepared and sent", (time.perf_counter() - start) / films)
        start = time.perf_counter()
        maker.make(paths, recipe).get()
        row("beside it: made and fetched", (time.perf_counter() - start) / films)
    with guarded("against the CPU"):
        against_cpu(xp, maker, batch, subjects, cameras, taken, shown, recipe, best)


def against_cpu(
    xp: Any,
    maker: Films,
    batch: Batch,
    subjects: list[Any],
    cameras: list[Any],
    taken: list[Technique],
    shown: list[Formation],
    recipe: Recipe,
    lanes: int,
) -> None:
    """The same films without noise from both; tolerances beside what is found."""
    films = len(cameras)
    paths = draw(batch, lanes).reshape(films, len(SURFACES), SIZE, SIZE)
    silent = Films(maker.device, maker.roles, maker.fractions, noisy=False)
    primary, body = silent.transmit(paths, recipe)
    density = silent.detect(primary, silent.scatter(primary, body, recipe), recipe)
    picture = silent.show(density, recipe)
    worst = np.zeros(4)
    for film in (0, films // 2, films - 1):
        ours = SignedDepthRasteriser().path_lengths(subjects[film % 8], cameras[film])
        used = used_by(taken[film])
        first, tissue = cpu_primary(ours, taken[film], used)
        dense = tone.density(detect(first, tissue, taken[film], used, Silence()))  # type: ignore[arg-type]
        grey = cpu_show(dense, shown[film])
        found = (
            np.abs(xp.asnumpy(paths[film]) - ours).max(),
            np.abs(xp.asnumpy(primary[film]) / first - 1).max(),
            np.abs(xp.asnumpy(density[film]) - dense).max(),
            np.abs(xp.asnumpy(picture[film]) - grey).max(),
        )
        worst = np.maximum(worst, found)
    for what, found, allowed in zip(
        ("path, mm", "primary, relative", "density", "grey, 0 to 1"),
        worst,
        (1e-5, 1e-4, 5e-4, 2e-3),
        strict=True,
    ):
        state = "ok" if found <= allowed else "DIFFERS"
        print(f"  against the CPU: {what:20s} {found:.1e} (allowed {allowed:.0e}): {state}")


def main() -> None:
    films = int(sys.argv[1]) if len(sys.argv) > 1 else 64
    with guarded("device"):
        on_device(films)
    for triangles in (20_000, 39_000):
        with guarded("one core"):
            on_cpu(triangles)
    with guarded("two cores"):
        on_two_cores()
    with guarded("knees"):
        knees_on_cpu()


if __name__ == "__main__":
    main()
