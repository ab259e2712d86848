"""One table over the runs of a sweep: what was set, and the chief figures of each entry."""

from __future__ import annotations

import json
from pathlib import Path

from pipeline.bench.print import latex, markdown
from pipeline.bench.report import spread
from pipeline.bench.suite_tables import words
from pipeline.language import speech
from pipeline.records.files import write_atomic
from pipeline.records.paper import Table


def write_sweep(out: Path) -> str:
    """Writes `sweep.md` and `sweep.tex` under `out` and returns the former."""
    t, rows = speech("en"), []
    for folder in sorted((p for p in out.iterdir() if p.name.isdigit()), key=lambda p: int(p.name)):
        task = folder / ".hydra" / "overrides.yaml"
        lines = task.read_text().splitlines() if task.exists() else []
        told = " ".join(line.removeprefix("- ").replace("++", "") for line in lines)
        path = folder / "results.json"
        if not path.exists():
            rows.append((folder.name, told, "failed", "-", "-", "-"))
            continue
        results = json.loads(path.read_text(encoding="utf-8"))
        for entry, suites in results["figures"].items():
            for suite, figures in suites.items():
                both = figures["both"]
                rows.append(
                    (
                        folder.name,
                        told,
                        words(entry),
                        words(suite),
                        spread(t, both["landmarks"].get("mean")),
                        spread(t, both["angles"].get("mae")),
                    )
                )
    table = Table(
        ("run", "set", "entry", "suite", "landmarks, mm", "angles, degrees"),
        tuple(rows),
        "Runs of a sweep: mean error of landmarks and mean absolute error of angles",
        numbers=(4, 5),
    )
    text = markdown(table) + "\n"
    write_atomic(out / "sweep.md", text)
    write_atomic(out / "sweep.tex", latex(table) + "\n")
    return text
