"""Instrument tips and depths on rendered films of procedures, by number and by misalignment.

Not a test but a measurement: `python tests/films/procedure_films.py --films 400 --out DIR`.
Films come from seeds that training never uses and show one to four instruments. Every film in
turn is as far off as one of `--off` says, in a random direction of rotation and tilt. Depth is
scored on lateral films, both bones; directions of shafts with the tip where it truly is. Tips
where the film shows nothing, behind a shutter for instance, are counted apart.
"""

from __future__ import annotations

import argparse
import json
import os
import time
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np
import yaml

from pipeline.bench.accuracy import compare
from pipeline.bench.depths import BANDS, TIP_MM, TipResult, depth_summary
from pipeline.bench.intervals import share
from pipeline.knee.truth import LabelledFilm
from pipeline.propose.shaft_line import shaft_line
from pipeline.registry import build_section

FIRST_SEED = 700_000
SCENARIO = {
    "name": "knee_films",
    "styles": ["c_arm"],
    "other_share": 0.0,
    "no_knee_share": 0.0,
    "two_knees_share": 0.0,
    "findings": {"osteoarthritis": 0.8, "osteopenia": 0.15, "fabella": 0.1, "procedure": 1.0},
}
OFF_DEG = (0.0, 1.5, 3.5, 7.5, 13.0)
_parts: dict[str, Any] = {}


def pose_section(choice: str) -> dict[str, Any]:
    """The pose section of that name as it ships."""
    path = Path(__file__).resolve().parents[2] / "configs" / "pose" / f"{choice}.yaml"
    return dict(yaml.safe_load(path.read_text()))


def prepare(views: Sequence[str], weights: str, pose: str, off_deg: Sequence[float]) -> None:
    folder = {"folder": weights} if weights else {}
    _parts["scenario"] = build_section("scenario", {**SCENARIO, "views": list(views)})
    _parts["detector"] = build_section("detector", {"name": "onnx", "threads": 1, **folder})
    _parts["pose"] = build_section("pose", pose_section(pose))
    _parts["off"] = tuple(off_deg)


def one(seed: int) -> dict[str, Any]:
    """One film as plain values: its tips, how many are there, what was found where none is."""
    scenario, turn = _parts["scenario"], np.random.default_rng([seed, 9]).uniform(0, 2 * np.pi)
    size = _parts["off"][seed % len(_parts["off"])]
    scenario.rotation_deg, scenario.tilt_deg = size * np.cos(turn), size * np.sin(turn)
    labelled = scenario.make(seed)
    result = compare(seed, labelled, _parts["detector"], _parts["pose"])
    truth, knee = labelled.knees[0], result.knees[0]
    return {
        "seed": seed,
        "view": truth.view,
        "read_as": knee.found_view,
        "instruments": len(truth.tips),
        "rotation_deg": truth.rotation_deg,
        "tilt_deg": truth.tilt_deg,
        "false_tips": knee.false_tips,
        "failures": list(result.failures),
        "tips": [asdict(tip) for tip in knee.tips],
        "shafts": list(directions(labelled)),
    }


def directions(labelled: LabelledFilm) -> Iterator[tuple[float, float | None]]:
    """Per tip that is on the film its elevation and how far its direction is off, degrees."""
    film, truth = labelled.film, labelled.knees[0]
    known = truth.tips_truth
    for tip, shown, ahead, rise in zip(
        truth.tips, truth.tips_open, known.ahead_shown, known.elevation_deg, strict=True
    ):
        if not shown:
            continue
        line = shaft_line(film.pixels, tip, truth.mm_per_px_knee)
        off_by = None if line is None else np.degrees(np.arccos(np.clip(line.ahead @ ahead, -1, 1)))
        yield float(rise), None if off_by is None else float(off_by)


def tips_in(rows: Sequence[dict[str, Any]], shown: bool = True) -> list[TipResult]:
    """All tips that some films show, or those within their edges where they show nothing."""
    tips = [TipResult(**tip) for row in rows for tip in row["tips"]]
    return [tip for tip in tips if tip.open == shown]


def figures(rows: Sequence[dict[str, Any]]) -> dict[str, Any]:
    """Tips by number of instruments and by misalignment, both views; depths on laterals."""
    out: dict[str, Any] = {"films": len(rows), "tips": tip_figures(rows)}
    hidden = [float(tip.apart_mm <= TIP_MM) for tip in tips_in(rows, shown=False)]
    out["not_shown"] = {"n": len(hidden), "within_1.5": int(sum(hidden))}
    out["by_number"] = {
        str(n): tip_figures([row for row in rows if row["instruments"] == n]) for n in range(1, 5)
    }
    out["by_misalignment"] = {
        f"{low:g} to {high:g}": tip_figures([r for r in rows if low <= off(r) < high])
        for low, high in BANDS
    }
    lateral = [row for row in rows if row["view"] == "lateral"]
    out["depth"] = depth_summary(tips_in(lateral))
    out["depth_by_number"] = {
        str(n): depth_summary(tips_in([r for r in lateral if r["instruments"] == n]))["all"]
        for n in range(1, 5)
    }
    out["shafts"] = {
        f"{low} to {high}": shaft_figures(rows, low, high)
        for low, high in ((0, 30), (30, 60), (60, 90))
    }
    return out


def shaft_figures(rows: Sequence[dict[str, Any]], low: float, high: float) -> dict[str, Any]:
    """Directions found among shafts that stand out of the film's plane by `low` to `high`."""
    own = [off_by for row in rows for rise, off_by in row["shafts"] if low <= rise < high]
    found = np.array([v for v in own if v is not None])
    return {
        "n": len(own),
        "found": share([float(v is not None) for v in own]),
        "within_5": share([float(v <= 5.0) for v in found]),
        "median_deg": float(np.median(found)) if len(found) else None,
    }


def off(row: dict[str, Any]) -> float:
    return float(max(abs(row["rotation_deg"]), abs(row["tilt_deg"])))


def tip_figures(rows: Sequence[dict[str, Any]]) -> dict[str, Any]:
    tips = tips_in(rows)
    apart = np.array([t.apart_mm for t in tips if np.isfinite(t.apart_mm)])
    every = [t for shown in (True, False) for t in tips_in(rows, shown)]
    beyond = sum(TIP_MM < t.apart_mm < np.inf for t in every)
    nowhere = sum(row["false_tips"] for row in rows)
    return {
        "films": len(rows),
        "n": len(tips),
        "within_1.5": share([float(t.apart_mm <= TIP_MM) for t in tips]),
        "median_mm": float(np.median(apart)) if len(apart) else None,
        "wrong": beyond + nowhere,
        "named": nowhere + sum(bool(np.isfinite(t.apart_mm)) for t in every),
    }


def percent(part: dict[str, Any]) -> str:
    if not part.get("n"):
        return "-"
    return f"{part['share']:.1%} ({part['low']:.1%} to {part['high']:.1%})"


def page(found: dict[str, Any]) -> str:
    """Tables in Markdown."""
    lines = [
        f"{found['films']} films, weights {found['made_by']['weights']}. In brackets exact 95 % "
        f"intervals. {found['not_shown']['n']} more tips lie within the films' edges where nothing "
        f"is shown, behind a shutter or under a border: {found['not_shown']['within_1.5']} were "
        "guessed within 1.5 mm. *Wrong* are places named that lie farther from their tip, or "
        "beside none.",
        "",
        "| films | tips they show | found within 1.5 mm | median, mm | places named, wrong ones |",
        "| --- | --- | --- | --- | --- |",
    ]

    def tip_line(name: str, t: dict[str, Any]) -> str:
        median = "-" if t["median_mm"] is None else f"{t['median_mm']:.2f}"
        share_ = percent(t["within_1.5"])
        return f"| {name} | {t['n']} | {share_} | {median} | {t['named']}, {t['wrong']} |"

    lines.append(tip_line("all", found["tips"]))
    lines += [tip_line(f"{n} instruments", t) for n, t in found["by_number"].items()]
    lines += [tip_line(f"{b} degrees off", t) for b, t in found["by_misalignment"].items()]
    lines += [
        "",
        "| shafts out of the film's plane by, degrees | n | direction found | of these within 5 "
        "degrees | median, degrees |",
        "| --- | --- | --- | --- | --- |",
    ]
    for name, d in found["shafts"].items():
        if d["n"]:
            median = "-" if d["median_deg"] is None else f"{d['median_deg']:.1f}"
            found_, near = percent(d["found"]), percent(d["within_5"])
            lines.append(f"| {name} | {d['n']} | {found_} | {near} | {median} |")
    lines += [
        "",
        "Depth on lateral films, points of % of the bone's depth at the tip.",
        "",
        "| films | depth of | n | within 3 points | mean error | bias | 95th | "
        "90 % interval holds | its half-width |",
        "| --- | --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    kinds = (("found", "the tip found"), ("marked", "the true tip"), ("shown", "film's outlines"))
    groups = {
        **found["depth"],
        **{f"{n} instruments": d for n, d in found["depth_by_number"].items()},
    }
    for name, group in groups.items():
        for kind, words in kinds:
            d = group.get(kind, {"n": 0})
            if not d["n"]:
                continue
            half = "-" if d["half_width"] is None else f"{d['half_width']:.1f}"
            lines.append(
                f"| {name} | {words} | {d['n']} | {percent(d['within_3'])} | {d['mae']:.1f} | "
                f"{d['bias']:+.1f} | {d['p95']:.1f} | {percent(d['coverage_90'])} | {half} |"
            )
    return "\n".join(lines) + "\n"


def main() -> None:
    """Measures, prints and writes `procedure_films.json`, `.md` and every tip as `.jsonl`."""
    parser = argparse.ArgumentParser(description=str(__doc__).split("\n", 1)[0])
    parser.add_argument("--films", type=int, default=200)
    parser.add_argument("--first-seed", type=int, default=FIRST_SEED)
    parser.add_argument("--views", nargs="+", choices=["AP", "lateral"], default=["AP", "lateral"])
    parser.add_argument("--off", nargs="+", type=float, default=OFF_DEG, metavar="DEG")
    parser.add_argument("--weights", default="", metavar="DIR", help="default: those that ship")
    parser.add_argument("--pose", default="fused", help="a file of configs/pose")
    parser.add_argument("--workers", type=int, default=0, help="processes; 0: one per core")
    parser.add_argument("--out", type=Path, required=True, metavar="DIR")
    a = parser.parse_args()
    seeds = range(a.first_seed, a.first_seed + a.films)
    rows = []
    began = time.monotonic()
    with ProcessPoolExecutor(
        a.workers or os.cpu_count() or 1,
        get_context("spawn"),
        initializer=prepare,
        initargs=(a.views, a.weights, a.pose, a.off),
    ) as pool:
        for row in pool.map(one, seeds, chunksize=4):
            rows.append(row)
            if len(rows) % 50 == 0:
                print(f"{len(rows)} of {a.films}, {time.monotonic() - began:.0f} s", flush=True)
    a.out.mkdir(parents=True, exist_ok=True)
    found = figures(rows)
    prepare(a.views, a.weights, a.pose, a.off)
    found["made_by"] = {
        "films": a.films,
        "first_seed": a.first_seed,
        "pose": a.pose,
        "off_deg": list(a.off),
        "weights": _parts["detector"].weights,
    }
    (a.out / "procedure_films.json").write_text(json.dumps(found, indent=1) + "\n")
    (a.out / "procedure_tips.jsonl").write_text("".join(json.dumps(r) + "\n" for r in rows))
    (a.out / "procedure_films.md").write_text(page(found))
    print(page(found))


if __name__ == "__main__":
    main()
