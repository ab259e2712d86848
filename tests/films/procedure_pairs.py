"""Depth of instruments on a lateral film alone, and with the AP film of the same knee beside it.

Not a test but a measurement: `python tests/films/procedure_pairs.py --pairs 200 --out DIR`. Both
films show one virtual knee with its instruments; the AP film is 3 degrees off, the lateral one in
turn as far as `--off` says, in random directions. Tips on the lateral film are taken where they
truly are, as a reviewer marks them; those on the AP film are the ones found.
"""

from __future__ import annotations

import argparse
import json
import os
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np
from procedure_films import OFF_DEG, SCENARIO, percent, pose_section

from pipeline.bench.depths import POINTS
from pipeline.bench.intervals import share
from pipeline.contracts import Aim, Sight
from pipeline.knee.errors import Problem
from pipeline.propose.beside import beside
from pipeline.propose.depth import depth_of
from pipeline.propose.instruments import PLACED_SD_MM, instrument
from pipeline.registry import build_section

FIRST_SEED = 740_000
AP_OFF_DEG = 3.0
PIXELS = 640
_parts: dict[str, Any] = {}


def prepare(pose: str, off_deg: Sequence[float]) -> None:
    scenario = {**SCENARIO, "flexion_deg": [5, 35], "tidy": True}
    _parts["scenario"] = build_section("scenario", scenario)
    _parts["detector"] = build_section("detector", {"name": "onnx", "threads": 1})
    _parts["pose"] = build_section("pose", pose_section(pose))
    _parts["off"] = tuple(off_deg)


def one(seed: int) -> list[dict[str, Any]]:
    """The tips of one pair; none where a film was not read as what it is."""
    rng = np.random.default_rng(seed)
    patient = _parts["scenario"].patient(seed)
    off = _parts["off"][seed % len(_parts["off"])]
    sights: dict[str, Sight] = {}
    truth = None
    for view, size in (("AP", AP_OFF_DEG), ("lateral", off)):
        turn = rng.uniform(0, 2 * np.pi)
        near = bool(rng.random() < 0.3)
        aim = Aim(view, (1, 0, 0), pixels=PIXELS, source_at_near_end=near)  # type: ignore[arg-type]
        aim = patient.aimed(aim, size * np.cos(turn), size * np.sin(turn))
        film, truth = patient.film(aim), patient.truth(aim)
        found = _parts["detector"].detect(film)
        if not found or found[0].view != view:
            return []
        try:
            pose = _parts["pose"].estimate(film, found[0])
        except Problem:
            return []
        sights[view] = Sight(film, found[0], pose, found[0].side, 5.0, 0.0)
    assert truth is not None
    alone, both = sights["lateral"], replace(sights["lateral"], partner=sights["AP"])
    rows = []
    for i, tip in enumerate(truth.tips):
        depth = depth_of(alone, tip) if ((tip >= 0) & (tip <= PIXELS - 1)).all() else None
        if depth is None:
            continue
        sd = PLACED_SD_MM / truth.mm_per_px_knee
        place = beside(both, tip, depth.bone)
        single, paired = instrument(alone, tip, sd)[0], instrument(both, tip, sd)[0]
        rows.append(
            {
                "seed": seed,
                "off_deg": off,
                "true": float(truth.tips_truth.depth[i]),
                "alone": [single.depth_percent, *(single.depth_90 or ())],
                "pair": [paired.depth_percent, *(paired.depth_90 or ())],
                "aside_mm": None if place is None else place * truth.mm_per_px_knee,
                "true_aside_mm": float(truth.tips_truth.mm[i, 2]),
            }
        )
    return rows


def page(rows: Sequence[dict[str, Any]], pairs: int, weights: str) -> str:
    """A table in Markdown: tips whose side the AP film told."""
    known = [row for row in rows if row["aside_mm"] is not None]
    wrong = sum(row["aside_mm"] * row["true_aside_mm"] < 0 for row in known)
    lines = [
        f"{pairs} pairs, weights {weights}, {len(rows)} tips on the lateral films; the AP film "
        f"told the side of {len(known)}, of {wrong} wrongly. Of these:",
        "",
        "| lateral film off by, degrees | depth from | n | within 3 points | mean error | "
        "90 % interval holds | its half-width |",
        "| --- | --- | --- | --- | --- | --- | --- |",
    ]
    for off in [*sorted({row["off_deg"] for row in known}), None]:
        own = [row for row in known if off is None or row["off_deg"] == off]
        for kind, words in (("alone", "the lateral film alone"), ("pair", "both films")):
            value, low, high = np.array([row[kind] for row in own]).T
            true = np.array([row["true"] for row in own])
            error = np.abs(value - true)
            near = percent(share([float(e <= POINTS) for e in error]))
            held = percent(share([float(v) for v in (low <= true) & (true <= high)]))
            lines.append(
                f"| {'all' if off is None else f'{off:g}'} | {words} | {len(own)} | {near} | "
                f"{error.mean():.1f} | {held} | {(high - low).mean() / 2:.1f} |"
            )
    return "\n".join(lines) + "\n"


def main() -> None:
    """Measures, prints and writes `procedure_pairs.md` and every tip as `.jsonl`."""
    parser = argparse.ArgumentParser(description=str(__doc__).split("\n", 1)[0])
    parser.add_argument("--pairs", type=int, default=100)
    parser.add_argument("--first-seed", type=int, default=FIRST_SEED)
    parser.add_argument("--off", nargs="+", type=float, default=OFF_DEG, metavar="DEG")
    parser.add_argument("--pose", default="fused", help="a file of configs/pose")
    parser.add_argument("--workers", type=int, default=0, help="processes; 0: one per core")
    parser.add_argument("--out", type=Path, required=True, metavar="DIR")
    a = parser.parse_args()
    seeds = range(a.first_seed, a.first_seed + a.pairs)
    rows: list[dict[str, Any]] = []
    with ProcessPoolExecutor(
        a.workers or os.cpu_count() or 1,
        get_context("spawn"),
        initializer=prepare,
        initargs=(a.pose, a.off),
    ) as pool:
        for done, found in enumerate(pool.map(one, seeds, chunksize=4), 1):
            rows += found
            if done % 50 == 0:
                print(f"{done} of {a.pairs}", flush=True)
    a.out.mkdir(parents=True, exist_ok=True)
    (a.out / "procedure_tips_in_pairs.jsonl").write_text(
        "".join(json.dumps(row) + "\n" for row in rows)
    )
    prepare(a.pose, a.off)
    good = [row for row in rows if np.isfinite(row["true"])]
    told = page(good, a.pairs, _parts["detector"].weights)
    (a.out / "procedure_pairs.md").write_text(told)
    print(told)


if __name__ == "__main__":
    main()
