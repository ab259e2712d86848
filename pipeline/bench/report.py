"""What the benchmark writes: results.json, report.html, tables in Markdown and LaTeX, and a CSV of
every landmark."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

from pipeline.bench.cost import costs
from pipeline.bench.exam import Exam
from pipeline.bench.figures import figures_of, strict
from pipeline.bench.films import default_cache
from pipeline.bench.paired import compare_entries, shifts
from pipeline.bench.plots import plots
from pipeline.bench.print import latex, markdown
from pipeline.bench.suite_tables import words as plain
from pipeline.bench.words import NO_FIGURES, STATES, entry, number, suite
from pipeline.language import Speech, mark, speech
from pipeline.records.files import write_atomic
from pipeline.records.paper import Block, Heading, Items, Paper, Table, Text, write_html

Results = Mapping[str, Any]
Cell = Callable[[Speech, Mapping[str, Any]], str]


def write_report(exam: Exam, out: Path) -> str:
    """Writes everything and returns the tables as Markdown.

    The page is in the language that is asked for; files for papers and programs are in English.
    """
    cache = Path(exam.settings.cache) if exam.settings.cache else default_cache()
    reference = exam.settings.reference
    if reference not in exam.scores:
        reference = next(iter(exam.scores))
    results = strict(
        {
            "what": "squareon bench",
            "settings": asdict(exam.settings),
            "made_by": exam.made_by,
            "reference": reference,
            "figures": figures_of(exam),
            "paired": compare_entries(exam.scores, reference),
            "shifts": shifts(
                exam.scores, {name: suite.beside for name, suite in exam.suites.items()}
            ),
            "cost": costs(exam, cache),
        }
    )
    write_atomic(out / "results.json", json.dumps(results, indent=1, allow_nan=False) + "\n")
    english = speech("en")
    tables = tables_of(english, results)
    text = preface(english, results) + "\n\n" + "\n\n".join(map(markdown, tables)) + "\n"
    text = text.replace("\u2212", "-")
    write_atomic(out / "benchmark.md", text)
    write_atomic(out / "benchmark.tex", _latex(tables))
    write_atomic(out / "landmarks.csv", landmarks_csv(results))
    write_html(paper_of(speech(exam.settings.language), results), out / "report.html")
    return text


def _latex(tables: Sequence[Table]) -> str:
    return ("\n\n".join(map(latex, tables)) + "\n").replace("\u2212", "-")


def preface(t: Speech, results: Results) -> str:
    """What the figures are of, in a few sentences."""
    made = results["made_by"]
    return t(
        "{films} synthetic films a suite, seeds from {seed}, which training never used; every "
        "suite shows the same persons. 95 % intervals in brackets resample persons. Landmarks: "
        "radial error at fixed landmarks, error normal to the outline at contour landmarks, mm at "
        "the knee, of those given; within 2 mm: of all that could have been found. Angles: "
        "rotation and tilt together, degrees. Made by version {version} on {machine}. Synthetic "
        "films say nothing about how well real ones are read.",
        films=made["films"],
        seed=made["first_seed"],
        version=made["version"],
        machine=made["machine"]["processor"],
    )


# ---- tables -------------------------------------------------------------------------------------


def _entries(results: Results) -> list[str]:
    return list(results["figures"])


def _suites(results: Results) -> list[str]:
    return list(next(iter(results["figures"].values())))


def by_suite(t: Speech, results: Results, caption: str, cell: Cell) -> Table:
    """One row a suite, one column an entry."""
    entries = _entries(results)
    rows = tuple(
        (suite(t, name), *(cell(t, results["figures"][one][name]) for one in entries))
        for name in _suites(results)
    )
    columns = (t("suite"), *(entry(t, one) for one in entries))
    return Table(columns, rows, t(caption), numbers=tuple(range(1, len(columns))))


def spread(t: Speech, three: Mapping[str, Any] | None, scale: float = 1.0, digits: int = 2) -> str:
    """A value with its interval."""
    if not three or not three.get("n"):
        return NO_FIGURES
    value = t.number(three["value"] * scale, digits)
    if three.get("low") is None or three.get("high") is None:
        return value
    ends = (t.number(three[name] * scale, digits) for name in ("low", "high"))
    return _between(t, value, *ends)


def _between(t: Speech, value: str, low: str, high: str) -> str:
    return t("{value} ({low} to {high})", value=value, low=low, high=high)


def percent(t: Speech, share: Mapping[str, Any] | None, key: str = "share") -> str:
    """A share with its interval, in per cent."""
    if not share or not share.get("n"):
        return NO_FIGURES
    ends = (t.number(100 * share[name], 0) for name in ("low", "high"))
    return _between(t, t.number(100 * share[key], 1), *ends)


def tables_of(t: Speech, results: Results) -> list[Table]:
    """The tables of the report, in their order."""
    return [
        *(by_suite(t, results, caption, cell) for caption, cell in FIGURES.items()),
        *shift_tables(t, results),
        *paired_tables(t, results),
        cost_table(t, results),
        _suite_table(t, results),
        _entry_table(t, results),
    ]


def _landmarks(figures: Mapping[str, Any]) -> Mapping[str, Any]:
    return (figures["both"] or {}).get("landmarks") or {}


def _angles(figures: Mapping[str, Any]) -> Mapping[str, Any]:
    return (figures["both"] or {}).get("angles") or {}


FIGURES: Mapping[str, Cell] = {
    mark("Landmarks: mean error, mm"): lambda t, f: spread(t, _landmarks(f).get("mean")),
    mark("Landmarks within 2 mm, %"): lambda t, f: spread(
        t, (_landmarks(f).get("sdr") or {}).get("2"), 100, 1
    ),
    mark("Landmarks: median, 95th percentile, mm"): lambda t, f: _two(
        t, _landmarks(f), "median", "p95"
    ),
    mark("Angles: mean absolute error, degrees"): lambda t, f: spread(t, _angles(f).get("mae")),
    mark("Angles: bias and 95 % limits of agreement, degrees"): lambda t, f: _limits(t, _angles(f)),
    mark("Angles: direction right where the film is more than 2 degrees off, %"): (
        lambda t, f: percent(t, _angles(f).get("direction"))
    ),
    mark("Angles inside their 90 % interval, % (and its median half width, degrees)"): (
        lambda t, f: _interval(t, _angles(f))
    ),
    mark("Knee found, and its view right, %"): lambda t, f: percent(t, f["view_right"]),
    mark("Square on within 5 degrees: calibration error, Brier score"): lambda t, f: _two(
        t, (f["square"] or {}).get("usable"), "ece", "brier", 3
    ),
}
"""A table each: its caption, and the words in the cell of one entry on one suite."""


def _suite_table(t: Speech, results: Results) -> Table:
    made = results["made_by"]
    rows = (
        (
            suite(t, name),
            str(made["films"] if name != "own" else one["films"]),
            t.within("about", one["about"]),
            str(one["version"]),
            one["digest"],
            t.within("digest", STATES.get(one["state"], one["state"])),
        )
        for name, one in made["suites"].items()
    )
    columns = (t("suite"), t("films"), t("what its films are"), t("version"), t("digest"))
    return Table((*columns, t("against those published")), tuple(rows), t("Suites"))


def _entry_table(t: Speech, results: Results) -> Table:
    rows = (
        (entry(t, name), _what(t, one), str(one.get("weights", NO_FIGURES)))
        for name, one in results["made_by"]["entries"].items()
    )
    return Table((t("entry"), t("what answers"), t("weights")), tuple(rows), t("Entries"))


def _what(t: Speech, entry: Mapping[str, Any]) -> str:
    if "predictions" in entry:
        return t("predictions {file}", file=entry["predictions"])
    return f"{entry['detector']['name']}, {entry['pose']['name']}"


def _two(
    t: Speech, figures: Mapping[str, Any] | None, one: str, other: str, digits: int = 2
) -> str:
    if not figures or figures.get(one) is None:
        return NO_FIGURES
    values = (number(t, figures[name], digits) for name in (one, other))
    return t("{one}, {other}", **dict(zip(("one", "other"), values, strict=True)))


def _limits(t: Speech, figures: Mapping[str, Any] | None) -> str:
    if not figures or not figures.get("n"):
        return NO_FIGURES
    bias = t.number(figures["bias"]["value"], 2, signed=True)
    low, high = figures["limits_of_agreement"]
    if low is None:
        return bias
    return _between(t, bias, *(t.number(end, 1, signed=True) for end in (low, high)))


def _interval(t: Speech, figures: Mapping[str, Any] | None) -> str:
    held = (figures or {}).get("interval_90")
    if not held or not held["n"]:
        return NO_FIGURES
    return f"{t.number(100 * held['held'], 1)} (±{t.number(held['half_width'], 1)})"


PAIRED = {
    "landmarks": mark(
        "Landmarks: {reference} minus the other, mm, person by person on what both gave "
        "(sign-flip test, Holm over the table)"
    ),
    "angles": mark(
        "Angles: {reference} minus the other, degrees, person by person on what both gave "
        "(sign-flip test, Holm over the table)"
    ),
}
SHIFTS = {
    "landmarks": mark(
        "Landmarks: what a suite adds to the mean error, mm, for the same persons where both were "
        "read (* p < 0.05, sign flips, not adjusted)"
    ),
    "angles": mark(
        "Angles: what a suite adds to the mean error, degrees, for the same persons where both "
        "were read (* p < 0.05, sign flips, not adjusted)"
    ),
}
"""By measure, the captions of tables of comparisons."""


def paired_tables(t: Speech, results: Results) -> list[Table]:
    """The reference against every other entry, one table a measure."""
    columns = (
        *(t("against"), t("suite"), t("persons"), t("difference"), t("better for")),
        *("p", "p, Holm"),
    )
    reference = entry(t, results["reference"])
    return [
        Table(
            columns,
            tuple(_pair(t, row) for row in results["paired"][measure]),
            t(caption, reference=reference),
            numbers=(2, 3, 4, 5, 6),
        )
        for measure, caption in PAIRED.items()
        if results["paired"][measure]
    ]


def _pair(t: Speech, row: Mapping[str, Any]) -> tuple[str, ...]:
    difference = better = NO_FIGURES
    if row["difference"] is not None:
        ends = {"low": row["low"], "high": row["high"]}
        difference = spread(t, {"n": 1, "value": row["difference"], **ends})
        better = t.share(row["better_for"])
    persons = str(row["persons"])
    names = entry(t, row["entry"]), suite(t, row["suite"])
    return (*names, persons, difference, better, _p(t, row["p"]), _p(t, row.get("p_holm")))


def _p(t: Speech, value: float | None) -> str:
    if value is None:
        return NO_FIGURES
    return f"< {t.number(0.001, 3)}" if value < 0.001 else t.number(value, 3)


def shift_tables(t: Speech, results: Results) -> list[Table]:
    """What each suite costs, one table a measure."""
    found, entries = [], _entries(results)
    for measure, caption in SHIFTS.items():
        by_entry = results["shifts"][measure]
        suites: Mapping[str, Any] = next(iter(by_entry.values()), {})
        if not suites:
            continue
        rows = []
        for name, row in suites.items():
            cells = (_change(t, by_entry[one].get(name)) for one in entries)
            rows.append((suite(t, name), suite(t, row["beside"]), *cells))
        columns = (t("suite"), t("beside"), *(entry(t, one) for one in entries))
        found.append(Table(columns, tuple(rows), t(caption), numbers=tuple(range(2, len(columns)))))
    return found


def _change(t: Speech, row: Mapping[str, Any] | None) -> str:
    if row is None or row["difference"] is None:
        return NO_FIGURES
    star = "*" if row["p"] < 0.05 else ""
    values = (t.number(row[name], 2, signed=True) for name in ("difference", "low", "high"))
    return _between(t, *values) + star


def cost_table(t: Speech, results: Results) -> Table:
    """Seconds and memory on one core."""
    columns = (
        *(t("entry"), t("films"), t("first film, s"), t("a film, s"), t("95th")),
        t("most memory, MB"),
    )
    return Table(
        columns,
        tuple(
            (
                entry(t, name),
                str(cost["films"]),
                number(t, cost["first_s"]),
                number(t, cost["median_s"], 3),
                number(t, cost["p95_s"], 3),
                number(t, cost["peak_mb"], 0),
            )
            for name, cost in results["cost"].items()
        ),
        t(
            "Cost on one core, each entry in a process of its own (the first film loads what it "
            "needs)"
        ),
        numbers=(1, 2, 3, 4, 5),
    )


LANDMARK_COLUMNS = (
    "entry",
    "suite",
    "view",
    "landmark",
    "error",
    "n",
    "could_have_been_found",
    "mean_mm",
    "low_95",
    "high_95",
    "median_mm",
    "p95_mm",
    "within_2",
    "within_2.5",
    "within_3",
    "within_4",
)


def landmark_rows(results: Results) -> list[tuple[Any, ...]]:
    """One row for each entry, suite, view, landmark and kind of error."""
    rows = []
    for one, suites in results["figures"].items():
        for name, figures in suites.items():
            for view, part in figures["views"].items():
                for landmark, errors in (part.get("landmarks") or {}).items():
                    for error in ("radial", "normal"):
                        e = errors.get(error)
                        if e and e.get("n"):
                            mean = e["mean"]
                            rows.append(
                                (
                                    *(one, name, view, landmark, error, e["n"], e["could"]),
                                    *(mean["value"], mean["low"], mean["high"]),
                                    *(e["median"], e["p95"]),
                                    *(e["sdr"][k]["value"] for k in ("2", "2.5", "3", "4")),
                                )
                            )
    return rows


def landmarks_csv(results: Results) -> str:
    """Every landmark as CSV."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(LANDMARK_COLUMNS)
    for row in landmark_rows(results):
        writer.writerow([f"{v:.4f}" if isinstance(v, float) else v for v in row])
    return text.getvalue()


def landmark_tables(t: Speech, results: Results, name: str) -> list[Block]:
    """Every landmark of one suite, entry by entry and view by view."""
    blocks: list[Block] = []
    rows = [row for row in landmark_rows(results) if row[1] == name]
    columns = (
        *(t("landmark"), t("error"), "n", t("mean"), t("median"), t("95th")),
        *(t.number(limit, digits) for limit, digits in ((2, 0), (2.5, 1), (3, 0), (4, 0))),
    )
    for one in _entries(results):
        for view in ("AP", "lateral"):
            mine = [row for row in rows if row[0] == one and row[2] == view]
            if not mine:
                continue
            caption = t(
                "{entry}, {view}, suite {suite}: mm at the knee; share in % within 2, 2.5, 3 and "
                "4 mm",
                entry=entry(t, one),
                view=t.within("view", view),
                suite=suite(t, name),
            )
            cells = tuple(_landmark(t, row) for row in mine)
            blocks.append(Table(columns, cells, caption, numbers=tuple(range(2, 10))))
    return blocks


def _landmark(t: Speech, row: tuple[Any, ...]) -> tuple[str, ...]:
    return (
        *(plain(row[3]), t.within("error", row[4])),
        t("{n} of {m}", n=row[5], m=row[6]),
        spread(t, {"n": 1, "value": row[7], "low": row[8], "high": row[9]}),
        *(number(t, row[10]), number(t, row[11])),
        *(t.number(100 * v, 0) for v in row[12:]),
    )


# ---- the page -----------------------------------------------------------------------------------


def paper_of(t: Speech, results: Results) -> Paper:
    """The report as a page."""
    made, suites, tables = results["made_by"], _suites(results), tables_of(t, results)
    first, machine = suites[0], made["machine"]
    blocks: list[Block] = [
        Text(preface(t, results), "lead"),
        Heading(t("Landmarks")),
        *plots(t, results, "landmarks"),
        *tables[:3],
        Heading(t("Angles")),
        *plots(t, results, "angles"),
        *tables[3:7],
        Heading(t("View, and whether the film is square on")),
        *plots(t, results, "square"),
        *tables[7:9],
        Heading(t("Compared person by person")),
        *tables[9:-3],
        Heading(t("Cost")),
        tables[-3],
        Heading(t("Every landmark, suite {suite}", suite=suite(t, first))),
        Text(
            t("landmarks.csv beside this page has every landmark of every suite, by these names.")
        ),
        *landmark_tables(t, results, first),
        Heading(t("How to repeat it")),
        *tables[-2:],
        Items(
            (
                t(
                    "Version {version}; {films} films a suite from seed {seed}.",
                    version=made["version"],
                    films=made["films"],
                    seed=made["first_seed"],
                ),
                t(
                    "Machine: {processor}, {cores} cores, {system}, Python {python}, {packages}.",
                    processor=machine["processor"],
                    cores=machine["cores"],
                    system=machine["system"],
                    python=machine["python"],
                    packages=", ".join(f"{k} {v}" for k, v in machine["packages"].items()),
                ),
                t("results.json holds all settings, seeds, digests and figures."),
                t(
                    "Films are the same to the bit where processor and libraries round alike; "
                    "within tolerance says that they do not, and that the films are as good as "
                    "the same."
                ),
            )
        ),
    ]
    weights = ", ".join(str(e.get("weights", "")) for e in made["entries"].values())
    return Paper(
        title=t("Benchmark"),
        subtitle=", ".join(
            (
                t.plural("{n} suite", "{n} suites", len(suites)),
                t.plural("{n} entry", "{n} entries", len(_entries(results))),
            )
        ),
        blocks=tuple(blocks),
        language=t.code,
        made_by=f"squareon {made['version']}; {weights}",
        invented="own" not in suites,
    )
