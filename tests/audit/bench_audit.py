"""How right the audit is on invented hunts whose truth is known, and what feedback changes.

    python tests/audit/bench_audit.py [hunts a view, default 100] [first seed] [processes]

Every hunt is one virtual knee (seeds that training never used) filmed by a simulated operator who
searches one axis at a time, a third each with positioner's angles that hold every move, with such
angles but every other move made by the limb, and without. Films are read by the shipped weights
and settings, one by one; the audit sees readings and headers only. Peers, in the same run: the
same hunters with the first film's advice, and the same count made from the film's true angles.
"""

from __future__ import annotations

import json
import sys
from concurrent.futures import ProcessPoolExecutor
from itertools import pairwise
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "helpers"))

from pipeline.audit.model import FilmRead
from pipeline.audit.steps import half_widths
from pipeline.audit.study import audit_of
from pipeline.batch import ReadSettings, parts_of
from pipeline.bench.closed_loop import follow_advice, reader_of
from pipeline.bench.hunts import Hunt, Hunter, hunt_of, patient_of
from pipeline.bench.intervals import binomial, interval
from pipeline.cli import compose
from pipeline.knee.truth import LabelledFilm
from pipeline.records.rows import to_dict
from pipeline.run import examine, reading_of

CLEAR_DEG = 2.0
"""Moves above this are to be named right."""
BORDERS_DEG = (1.0, 2.0)
"""Films that lie so near to the tolerance are borderline."""
HEADERS = ("beam", "limb", "none")
VIEWS = ("AP", "lateral")

_parts: list[Any] = []


def one(job: tuple[str, int]) -> dict[str, Any]:
    """A hunt, its audit, and the same hunter with advice."""
    if not _parts:
        settings = compose("read", ReadSettings, ["workers=1"])
        _parts.append(parts_of(ReadSettings(**settings), 1))
    parts = _parts[0]
    view, seed = job
    hunter = Hunter(view, seed, HEADERS[seed % 3], after=seed % 2, most=10)  # type: ignore[arg-type]
    hunt = hunt_of(hunter)
    films, read = [], []
    for index, each in enumerate(hunt.films):
        look = max(examine(hunt.film(index), parts), key=lambda look: look.pose is not None)
        row = to_dict(reading_of(look, None, parts))
        row["film"]["source"] = f"film-{index}"
        films.append(FilmRead(index, f"film {index}", row, "proposed", each.shot))
        read.append(row["alignment"] is not None and row["view"]["name"] == view)
    study = audit_of("hunt", films, parts.align)
    found: dict[str, Any] = {"view": view, "header": hunter.header, "steps": [], "read": read}
    own = [h for h in study.hunts if h.view == view and h.side == hunt.side]
    if not own:
        return {**found, "lost": True}
    told = own[0]
    places = [number - 1 for number in told.numbers]
    for step, (before, after) in zip(told.steps, pairwise(places), strict=True):
        if after - before != 1:
            continue  # a film in between gave no angle
        found["steps"].append(
            {
                "change": step.change,
                "half": step.change_half,
                "true_change": np.subtract(
                    hunt.films[after].pose, hunt.films[before].pose
                ).tolist(),
                "by_pose": [turn.degrees for turn in step.by_pose],
                "pose_half": [turn.half_width for turn in step.by_pose],
                "by_header": [turn.degrees for turn in step.by_header],
                "source": step.source,
                "agree": step.agree,
                "true": hunt.films[after].turn,
                "by_limb": hunt.films[after].by_limb,
                "known": step.degrees_known,
            }
        )
    first = hunt.first_square
    tolerance = hunter.tolerance_deg
    worst = [max(map(abs, each.pose)) for each in hunt.films]
    upto = worst if first is None else worst[: first + 1]
    low, high = told.exposures_range
    found |= {
        "films": len(hunt.films),
        "true_exposures": None if first is None else first + 1,
        "exposures": None if told.exposures is None else told.numbers[told.exposures - 1],
        "least": None if low is None else told.numbers[low - 1],
        "most": None if high is None else told.numbers[high - 1],
        "margin": min(abs(w - tolerance) for w in upto),
        "by_truth": _count(hunt, parts),
        "saved": told.advice.saved,
        "angles": [[f.angles["rotation_deg"], f.angles["tilt_deg"]] for f in told.films],
        "halves": [half_widths(f.angles) for f in told.films],
        "true_angles": [each.pose for each in hunt.films],
        "probability": told.advice.square_probability,
        "predicted": told.advice.pose,
    }
    return {**found, "feedback": _with_feedback(hunt, parts)}


def _count(hunt: Hunt, parts: Any) -> int | None:
    """The audit's own count from true angles, known to 0.01 degrees."""
    from audit_cases import film

    films = [
        film(i, *each.pose, view=hunt.hunter.view, side=hunt.side, sd=0.01)
        for i, each in enumerate(hunt.films)
    ]
    return audit_of("truth", films, parts.align).hunts[0].exposures


def _with_feedback(hunt: Hunt, parts: Any) -> dict[str, Any]:
    """The same knee and start with an operator who does what each film's reading says."""
    patient, aim = patient_of(hunt.hunter, hunt.stand, hunt.side), hunt.films[0].aim
    count = [100]

    def shoot(rotation: float, tilt: float) -> LabelledFilm:
        count[0] += 1
        own = patient.aimed(aim, rotation, tilt)
        return LabelledFilm(patient.film(own, count[0]), (patient.truth(own),))

    rng = np.random.default_rng([hunt.hunter.seed, 11])
    episode = follow_advice(
        hunt.stand,
        hunt.films[0].pose,
        shoot,
        reader_of(parts, hunt.hunter.view),
        rng,
        most=hunt.hunter.most,
    )
    tolerance = hunt.hunter.tolerance_deg
    inside = [max(map(abs, pose)) <= tolerance for pose in episode.true]
    second = episode.true[1] if len(episode.true) > 1 else None
    return {
        "films": episode.films,
        "to_square": inside.index(True) + 1 if any(inside) else None,
        "second": second,
    }


def share(values: list[bool]) -> str:
    n, k = len(values), sum(values)
    if not n:
        return "no case"
    low, high = binomial(k, n)
    return f"{100 * k / n:.1f} % ({100 * low:.1f} to {100 * high:.1f}; n = {n})"


def mean(values: list[float]) -> str:
    if not values:
        return "no case"
    middle, low, high = interval([np.array([v]) for v in values], lambda v: float(np.mean(v)))
    return f"{middle:.2f} ({low:.2f} to {high:.2f}; n = {len(values)})"


def table(hunts: list[dict[str, Any]]) -> list[str]:
    """One row for each thing asked."""
    whole = [h for h in hunts if "lost" not in h]
    steps = [s for h in whole for s in h["steps"]]
    rows = [f"hunts {len(hunts)}, view and side found {share(['lost' not in h for h in hunts])}"]
    rows.append(f"films read {share([r for h in hunts for r in h['read']])}")
    for i, angle in enumerate(("rotation", "tilt")):
        errors = [abs(s["change"][i] - s["true_change"][i]) for s in steps]
        rows.append(f"change of {angle}: MAE {mean(errors)} degrees")
        inside = [bool(abs(s["change"][i] - s["true_change"][i]) <= s["half"][i]) for s in steps]
        rows.append(f"  inside its 90 % interval {share(inside)}")
        ratio = np.array([(s["change"][i] - s["true_change"][i]) / s["half"][i] for s in steps])
        rows.append(f"  factor that the interval needs {np.percentile(np.abs(ratio), 90):.2f}")
    named = [
        bool(np.sign(s["by_pose"][i]) == np.sign(s["true"][i]))
        for s in steps
        for i in range(2)
        if abs(s["true"][i]) > CLEAR_DEG
    ]
    rows.append(f"turns over {CLEAR_DEG:g} degrees named right from pose {share(named)}")
    chief = []
    for s in steps:
        i = int(np.argmax(np.abs(s["true"])))
        if abs(s["true"][i]) > CLEAR_DEG:
            j = int(np.argmax(np.abs(s["by_pose"])))
            chief.append(bool(i == j and np.sign(s["by_pose"][j]) == np.sign(s["true"][i])))
    rows.append(f"  the larger turn, axis and way {share(chief)}")
    header = [
        bool(np.sign(s["by_header"][i]) == np.sign(s["true"][i]))
        for s in steps
        for i in range(2)
        if s["by_header"] and not s["by_limb"] and abs(s["true"][i]) > CLEAR_DEG
    ]
    rows.append(f"  from the header, where the beam was turned {share(header)}")
    for limit in (CLEAR_DEG, 4.0):
        moved = [s for s in steps if s["by_limb"] and max(map(abs, s["true"])) > limit]
        rows.append(
            f"limb turned over {limit:g} degrees: disagreement told "
            f"{share([s['agree'] is False for s in moved])}"
        )
    still = [s["agree"] is False for s in steps if s["source"] == "header" and not s["by_limb"]]
    rows.append(f"  told although the beam alone was turned {share(still)}")
    square = [h for h in whole if h["true_exposures"] is not None]

    def within(h: dict[str, Any]) -> bool:
        return (h["least"] or 99) <= h["true_exposures"] <= (h["most"] or 99)

    right = [h["exposures"] == h["true_exposures"] for h in square]
    rows.append(f"films until square, as printed {share(right)}")
    for border in BORDERS_DEG:
        clear = [each for each, h in zip(right, square, strict=True) if h["margin"] > border]
        rows.append(
            f"  where no film up to it is within {border:g} of the tolerance {share(clear)}"
        )
    rows.append(f"  the printed range holds it {share([within(h) for h in square])}")
    by_truth = [h["by_truth"] == h["true_exposures"] for h in square]
    rows.append(f"  counted from true angles {share(by_truth)}")
    advised = [h for h in whole if h["probability"] is not None]
    asked = [h for h in advised if h["probability"] >= 0.8 and h["feedback"]["second"] is not None]
    hit = [max(map(abs, h["feedback"]["second"])) <= 5.0 for h in asked]
    rows.append(
        f"second film by the first film's advice truly square {share(hit)}; "
        f"said {100 * float(np.mean([h['probability'] for h in asked] or [0])):.1f} %"
    )
    alone = [h["true_exposures"] or 10 for h in whole]
    helped = [h["feedback"]["to_square"] or 10 for h in whole]
    rows.append(
        f"films to a truly square one: searching alone {mean(alone)}, with feedback "
        f"{mean(helped)}, ratio {np.mean(helped) / np.mean(alone):.2f}"
    )
    rows.append(f"  median {np.median(alone):g} and {np.median(helped):g}")
    return rows


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    first = int(sys.argv[2]) if len(sys.argv) > 2 else 820_000
    workers = int(sys.argv[3]) if len(sys.argv) > 3 else 1
    jobs = [(view, first + i) for view in VIEWS for i in range(count)]
    with ProcessPoolExecutor(workers, get_context("spawn")) as pool:
        hunts = list(pool.map(one, jobs))
    for view in VIEWS:
        print(view)
        for row in table([h for h in hunts if h["view"] == view]):
            print(f"  {row}")
    print("both")
    for row in table(hunts):
        print(f"  {row}")
    with open("bench_audit.json", "w") as file:
        json.dump(hunts, file, default=float)


if __name__ == "__main__":
    main()
