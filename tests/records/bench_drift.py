"""How soon and how often charts speak: `python tests/records/bench_drift.py [YEARS]`.

Run lengths of charts whose level is known, simulated, beside published ones; the
same with the level taken from the first points, and learnt; delays and false alarms of the whole
page on invented years. Shares with their standard errors.
"""

from __future__ import annotations

import math
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "helpers"))
sys.path.insert(0, str(Path(__file__).parent))
from control_examples import CUSUM_ARL, cusum_runs
from test_drift import YEAR, drift_of

from pipeline.records.quality.control import (
    RULES,
    Level,
    arl_of_both,
    arl_of_shewhart,
    cusum,
    individuals,
    level_of,
)
from pipeline.records.quality.drift import LEAST_POINTS
from pipeline.records.quality.learning import learn_means


def known() -> None:
    print("Mean run length, level known: shift, simulated (SE), Markov chain, published")
    rng = np.random.default_rng(1)
    for h, table in CUSUM_ARL.items():
        for shift, published in table.items():
            runs = cusum_runs(rng, 20000, shift, 0.5, h)
            error = runs.std() / math.sqrt(len(runs))
            exact = arl_of_both(shift, 0.5, h)
            print(
                f"  CUSUM h={h:g} {shift:5.2f}  {runs.mean():7.2f} ({error:.2f})"
                f"  {exact:7.2f}  {published:7.2f}"
            )
    for shift in (0.0, 1.0, 2.0, 3.0):
        exact = arl_of_shewhart(shift)
        z = rng.normal(shift, 1, 2_000_000)
        share = (np.abs(z) > 3).mean()
        print(f"  Shewhart  {shift:5.2f}  {1 / share:7.2f}  {exact:7.2f}")


def estimated(points: int = 52, runs: int = 4000) -> None:
    print(f"Share of {points} further points with a false alarm, by points behind the level (SE)")
    rng = np.random.default_rng(2)
    for base in (8, 12, 18, 25, 50, 100, 0):
        wrong = np.zeros(2)
        for _ in range(runs):
            level = level_of(rng.normal(size=base)) if base else Level(0.0, 1.0, 0)
            chart = individuals(rng.normal(size=points), level)
            wrong += bool(chart.signals), bool(cusum(chart.z).signals)
        shares = wrong / runs
        error = np.sqrt(shares * (1 - shares) / runs)
        name = f"{base:4d}" if base else "known"
        print(
            f"  {name:>7}  Shewhart {shares[0]:.3f} ({error[0]:.3f})"
            f"  CUSUM {shares[1]:.3f} ({error[1]:.3f})"
        )


def learnt(points: int = 52, runs: int = 1000) -> None:
    print(f"The same, level learnt point by point after the first {LEAST_POINTS} (SE)")
    rng = np.random.default_rng(3)
    wrong = np.zeros(2)
    for _ in range(runs):
        values = rng.normal(size=LEAST_POINTS + points)
        chart, _found = learn_means(values, RULES[:1], LEAST_POINTS, 0.5, 5.0)
        wrong += bool(chart.signals), bool(cusum(chart.z).signals)
    shares = wrong / runs
    error = np.sqrt(shares * (1 - shares) / runs)
    print(f"  Shewhart {shares[0]:.3f} ({error[0]:.3f})  CUSUM {shares[1]:.3f} ({error[1]:.3f})")


def years(count: int) -> None:
    print(f"{count} invented years with a drift of AP rotation from week 30, and {count} without")
    for drift_deg in (-1.0, -2.0, -3.0):
        late: dict[str, list[int]] = {"Shewhart": [], "CUSUM": []}
        for seed in range(1000, 1000 + count):
            course = drift_of(replace(YEAR, seed=seed, drift_deg=drift_deg)).courses[1]
            assert course.sums is not None
            assert course.shewhart is not None
            beyond = {
                "Shewhart": np.array([one.at for one in course.shewhart.signals], dtype=int),
                "CUSUM": np.flatnonzero(np.maximum(course.sums.high, course.sums.low) > 5),
            }
            for name, at in beyond.items():
                after = at[at >= YEAR.drift_week]
                late[name].append(int(after[0]) - YEAR.drift_week if len(after) else 99)
        for name, weeks in late.items():
            found = np.array(weeks)
            print(
                f"  {drift_deg:+.0f} degrees, {name:<8}  median delay {np.median(found):.0f} weeks,"
                f" 90th {np.percentile(found, 90):.0f}, missed {int((found == 99).sum())}"
            )
    alarms = {"Shewhart": 0, "CUSUM": 0}
    pages = speaking = 0
    expected = 0.0
    for seed in range(1000, 1000 + count):
        found_all = drift_of(replace(YEAR, seed=seed, drift_deg=0.0))
        course = found_all.courses[1]
        assert course.sums is not None
        assert course.shewhart is not None
        alarms["Shewhart"] += bool(course.shewhart.signals)
        alarms["CUSUM"] += bool(course.sums.signals)
        charts = [(one.shewhart, one.sums) for one in found_all.courses]
        each = sum(bool(chart and chart.signals) for pair in charts for chart in pair)
        pages += each > 0
        speaking += each
        expected += found_all.false_alarms
    for name, number in alarms.items():
        print(f"  no drift, AP rotation: {number} of {count} years with a false alarm ({name})")
    print(
        f"  no drift, all five measures: {pages} of {count} pages with a signal; "
        f"{speaking / count:.2f} charts a page speak, {expected / count:.2f} said to be expected"
    )


if __name__ == "__main__":
    known()
    estimated()
    learnt()
    years(int(sys.argv[1]) if len(sys.argv) > 1 else 100)
