"""Does positioning drift? Each measure over time, with its charts.

Two kinds of chart look at every measure: a Shewhart chart, quick with a large sudden change, and a
CUSUM, quick with a small lasting one. What counts as unchanged is learnt point by point until a
CUSUM speaks, or taken from a period that the user names.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date

import numpy as np
from numpy.typing import NDArray

from pipeline.knee.errors import Problem
from pipeline.language import Speech, mark, speech
from pipeline.records.quality.control import (
    RANGE,
    RANGE_SHARE,
    RULES,
    Chart,
    Cusum,
    Level,
    Rule,
    Signal,
    arl_of_both,
    arl_of_shewhart,
    cusum,
    individuals,
    level_of,
    moving_range,
    run_rules,
    shares,
)
from pipeline.records.quality.films import NO, VIEWS, YES, Films, Spells
from pipeline.records.quality.learning import learn_means, learn_shares

LEAST_POINTS = 8
"""Points that must come before one that is judged; fewer tell next to nothing (design value)."""
FEW_POINTS = 20
"""Points of a named baseline below which the page says that limits are shaky (Montgomery 5.3
wants 20 to 25)."""
LEAST_READINGS = 5
"""A mean of fewer readings is no point (design value)."""
WIDE = 1.25
"""Spread between stretches, in binomial standard deviations, from which limits of shares are
widened by it (as Laney 2002, Quality Engineering 14:531, does always; the threshold is a design
value)."""


@dataclass(frozen=True)
class Measure:
    """What is looked at: `name` in tables, `title` of a chart, `unit` of its values."""

    name: str
    title: str
    unit: str


SHARE = Measure(mark("not square"), mark("Share of films that are not square on"), "share")
ANGLES = (
    Measure(mark("AP rotation"), mark("Rotation on AP films, mean"), "degrees"),
    Measure(mark("AP tilt"), mark("Tilt on AP films, mean"), "degrees"),
    Measure(mark("lateral rotation"), mark("Rotation on lateral films, mean"), "degrees"),
    Measure(mark("lateral tilt"), mark("Tilt on lateral films, mean"), "degrees"),
)


@dataclass(frozen=True)
class Why:
    """Why there is no chart: a sentence for the catalogue, and the numbers in its places."""

    sentence: str
    numbers: Mapping[str, int] = field(default_factory=dict)

    def told(self, t: Speech) -> str:
        return t(self.sentence, **{name: t.number(n, 0) for name, n in self.numbers.items()})

    def __str__(self) -> str:
        return self.told(speech("en"))


@dataclass(frozen=True)
class Course:
    """One measure over M stretches of time.

    Attributes:
        measure: what it is.
        sizes: (M,) readings behind each point.
        values: (M,) NaN where there are too few.
        level: what counts as unchanged, in the end; None where there is no chart: see `why`.
        shewhart, ranges, sums: the charts; `ranges` only for means, and where asked for.
        spread: variation between stretches over what the binomial gives; 1 for means.
    """

    measure: Measure
    sizes: NDArray[np.int64]
    values: NDArray[np.float64]
    level: Level | None = None
    why: Why | None = None
    shewhart: Chart | None = None
    ranges: Chart | None = None
    sums: Cusum | None = None
    spread: float = 1.0

    @property
    def signals(self) -> tuple[Signal, ...]:
        """Of all its charts that were asked for, in order."""
        charts = (self.shewhart, self.ranges, self.sums)
        found = [one for chart in charts if chart is not None for one in chart.signals]
        return tuple(sorted(found, key=lambda one: one.at))


@dataclass(frozen=True)
class Drift:
    """All measures.

    Attributes:
        spells: stretches of time.
        base: (M,) which of them count as unchanged from the start.
        learnt: whether levels were learnt from the other stretches too.
        courses: one for each measure.
        false_alarms: how many of these charts are expected to speak although nothing changes,
            with points of a normal law and levels known exactly or learnt.
    """

    spells: Spells
    base: NDArray[np.bool_]
    learnt: bool
    courses: tuple[Course, ...]
    false_alarms: float


@dataclass(frozen=True)
class How:
    """How charts are made; raises `Problem` where that makes no sense.

    Attributes:
        baseline: (first, last) day of what counts as unchanged; None: levels are learnt point by
            point (`learning.py`).
        rules: names of run rules (`RULES`), and `RANGE` for the chart of moving ranges.
        k, h: of the CUSUM, in standard deviations.
    """

    baseline: tuple[date | None, date | None] | None = None
    rules: tuple[str, ...] = ("beyond",)
    k: float = 0.5
    h: float = 5.0

    def __post_init__(self) -> None:
        names = [*(rule.name for rule in RULES), RANGE]
        for name in self.rules:
            if name not in names:
                raise Problem(f"rules={name}", "is no run rule", f"choose among {', '.join(names)}")
        for name, value in (("k", self.k), ("h", self.h)):
            if not value > 0:
                raise Problem(name, f"{value:g} is not above 0", "give 0.5 for k, 4 or 5 for h")

    @property
    def chosen(self) -> tuple[Rule, ...]:
        return tuple(rule for rule in RULES if rule.name in self.rules)


def drift(films: Films, spells: Spells, how: How) -> Drift:
    """Every measure over the stretches."""
    base = _base(spells, how)
    courses = [_share(films, spells, base, how)]
    for measure in ANGLES:
        view, angle = measure.name.split()
        mine = films.view == VIEWS.index(view)
        values = films.rotation if angle == "rotation" else films.tilt
        courses.append(_mean(measure, values, mine, spells, base, how))
    learnt = how.baseline is None
    return Drift(spells, base, learnt, tuple(courses), expected_to_speak(courses, how))


def _base(spells: Spells, how: How) -> NDArray[np.bool_]:
    """Which stretches count as unchanged from the start."""
    if how.baseline is None:
        return np.arange(len(spells)) < LEAST_POINTS
    first, last = how.baseline
    return np.array(
        [(first is None or end >= first) and (last is None or end <= last) for end in spells.last],
        dtype=bool,
    )


def _share(films: Films, spells: Spells, base: NDArray[np.bool_], how: How) -> Course:
    there = spells.of >= 0
    judged = there & np.isin(films.verdict, (YES, NO))
    sizes = np.bincount(spells.of[judged], minlength=len(spells))
    counts = np.bincount(spells.of[judged & (films.verdict == NO)], minlength=len(spells))
    with np.errstate(invalid="ignore"):
        values = np.where(sizes > 0, counts / np.maximum(sizes, 1), np.nan)
    plain = Course(SHARE, sizes, values)
    if (why := _too_little(sizes > 0, base, how)) is not None:
        return _without(plain, why)
    spread = 1.0
    if how.baseline is None:
        # How much points vary is seen while all are learnt from, a lasting change or not.
        options = (counts, sizes, how.chosen, LEAST_POINTS, how.k)
        spread = _spread(learn_shares(*options, np.inf)[0].z)
        chart, learnt = learn_shares(*options, how.h, spread if spread >= WIDE else 1.0)
        used = learnt.taken
        share = float(counts[used].sum() / sizes[used].sum())
    else:
        used = base & (sizes > 0)
        share = float(counts[used].sum() / sizes[used].sum())
        if not 0 < share < 1:
            return _without(plain, Why(mark("in the stretches taken as unchanged all films agree")))
        chart = shares(counts, sizes, share, how.chosen)
        spread = _spread(chart.z[used])
        if spread >= WIDE:
            sd = spread * np.sqrt(share * (1 - share) / np.maximum(sizes, 1))
            z = (values - share) / sd
            lower, upper = np.maximum(share - 3 * sd, 0.0), np.minimum(share + 3 * sd, 1.0)
            centre = np.full(len(sizes), share)
            chart = Chart(values, centre, lower, upper, z, run_rules(z, how.chosen))
    level = Level(share, float("nan"), int(used.sum()))
    sums = cusum(chart.z, how.k, how.h)
    return Course(
        SHARE, sizes, values, level, None, chart, None, sums, spread if spread >= WIDE else 1.0
    )


def _spread(z: NDArray[np.float64]) -> float:
    """How much more scores vary than they should; 1 where that cannot be told."""
    there = np.isfinite(z)
    return level_of(z[there]).sd if there.sum() >= LEAST_POINTS else 1.0


def _mean(
    measure: Measure,
    angles: NDArray[np.float64],
    mine: NDArray[np.bool_],
    spells: Spells,
    base: NDArray[np.bool_],
    how: How,
) -> Course:
    used = mine & np.isfinite(angles) & (spells.of >= 0)
    sizes = np.bincount(spells.of[used], minlength=len(spells))
    sums = np.bincount(spells.of[used], weights=angles[used], minlength=len(spells))
    values = np.where(sizes >= LEAST_READINGS, sums / np.maximum(sizes, 1), np.nan)
    plain = Course(measure, sizes, values)
    there = np.isfinite(values)
    if (why := _too_little(there, base, how)) is not None:
        return _without(plain, why)
    steady = base & there
    if how.baseline is None:
        chart, learnt = learn_means(values, how.chosen, LEAST_POINTS, how.k, how.h)
        steady = learnt.taken
    level = level_of(values[steady])
    if not level.sd > 0:
        said = mark("in the stretches taken as unchanged all means are the same")
        return _without(plain, Why(said))
    if how.baseline is not None:
        chart = individuals(values, level, how.chosen)
    return Course(
        measure,
        sizes,
        values,
        level,
        None,
        chart,
        moving_range(values, level) if RANGE in how.rules else None,
        cusum(chart.z, how.k, how.h),
    )


def _without(course: Course, why: Why) -> Course:
    return Course(course.measure, course.sizes, course.values, why=why)


def _too_little(there: NDArray[np.bool_], base: NDArray[np.bool_], how: How) -> Why | None:
    """Why there is no chart of these points, or None."""
    if not there.any():
        return Why(mark("no stretch holds {n} such readings"), {"n": LEAST_READINGS})
    if how.baseline is None:
        if there.sum() > LEAST_POINTS:
            return None
        points, least = int(there.sum()), LEAST_POINTS + 1
        if points == 1:
            return Why(mark("there is 1 point, and {least} are the least"), {"least": least})
        return Why(
            mark("there are {n} points, and {least} are the least"), {"n": points, "least": least}
        )
    count = int((base & there).sum())
    if count < LEAST_POINTS:
        return Why(
            mark("points that can be taken as unchanged: {n}, and {least} are the least"),
            {"n": count, "least": LEAST_POINTS},
        )
    return None


def expected_to_speak(courses: Sequence[Course], how: How) -> float:
    """Charts that speak once or more, not signals: a CUSUM that spoke often does so again.

    Scores are independent and standard normal until a chart speaks, learnt levels or not
    (`learning.py`), so each chart keeps silent over its points with the probability of run
    lengths. Without the run rules of several points, for which no law is at hand. Shares are less
    often beyond exact limits than normal points are: for them it is a bound.
    """
    each = [1 / arl_of_both(0.0, how.k, how.h)]
    if "beyond" in how.rules:
        each.append(1 / arl_of_shewhart(0.0))
    if RANGE in how.rules:
        each.append(RANGE_SHARE)
    charts = [one.shewhart for one in courses if one.shewhart is not None]
    points = np.array([np.isfinite(chart.z).sum() for chart in charts])
    return float(sum((1 - (1 - share) ** points).sum() for share in each))
