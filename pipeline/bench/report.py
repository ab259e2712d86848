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
from pipeline.bench.suite_tables import words
from pipeline.records.files import write_atomic
from pipeline.records.paper import Block, Heading, Items, Paper, Table, Text, write_html

Results = Mapping[str, Any]
NO_FIGURES = "-"


def write_report(exam: Exam, out: Path) -> str:
    """Writes everything and returns the tables as Markdown."""
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
    tables = tables_of(results)
    text = preface(results) + "\n\n" + "\n\n".join(markdown(t) for t in tables) + "\n"
    write_atomic(out / "benchmark.md", text)
    write_atomic(out / "benchmark.tex", "\n\n".join(latex(t) for t in tables) + "\n")
    write_atomic(out / "landmarks.csv", landmarks_csv(results))
    write_html(paper_of(results, tables), out / "report.html")
    return text


def preface(results: Results) -> str:
    """What the figures are of, in a few sentences."""
    made = results["made_by"]
    machine = made["machine"]
    return (
        f"{made['films']} synthetic films a suite, seeds from {made['first_seed']}, which training "
        "never used; every suite shows the same persons. 95 % intervals in brackets resample "
        "persons. Landmarks: radial error at fixed landmarks, error normal to the outline at "
        "contour landmarks, mm at the knee, of those given; within 2 mm: of all that could have "
        "been found. Angles: rotation and tilt together, degrees. Made by version "
        f"{made['version']} on {machine['processor']}. Synthetic films say nothing about how well "
        "real ones are read."
    )


# ---- tables -------------------------------------------------------------------------------------


def _entries(results: Results) -> list[str]:
    return list(results["figures"])


def _suites(results: Results) -> list[str]:
    return list(next(iter(results["figures"].values())))


def by_suite(results: Results, caption: str, cell: Callable[[Mapping[str, Any]], str]) -> Table:
    """One row a suite, one column an entry."""
    entries = _entries(results)
    rows = tuple(
        (words(suite), *(cell(results["figures"][entry][suite]) for entry in entries))
        for suite in _suites(results)
    )
    columns = ("suite", *map(words, entries))
    return Table(columns, rows, caption, numbers=tuple(range(1, len(columns))))


def spread(three: Mapping[str, Any] | None, scale: float = 1.0, digits: int = 2) -> str:
    """A value with its interval."""
    if not three or not three.get("n"):
        return NO_FIGURES
    value = f"{three['value'] * scale:.{digits}f}"
    if three.get("low") is None or three.get("high") is None:
        return value
    return f"{value} ({three['low'] * scale:.{digits}f} to {three['high'] * scale:.{digits}f})"


def percent(share: Mapping[str, Any] | None, key: str = "share") -> str:
    """A share with its interval, in per cent."""
    if not share or not share.get("n"):
        return NO_FIGURES
    return f"{100 * share[key]:.1f} ({100 * share['low']:.0f} to {100 * share['high']:.0f})"


def number(value: float | None, digits: int = 2) -> str:
    """A number, or a dash."""
    return NO_FIGURES if value is None else f"{value:.{digits}f}"


def tables_of(results: Results) -> list[Table]:
    """The tables of the report, in their order."""
    return [
        *(by_suite(results, caption, cell) for caption, cell in FIGURES.items()),
        *shift_tables(results),
        *paired_tables(results),
        cost_table(results),
        _suite_table(results),
        _entry_table(results),
    ]


def _landmarks(figures: Mapping[str, Any]) -> Mapping[str, Any]:
    return (figures["both"] or {}).get("landmarks") or {}


def _angles(figures: Mapping[str, Any]) -> Mapping[str, Any]:
    return (figures["both"] or {}).get("angles") or {}


FIGURES: Mapping[str, Callable[[Mapping[str, Any]], str]] = {
    "Landmarks: mean error, mm": lambda f: spread(_landmarks(f).get("mean")),
    "Landmarks within 2 mm, %": lambda f: spread((_landmarks(f).get("sdr") or {}).get("2"), 100, 1),
    "Landmarks: median, 95th percentile, mm": lambda f: _two(_landmarks(f), "median", "p95"),
    "Angles: mean absolute error, degrees": lambda f: spread(_angles(f).get("mae")),
    "Angles: bias and 95 % limits of agreement, degrees": lambda f: _limits(_angles(f)),
    "Angles: direction right where the film is more than 2 degrees off, %": lambda f: percent(
        _angles(f).get("direction")
    ),
    "Angles inside their 90 % interval, % (and its median half width, degrees)": lambda f: (
        _interval(_angles(f))
    ),
    "Knee found, and its view right, %": lambda f: percent(f["view_right"]),
    "Square on within 5 degrees: calibration error, Brier score": lambda f: _two(
        (f["square"] or {}).get("usable"), "ece", "brier", 3
    ),
}
"""A table each: its caption, and the words in the cell of one entry on one suite."""


def _suite_table(results: Results) -> Table:
    made = results["made_by"]
    rows = (
        (
            words(name),
            str(made["films"] if name != "own" else suite["films"]),
            suite["about"],
            str(suite["version"]),
            suite["digest"],
            suite["state"],
        )
        for name, suite in made["suites"].items()
    )
    columns = ("suite", "films", "what its films are", "version", "digest")
    return Table((*columns, "against those published"), tuple(rows), "Suites")


def _entry_table(results: Results) -> Table:
    rows = (
        (words(name), _what(entry), str(entry.get("weights", NO_FIGURES)))
        for name, entry in results["made_by"]["entries"].items()
    )
    return Table(("entry", "what answers", "weights"), tuple(rows), "Entries")


def _what(entry: Mapping[str, Any]) -> str:
    if "predictions" in entry:
        return f"predictions {entry['predictions']}"
    return f"{entry['detector']['name']}, {entry['pose']['name']}"


def _two(figures: Mapping[str, Any] | None, one: str, other: str, digits: int = 2) -> str:
    if not figures or figures.get(one) is None:
        return NO_FIGURES
    return f"{number(figures[one], digits)}, {number(figures[other], digits)}"


def _limits(figures: Mapping[str, Any] | None) -> str:
    if not figures or not figures.get("n"):
        return NO_FIGURES
    low, high = figures["limits_of_agreement"]
    if low is None:
        return f"{figures['bias']['value']:+.2f}"
    return f"{figures['bias']['value']:+.2f} ({low:+.1f} to {high:+.1f})"


def _interval(figures: Mapping[str, Any] | None) -> str:
    held = (figures or {}).get("interval_90")
    if not held or not held["n"]:
        return NO_FIGURES
    return f"{100 * held['held']:.1f} (±{held['half_width']:.1f})"


def paired_tables(results: Results) -> list[Table]:
    """The reference against every other entry, one table a measure."""
    found = []
    reference = words(results["reference"])
    for measure, unit in (("landmarks", "mm"), ("angles", "degrees")):
        rows = results["paired"][measure]
        if not rows:
            continue
        found.append(
            Table(
                ("against", "suite", "persons", "difference", "better for", "p", "p, Holm"),
                tuple(
                    (
                        words(row["entry"]),
                        words(row["suite"]),
                        str(row["persons"]),
                        spread({"n": 1, "value": row["difference"], **_ends(row)})
                        if row["difference"] is not None
                        else NO_FIGURES,
                        NO_FIGURES
                        if row["difference"] is None
                        else f"{100 * row['better_for']:.0f} %",
                        _p(row["p"]),
                        _p(row.get("p_holm")),
                    )
                    for row in rows
                ),
                f"{measure.capitalize()}: {reference} minus the other, {unit}, person by person "
                "on what both gave (sign-flip test, Holm over the table)",
                numbers=(2, 3, 4, 5, 6),
            )
        )
    return found


def _ends(row: Mapping[str, Any]) -> dict[str, Any]:
    return {"low": row["low"], "high": row["high"]}


def _p(value: float | None) -> str:
    if value is None:
        return NO_FIGURES
    return "< 0.001" if value < 0.001 else f"{value:.3f}"


def shift_tables(results: Results) -> list[Table]:
    """What each suite costs, one table a measure."""
    found = []
    for measure, unit in (("landmarks", "mm"), ("angles", "degrees")):
        by_entry = results["shifts"][measure]
        suites: Mapping[str, Any] = next(iter(by_entry.values()), {})
        if not suites:
            continue
        rows = []
        for suite, row in suites.items():
            cells = [by_entry[entry].get(suite) for entry in _entries(results)]
            rows.append((words(suite), words(row["beside"]), *(_change(cell) for cell in cells)))
        found.append(
            Table(
                ("suite", "beside", *map(words, _entries(results))),
                tuple(rows),
                f"{measure.capitalize()}: what a suite adds to the mean error, {unit}, for the "
                "same persons where both were read (* p < 0.05, sign flips, not adjusted)",
                numbers=tuple(range(2, 2 + len(_entries(results)))),
            )
        )
    return found


def _change(row: Mapping[str, Any] | None) -> str:
    if row is None or row["difference"] is None:
        return NO_FIGURES
    mark = "*" if row["p"] < 0.05 else ""
    return f"{row['difference']:+.2f} ({row['low']:+.2f} to {row['high']:+.2f}){mark}"


def cost_table(results: Results) -> Table:
    """Seconds and memory on one core."""
    return Table(
        ("entry", "films", "first film, s", "a film, s", "95th", "most memory, MB"),
        tuple(
            (
                words(name),
                str(cost["films"]),
                number(cost["first_s"]),
                number(cost["median_s"], 3),
                number(cost["p95_s"], 3),
                number(cost["peak_mb"], 0),
            )
            for name, cost in results["cost"].items()
        ),
        "Cost on one core, each entry in a process of its own (the first film loads what it needs)",
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
    for entry, suites in results["figures"].items():
        for suite, figures in suites.items():
            for view, part in figures["views"].items():
                for name, errors in (part.get("landmarks") or {}).items():
                    for error in ("radial", "normal"):
                        e = errors.get(error)
                        if e and e.get("n"):
                            mean = e["mean"]
                            rows.append(
                                (
                                    *(entry, suite, view, name, error, e["n"], e["could"]),
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


def landmark_tables(results: Results, suite: str) -> list[Block]:
    """Every landmark of one suite, entry by entry and view by view."""
    blocks: list[Block] = []
    rows = [row for row in landmark_rows(results) if row[1] == suite]
    for entry in _entries(results):
        for view in ("AP", "lateral"):
            mine = [row for row in rows if row[0] == entry and row[2] == view]
            if not mine:
                continue
            blocks.append(
                Table(
                    ("landmark", "error", "n", "mean", "median", "95th", "2", "2.5", "3", "4"),
                    tuple(
                        (
                            words(row[3]),
                            row[4],
                            f"{row[5]} of {row[6]}",
                            spread({"n": 1, "value": row[7], "low": row[8], "high": row[9]}),
                            number(row[10]),
                            number(row[11]),
                            *(f"{100 * v:.0f}" for v in row[12:]),
                        )
                        for row in mine
                    ),
                    f"{words(entry)}, {view}, suite {words(suite)}: mm at the knee; share in % "
                    "within 2, 2.5, 3 and 4 mm",
                    numbers=tuple(range(2, 10)),
                )
            )
    return blocks


# ---- the page -----------------------------------------------------------------------------------


def paper_of(results: Results, tables: Sequence[Table]) -> Paper:
    """The report as a page."""
    made, suites = results["made_by"], _suites(results)
    first = suites[0]
    blocks: list[Block] = [
        Text(preface(results), "lead"),
        Heading("Landmarks"),
        *plots(results, "landmarks"),
        *tables[:3],
        Heading("Angles"),
        *plots(results, "angles"),
        *tables[3:7],
        Heading("View, and whether the film is square on"),
        *plots(results, "square"),
        *tables[7:9],
        Heading("Compared person by person"),
        *tables[9:-3],
        Heading("Cost"),
        tables[-3],
        Heading(f"Every landmark, suite {words(first)}"),
        Text("landmarks.csv beside this page has every landmark of every suite."),
        *landmark_tables(results, first),
        Heading("How to repeat it"),
        *tables[-2:],
        Items(
            (
                f"Version {made['version']}; {made['films']} films a suite from seed "
                f"{made['first_seed']}.",
                f"Machine: {made['machine']['processor']}, {made['machine']['cores']} cores, "
                f"{made['machine']['system']}, Python {made['machine']['python']}, "
                + ", ".join(f"{k} {v}" for k, v in made["machine"]["packages"].items())
                + ".",
                "results.json holds all settings, seeds, digests and figures.",
                "Films are the same to the bit where processor and libraries round alike; "
                "`within tolerance` says that they do not, and that the films are as good as the "
                "same.",
            )
        ),
    ]
    weights = ", ".join(str(e.get("weights", "")) for e in made["entries"].values())
    return Paper(
        title="Benchmark",
        subtitle=f"{len(suites)} suites, {len(_entries(results))} entries",
        blocks=tuple(blocks),
        made_by=f"squareon {made['version']}; {weights}",
        invented="own" not in suites,
    )
