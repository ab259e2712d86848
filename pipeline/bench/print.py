"""Tables of a report as Markdown and LaTeX."""

from __future__ import annotations

import re

from pipeline.records.paper import Link, Table

TEX = {
    "\\": r"\textbackslash{}",
    "&": r"\&",
    "%": r"\%",
    "$": r"\$",
    "#": r"\#",
    "_": r"\_",
    "{": r"\{",
    "}": r"\}",
    "~": r"\textasciitilde{}",
    "^": r"\textasciicircum{}",
    "<": r"\textless{}",
    ">": r"\textgreater{}",
    "±": r"$\pm$",
}


def _text(cell: str | Link) -> str:
    return cell.text if isinstance(cell, Link) else cell


def markdown(table: Table) -> str:
    """The table under its caption."""

    def line(cells: list[str]) -> str:
        return "| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |"

    rule = ["---:" if k in table.numbers else "---" for k in range(len(table.columns))]
    rows = [line([_text(cell) for cell in row]) for row in table.rows]
    return "\n".join([f"**{table.caption}**", "", line(list(table.columns)), line(rule), *rows])


def tex(text: str) -> str:
    """Text with what LaTeX would take for commands made harmless."""
    return re.sub("|".join(map(re.escape, TEX)), lambda found: TEX[found.group()], text)


def latex(table: Table) -> str:
    """A `table` with booktabs rules."""
    kinds = "".join("r" if k in table.numbers else "l" for k in range(len(table.columns)))
    lines = [" & ".join(tex(_text(cell)) for cell in row) + r" \\" for row in table.rows]
    return "\n".join(
        [
            r"\begin{table}",
            rf"\caption{{{tex(table.caption)}}}",
            rf"\begin{{tabular}}{{{kinds}}}",
            r"\toprule",
            " & ".join(map(tex, table.columns)) + r" \\",
            r"\midrule",
            *lines,
            r"\bottomrule",
            r"\end{tabular}",
            r"\end{table}",
        ]
    )
