"""Two entries on the same persons: is one better, and is that more than chance?

A person's figure is the mean of the errors on all films of that person; the difference between two
entries is one number a person. Under the null hypothesis its sign is a coin: signs are flipped, all
of them where there are few persons, else at random (Fisher's randomisation test; Good 2005,
Permutation, Parametric and Bootstrap Tests of Hypotheses). Wilcoxon's signed-rank test (1945,
Biometrics 1:80) stands beside it. Suites show the same persons, so all suites together give one
difference a person too. Holm's step-down (1979, Scand J Stat 6:65) holds the error over all suites
and pairs of a measure at 5 %.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from itertools import product
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.bench.accuracy import KneeResult
from pipeline.bench.exam import Scored, Scores
from pipeline.bench.figures import knees_of
from pipeline.bench.suite import angle_errors, chief_errors

Array = NDArray[np.float64]
EXACT_UP_TO = 15
DRAWS = 20_000
ALL = "all suites"
MEASURES: dict[str, Callable[[KneeResult], Array]] = {
    "landmarks": chief_errors,
    "angles": lambda knee: np.abs(angle_errors(knee)),
}


def sign_flip(differences: Array, draws: int = DRAWS, seed: int = 0) -> float:
    """Two-sided p of a mean difference of 0; (n,) one number a person."""
    d = np.asarray(differences, dtype=np.float64)
    n = len(d)
    if n == 0 or not d.any():
        return 1.0
    seen = abs(d.sum())
    tolerance = 1e-12 * np.abs(d).sum()
    if n <= EXACT_UP_TO:
        signs = np.array(list(product((-1.0, 1.0), repeat=n)))
        return float((np.abs(signs @ d) >= seen - tolerance).mean())
    rng = np.random.default_rng(seed)
    signs = rng.choice((-1.0, 1.0), (draws, n))
    hits = int((np.abs(signs @ d) >= seen - tolerance).sum())
    return (hits + 1) / (draws + 1)


def holm(p: Sequence[float]) -> list[float]:
    """Adjusted p, in the order given."""
    order = np.argsort(p, kind="stable")
    adjusted, highest = [0.0] * len(p), 0.0
    for rank, index in enumerate(order):
        highest = max(highest, min(1.0, (len(p) - rank) * p[index]))
        adjusted[int(index)] = highest
    return adjusted


def per_person(
    mine: Sequence[Scored], theirs: Sequence[Scored], errors: Callable[[KneeResult], Array]
) -> tuple[dict[str, float], dict[str, int]]:
    """Difference (mine minus theirs) by person, over errors that both have; and how many knees
    both, only one, or neither gave. `errors`: of a knee, (n,), NaN where not given."""
    sums: dict[str, list[float]] = {}
    counts = dict.fromkeys(("both", "only_mine", "only_theirs", "neither"), 0)
    for (a, _, person), (b, _, _) in zip(knees_of(mine), knees_of(theirs), strict=True):
        one, other = errors(a), errors(b)
        has = bool(np.isfinite(one).any()), bool(np.isfinite(other).any())
        key = {(True, True): "both", (True, False): "only_mine", (False, True): "only_theirs"}
        counts[key.get(has, "neither")] += 1
        both = np.isfinite(one) & np.isfinite(other)
        if both.any():
            sums.setdefault(person, []).append(float((one[both] - other[both]).mean()))
    return {person: float(np.mean(each)) for person, each in sums.items()}, counts


def compare_entries(scores: Scores, reference: str) -> dict[str, Any]:
    """Every other entry against `reference`, by measure, suite and all suites together."""
    found: dict[str, Any] = {}
    for measure, errors in MEASURES.items():
        rows: list[dict[str, Any]] = []
        for name in scores:
            if name != reference:
                rows += _rows(scores[reference], scores[name], name, errors)
        tested = [row for row in rows if row["p"] is not None]
        for row, p in zip(tested, holm([row["p"] for row in tested]), strict=True):
            row["p_holm"] = p
        found[measure] = rows
    return found


def shifts(scores: Scores, beside: Mapping[str, str]) -> dict[str, Any]:
    """What a suite costs each entry: its errors minus those of the same persons in the same beams
    in the suite beside it, by measure, entry and suite.

    `beside`: suite to the suite it is compared with, or empty.
    """
    found: dict[str, Any] = {measure: {} for measure in MEASURES}
    for measure, errors in MEASURES.items():
        for entry, by_suite in scores.items():
            rows = {}
            for suite, other in beside.items():
                if other not in by_suite or suite not in by_suite:
                    continue
                there = {(k.seed, k.knee): k for k, _, _ in knees_of(by_suite[other])}
                people: dict[str, list[float]] = {}
                for knee, _, person in knees_of(by_suite[suite]):
                    same = there.get((knee.seed, knee.knee))
                    if same is None:
                        continue
                    pair = [e[np.isfinite(e)] for e in (errors(knee), errors(same))]
                    if all(map(len, pair)):
                        people.setdefault(person, []).append(float(pair[0].mean() - pair[1].mean()))
                each = np.array([np.mean(values) for values in people.values()])
                rows[suite] = {"beside": other, **_row(entry, suite, each, None)}
            found[measure][entry] = rows
    return found


def _rows(
    mine: Mapping[str, Sequence[Scored]],
    theirs: Mapping[str, Sequence[Scored]],
    name: str,
    errors: Callable[[KneeResult], Array],
) -> list[dict[str, Any]]:
    rows = []
    pooled: dict[str, list[float]] = {}
    for suite in mine:
        if suite not in theirs:
            continue
        by_person, counts = per_person(mine[suite], theirs[suite], errors)
        for person, difference in by_person.items():
            pooled.setdefault(person, []).append(difference)
        rows.append(_row(name, suite, np.array(list(by_person.values())), counts))
    if len(rows) > 1:
        means = np.array([np.mean(each) for each in pooled.values()])
        rows.append(_row(name, ALL, means, None))
    return rows


def _row(name: str, suite: str, d: Array, counts: dict[str, int] | None) -> dict[str, Any]:
    from scipy.stats import wilcoxon

    out: dict[str, Any] = {"entry": name, "suite": suite, "persons": len(d), "knees": counts}
    if len(d) < 5:
        return {**out, "difference": None, "low": None, "high": None, "p": None, "wilcoxon_p": None}
    rng = np.random.default_rng(0)
    draws = d[rng.integers(0, len(d), (1000, len(d)))].mean(axis=1)
    low, high = np.percentile(draws, [2.5, 97.5])
    return {
        **out,
        "difference": float(d.mean()),
        "low": float(low),
        "high": float(high),
        "better_for": float((d < 0).mean()),
        "p": sign_flip(d),
        "wilcoxon_p": float(wilcoxon(d).pvalue) if d.any() else 1.0,
    }
