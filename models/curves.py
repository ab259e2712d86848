"""The training log: a CSV that only grows, and a page with its curves drawn as SVG."""

from __future__ import annotations

import csv
import html
import math
from pathlib import Path


class CurveLog:
    """Appends rows to `curves.csv`; columns are fixed by the first row ever written."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._columns: list[str] | None = None
        if path.exists():
            with path.open(newline="") as handle:
                self._columns = next(csv.reader(handle), None)

    def add(self, row: dict[str, float]) -> None:
        fresh = self._columns is None
        if self._columns is None:
            self._columns = list(row)
        with self._path.open("a", newline="") as handle:
            writer = csv.writer(handle)
            if fresh:
                writer.writerow(self._columns)
            writer.writerow([f"{row.get(name, math.nan):.6g}" for name in self._columns])


def draw(csv_path: Path, html_path: Path) -> None:
    """A page with one small chart per column over the minutes trained."""
    if not csv_path.exists():
        return
    with csv_path.open(newline="") as handle:
        rows = list(csv.DictReader(handle))
    charts = []
    for name in rows[0] if rows else []:
        if name not in ("step", "minutes"):
            points = [(_number(row["minutes"]), _number(row[name])) for row in rows]
            charts.append(_chart(name, [(x, y) for x, y in points if math.isfinite(y)]))
    html_path.write_text(
        "<!doctype html><meta charset=utf-8><title>Training curves</title>"
        "<style>body{font:13px sans-serif}figure{display:inline-block;margin:8px}</style>"
        f"<h1>Training curves</h1>{''.join(charts)}\n"
    )


def _number(text: str | None) -> float:
    try:
        return float(text or "nan")
    except ValueError:
        return math.nan


def _chart(name: str, points: list[tuple[float, float]]) -> str:
    wide, high = 280, 130
    if len(points) < 2:
        return ""
    xs, ys = [p[0] for p in points], [p[1] for p in points]
    left, low = min(xs), min(ys)
    across, up = max(max(xs) - left, 1e-9), max(max(ys) - low, 1e-9)
    line = " ".join(
        f"{(x - left) / across * wide:.1f},{high - (y - low) / up * high:.1f}" for x, y in points
    )
    return (
        f"<figure><figcaption>{html.escape(name)}: {low:.4g} to {max(ys):.4g}, "
        f"last {ys[-1]:.4g}</figcaption><svg width={wide} height={high} style='background:#eee'>"
        f"<polyline points='{line}' fill=none stroke='#036' stroke-width=1.5 /></svg></figure>"
    )
