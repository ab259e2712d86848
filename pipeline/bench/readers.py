"""Agreement of readers who measured the same subjects: all six forms of the intraclass correlation
and, pair by pair, bias and limits of agreement with their plots.

The ratings are a CSV with the columns `subject`, `reader`, `value` and, where there are several,
`quantity`; a reader who measured a subject twice has two rows. The statistics are those of
`pipeline.records.agreement`, which names their sources.
"""

from __future__ import annotations

import csv
import json
import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from itertools import combinations
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from pipeline.bench.figures import strict
from pipeline.bench.print import latex, markdown
from pipeline.knee.counted import counted
from pipeline.knee.errors import Problem
from pipeline.readers.files import cannot_open
from pipeline.records.agreement import ICC_FORMS, Limits, icc, limits_of_agreement, repeatability
from pipeline.records.files import write_atomic
from pipeline.records.paper import Block, Heading, Paper, Picture, Table, Text, write_html

LEAST = 3
COLUMNS = ("subject", "reader", "value")


@dataclass(frozen=True)
class Ratings:
    """Of one quantity: by reader, then by subject, what was read, in the order of the rows."""

    quantity: str
    by_reader: Mapping[str, Mapping[str, tuple[float, ...]]]

    @property
    def complete(self) -> list[str]:
        """Subjects that every reader measured."""
        sets = [set(each) for each in self.by_reader.values()]
        first = next(iter(self.by_reader.values()))
        return [subject for subject in first if all(subject in one for one in sets)]

    def table(self) -> np.ndarray:
        """(complete subjects, readers) first readings."""
        return np.array(
            [[each[subject][0] for each in self.by_reader.values()] for subject in self.complete]
        )


def read_ratings(path: Path) -> list[Ratings]:
    """Raises `Problem` with the row that is wrong."""
    try:
        text = path.read_text(encoding="utf-8-sig")
    except OSError as error:
        raise cannot_open(path, error) from None
    except UnicodeDecodeError:
        raise Problem(str(path), "is no text in UTF-8", "give a CSV in UTF-8") from None
    reader = csv.DictReader(text.splitlines())
    missing = [name for name in COLUMNS if name not in (reader.fieldnames or ())]
    if missing:
        raise Problem(
            str(path), f"has no column {missing[0]}", f"give the columns {', '.join(COLUMNS)}"
        )
    held: dict[str, dict[str, dict[str, list[float]]]] = {}
    for number, row in enumerate(reader, 1):
        try:
            value = float(row["value"])
        except (TypeError, ValueError):
            value = math.nan
        if not math.isfinite(value) or not row["subject"] or not row["reader"]:
            raise Problem(
                f"{path}, row {number}",
                "needs a subject, a reader and a finite value",
                "correct it or leave the row out",
            )
        quantity = held.setdefault(row.get("quantity") or "value", {})
        quantity.setdefault(row["reader"], {}).setdefault(row["subject"], []).append(value)
    found = [
        Ratings(
            name,
            {r: {s: tuple(v) for s, v in each.items()} for r, each in sorted(by_reader.items())},
        )
        for name, by_reader in held.items()
    ]
    for one in found:
        if len(one.by_reader) < 2 or len(one.complete) < LEAST:
            raise Problem(
                str(path),
                f"{one.quantity}: {counted(len(one.by_reader), 'reader')} with "
                f"{counted(len(one.complete), 'subject')} that all of them measured",
                f"give 2 readers and {LEAST} subjects or more",
            )
    if not found:
        raise Problem(str(path), "holds no ratings", "give one row a measurement")
    return found


def agreement_of(ratings: Ratings) -> dict[str, Any]:
    """All statistics of one quantity as plain values."""
    table = ratings.table()
    readers = list(ratings.by_reader)
    pairs = {}
    for i, j in combinations(range(len(readers)), 2):
        limits = limits_of_agreement(table[:, i], table[:, j])
        pairs[f"{readers[i]} minus {readers[j]}"] = asdict(limits)
    own = {}
    for name, each in ratings.by_reader.items():
        twice = [values[:2] for values in each.values() if len(values) > 1]
        if len(twice) >= LEAST:
            first, second = np.array(twice).T
            within = float(np.sqrt(((first - second) ** 2).mean() / 2))
            own[name] = {
                "n": len(twice),
                "repeatability": repeatability(first, second),
                "within_subject_sd": within,
            }
    return {
        "quantity": ratings.quantity,
        "readers": readers,
        "subjects": len(table),
        "incomplete": len({s for each in ratings.by_reader.values() for s in each}) - len(table),
        "icc": {form: asdict(one) for form, one in icc(table).items()},
        "limits": pairs,
        "repeated": own,
    }


def reader_report(path: Path, out: Path) -> str:
    """Writes results.json, report.html, tables.md and tables.tex; returns the Markdown."""
    found = read_ratings(path)
    results = [agreement_of(one) for one in found]
    blocks: list[Block] = [
        Text(
            "Intraclass correlations after Shrout & Fleiss 1979, limits of agreement (1.96 "
            "standard deviations) after Bland & Altman 1986; 95 % intervals in brackets. Only "
            "subjects that every reader measured count.",
            "lead",
        )
    ]
    tables: list[Table] = []
    for ratings, result in zip(found, results, strict=True):
        mine = _tables(result)
        tables += mine
        blocks += [Heading(ratings.quantity), *mine, *_plots(ratings)]
    write_atomic(out / "results.json", json.dumps(strict(results), indent=1) + "\n")
    text = "\n\n".join(markdown(table) for table in tables) + "\n"
    write_atomic(out / "tables.md", text)
    write_atomic(out / "tables.tex", "\n\n".join(latex(table) for table in tables) + "\n")
    paper = Paper(
        title="Agreement of readers",
        subtitle=path.name,
        blocks=tuple(blocks),
        made_by="squareon bench readers",
    )
    write_html(paper, out / "report.html")
    return text


def _tables(result: Mapping[str, Any]) -> list[Table]:
    readers = counted(len(result["readers"]), "reader")
    where = f"{result['quantity']}: {counted(result['subjects'], 'subject')}, {readers}"
    forms = Table(
        ("form", "value", "F", "degrees of freedom", "p"),
        tuple(
            (
                form.replace("k", str(len(result["readers"]))),
                _with(one["value"], one["low"], one["high"]),
                f"{one['f']:.2f}",
                f"{one['df1']}, {one['df2']}",
                f"{one['p']:.2g}",
            )
            for form, one in ((form, result["icc"][form]) for form in ICC_FORMS)
        ),
        f"Intraclass correlation, {where}",
        numbers=(1, 2, 3, 4),
    )
    limits = Table(
        ("readers", "n", "bias", "standard deviation", "lower limit", "upper limit", "slope"),
        tuple(
            (
                pair,
                str(one["n"]),
                _with(one["bias"], one["bias_low"], one["bias_high"]),
                f"{one['sd']:.2f}",
                _with(one["lower"], one["lower_low"], one["lower_high"]),
                _with(one["upper"], one["upper_low"], one["upper_high"]),
                f"{one['slope']:.3f}",
            )
            for pair, one in result["limits"].items()
        ),
        f"Limits of agreement, {where}",
        numbers=(1, 2, 3, 4, 5, 6),
    )
    found = [forms, limits]
    if result["repeated"]:
        found.append(
            Table(
                ("reader", "subjects", "coefficient of repeatability", "within-subject deviation"),
                tuple(
                    (
                        name,
                        str(one["n"]),
                        f"{one['repeatability']:.2f}",
                        f"{one['within_subject_sd']:.2f}",
                    )
                    for name, one in result["repeated"].items()
                ),
                f"Readings given twice, {result['quantity']}",
                numbers=(1, 2, 3),
            )
        )
    return found


def _with(value: float, low: float, high: float) -> str:
    return f"{value:.2f} ({low:.2f} to {high:.2f})"


def _plots(ratings: Ratings) -> list[Picture]:
    table, readers = ratings.table(), list(ratings.by_reader)
    return [
        difference_plot(table[:, i], table[:, j], f"{readers[i]} minus {readers[j]}")
        for i, j in combinations(range(len(readers)), 2)
    ]


def difference_plot(a: ArrayLike, b: ArrayLike, label: str) -> Picture:
    """Differences over means, with bias, limits and their intervals (Bland & Altman 1986).

    `a`, `b`: (n,) what two readers said of the same n films, in one unit.
    """
    from pipeline.records.paper.charts import BAND, STYLES, figure, house, picture

    x, y = np.asarray(a, dtype=np.float64), np.asarray(b, dtype=np.float64)
    limits: Limits = limits_of_agreement(x, y)
    drawn, axes = figure(height=3.4)
    with house():
        for value, low, high, dash in (
            (limits.bias, limits.bias_low, limits.bias_high, "-"),
            (limits.lower, limits.lower_low, limits.lower_high, "--"),
            (limits.upper, limits.upper_low, limits.upper_high, "--"),
        ):
            axes.axhspan(low, high, color=BAND, zorder=0)
            axes.axhline(value, color=STYLES[1].colour, linestyle=dash, linewidth=1.4)
            axes.annotate(
                f"{value:.1f}",
                (1.0, value),
                xycoords=("axes fraction", "data"),
                xytext=(4, 0),
                textcoords="offset points",
                va="center",
            )
        axes.plot((x + y) / 2, x - y, **{**STYLES[0].line, "linestyle": ""})
        axes.set_xlabel("mean of the two")
        axes.set_ylabel(label)
    return picture(
        drawn,
        f"Differences over means, {label}: bias {limits.bias:.2f}, limits {limits.lower:.2f} to "
        f"{limits.upper:.2f}",
        f"{label}: bias (line) and 95 % limits (dashed), each with its 95 % interval (bands).",
    )
