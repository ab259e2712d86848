"""What a study found: a mixed model over all answers, and t tests over the learners' means.

The mixed model has learners and films as crossed random effects (Baayen, Davidson & Bates, J Mem
Lang 2008;59:390): results of one learner belong together, and so do those on one film. Learners
may gain by different amounts (Barr, Levy, Scheepers & Tily, J Mem Lang 2013;68:255).
"""

from __future__ import annotations

import math
import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.knee.counted import counted
from pipeline.knee.errors import Problem
from pipeline.study.plan import OCCASIONS, SHEET, opened, rows_of

Array = NDArray[np.float64]
LEAST = 3
"""Fewest learners in an arm for a test."""


@dataclass(frozen=True)
class Answer:
    """One film read by one learner; `value` is what is measured."""

    learner: str
    arm: str
    occasion: str
    film: str
    place: int
    value: float


@dataclass(frozen=True)
class Effect:
    """One estimate: its 95 % interval, p, and the learners (n) behind it.

    Attributes:
        name: in words; method: the test or the model.
        note: why it is not there, or what to keep in mind; "" for nothing.
    """

    name: str
    method: str
    n: int
    value: float | None
    low: float | None = None
    high: float | None = None
    p: float | None = None
    note: str = ""


@dataclass(frozen=True)
class Study:
    """All answers of a study, unblinded.

    Attributes:
        what: is measured, as the plan says it, with its unit.
        invented: the learners are.
        arms: 1, all taught, or 2, of which one waits.
        gaps: what is missing, a sentence each.
    """

    what: str
    invented: bool
    arms: int
    answers: tuple[Answer, ...]
    gaps: tuple[str, ...]


def load_study(folder: Path) -> Study:
    """Answers of all sheets, unblinded. Raises `Problem` for a sheet that cannot be meant."""
    plan, key = opened(folder)
    answers: list[Answer] = []
    gaps: list[str] = []
    for learner in plan["learners"]:
        path = folder / "answers" / f"{learner}.csv"
        if not path.is_file():
            gaps.append(f"{learner}: no sheet")
            continue
        empty = 0
        for number, row in enumerate(rows_of(path, SHEET), 2):
            where = f"{path}, line {number}"
            if row["occasion"] not in OCCASIONS or row["film"] not in key["films"]:
                raise Problem(where, "names no film or occasion of this study", "mend the line")
            value = _value(row, key["truth"], where)
            if value is None:
                empty += 1
                continue
            answers.append(
                Answer(
                    learner,
                    key["arms"][learner],
                    row["occasion"],
                    row["film"],
                    _whole(row["place"], where),
                    value,
                )
            )
        if empty:
            gaps.append(f"{learner}: {counted(empty, 'film')} without an answer")
    if not answers:
        raise Problem(str(folder / "answers"), "holds no answers yet", "fill in the sheets")
    return Study(plan["what"], plan["invented"], plan["arms"], tuple(answers), tuple(gaps))


def _value(row: dict[str, str], truth: dict[str, list[float]], where: str) -> float | None:
    """`value` where given, else the mean error of both angles; None for an empty line."""
    if row["value"]:
        return _number(row["value"], where)
    if not row["rotation_deg"] and not row["tilt_deg"]:
        return None
    if row["film"] not in truth:
        what = "has angles, but the study was planned without the films' true angles"
        raise Problem(where, what, "fill in value, or plan with --truth")
    angles = [_number(row[name], where) for name in ("rotation_deg", "tilt_deg")]
    return float(np.mean([abs(a - t) for a, t in zip(angles, truth[row["film"]], strict=True)]))


def _number(text: str, where: str) -> float:
    try:
        value = float(text.replace(",", "."))
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise Problem(where, f"{text!r} is no number", "correct it or leave it empty")
    return value


def _whole(text: str, where: str) -> int:
    if not text.isdecimal():
        raise Problem(where, "place is no whole number", "bring the planned one back")
    return int(text)


# ---- tests -------------------------------------------------------------------------------------


def means(answers: Sequence[Answer]) -> dict[str, tuple[str, float, float]]:
    """Learner to (arm, mean before, mean after), of those who read on both occasions."""
    found: dict[str, tuple[str, float, float]] = {}
    for learner in dict.fromkeys(a.learner for a in answers):
        own = [a for a in answers if a.learner == learner]
        both = [[a.value for a in own if a.occasion == occasion] for occasion in OCCASIONS]
        if all(both):
            found[learner] = (own[0].arm, float(np.mean(both[0])), float(np.mean(both[1])))
    return found


def effects(study: Study) -> list[Effect]:
    """All estimates; what cannot be estimated says why."""
    each = means(study.answers)
    taught = [(b, a) for arm, b, a in each.values() if arm == "taught"]
    found = [*paired("change of those taught", np.array(taught, dtype=np.float64).reshape(-1, 2))]
    if study.arms == 2:
        waiting = [(b, a) for arm, b, a in each.values() if arm == "waiting"]
        rest = np.array(waiting, dtype=np.float64).reshape(-1, 2)
        found += paired("change of those waiting", rest)
        found.append(between(np.array(taught).reshape(-1, 2), rest))
    return [*mixed(study), *found]


def paired(name: str, pairs: Array) -> list[Effect]:
    """After minus before over learners: paired t test, and Wilcoxon's signed ranks.

    `pairs`: (learners, 2) mean before and after, in the unit of the study's measure.
    """
    from scipy import stats

    n = len(pairs)
    if n < LEAST:
        note = f"fewer than {LEAST} learners read on both occasions"
        return [Effect(name, "paired t test", n, None, note=note)]
    before, after = pairs.T
    if np.ptp(after - before) == 0:
        note = "every learner changed by the same"
        return [Effect(name, "paired t test", n, float((after - before).mean()), note=note)]
    result = stats.ttest_rel(after, before)
    low, high = result.confidence_interval(0.95)
    change = float((after - before).mean())
    p = float(stats.wilcoxon(after, before).pvalue)
    return [
        Effect(name, "paired t test", n, change, float(low), float(high), float(result.pvalue)),
        Effect(name, "signed ranks (Wilcoxon)", n, float(np.median(after - before)), p=p),
    ]


def between(taught: Array, waiting: Array) -> Effect:
    """Difference of the arms' mean changes, Welch's t test.

    `taught`, `waiting`: (learners, 2) as of `paired`.
    """
    from scipy import stats

    name, method = "what teaching added", "t test of the changes (Welch)"
    n = len(taught) + len(waiting)
    if min(len(taught), len(waiting)) < LEAST:
        return Effect(name, method, n, None, note=f"fewer than {LEAST} learners in an arm")
    one, other = taught[:, 1] - taught[:, 0], waiting[:, 1] - waiting[:, 0]
    if np.ptp(one) + np.ptp(other) == 0:
        return Effect(name, method, n, float(one.mean() - other.mean()), note="no spread at all")
    result = stats.ttest_ind(one, other, equal_var=False)
    low, high = result.confidence_interval(0.95)
    change = float(one.mean() - other.mean())
    return Effect(name, method, n, change, float(low), float(high), float(result.pvalue))


def mixed(study: Study) -> list[Effect]:
    """The mixed model: change of those taught (one arm) or what teaching added (two arms).

    Raises `Problem` without the extra `study`.
    """
    try:
        import pandas
        import statsmodels.formula.api as formula
        from scipy import stats
    except ImportError:
        raise Problem(
            "the mixed model", "needs the extra study", "run pip install 'squareon[study]'"
        ) from None
    name = "what teaching added" if study.arms == 2 else "change of those taught"
    method = "mixed model (learners and films)"
    learners = {a.learner: a.arm for a in study.answers}
    count = [sum(arm == each for arm in learners.values()) for each in ("taught", "waiting")]
    if min(count[: study.arms]) < LEAST:
        note = f"fewer than {LEAST} learners in an arm"
        return [Effect(name, method, len(learners), None, note=note)]
    table = pandas.DataFrame(
        {
            "value": [a.value for a in study.answers],
            "after": [float(a.occasion == "after") for a in study.answers],
            "taught": [float(a.arm == "taught") for a in study.answers],
            "learner": [a.learner for a in study.answers],
            "film": [a.film for a in study.answers],
            "all": 1,
        }
    )
    if table.after.nunique() < 2:
        return [Effect(name, method, len(learners), None, note="only one occasion was read")]
    terms, wanted = ("after * taught", "after:taught") if study.arms == 2 else ("after", "after")
    with warnings.catch_warnings(record=True) as said:
        warnings.simplefilter("always")
        model = formula.mixedlm(
            f"value ~ {terms}",
            table,
            groups="all",
            vc_formula={
                "learner": "0 + C(learner)",
                # Learners gain by different amounts: without it the interval is too narrow.
                "gain": "0 + C(learner):after",
                "film": "0 + C(film)",
            },
        )
        fit = model.fit(reml=True)
    # A spread at its edge, 0, is said by the library as well; only a lost search matters here.
    note = "" if fit.converged else "the model did not settle: trust the t test"
    value, error = float(fit.params[wanted]), float(fit.bse[wanted])
    # As many degrees of freedom as the t test has: a class is too small for the normal law.
    freedom = len(learners) - study.arms
    reach = float(stats.t.ppf(0.975, freedom)) * error
    p = float(2 * stats.t.sf(abs(value) / error, freedom)) if error > 0 else math.nan
    if not note and any("singular" in str(one.message) for one in said):
        note = "learners or films hardly differ from one another"
    if not math.isfinite(p):
        return [Effect(name, method, len(learners), value, note="no spread at all")]
    return [Effect(name, method, len(learners), value, value - reach, value + reach, p, note)]
