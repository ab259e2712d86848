"""`index.html`: every reading on one page, with filters that need no script."""

from __future__ import annotations

import csv
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pipeline.knee.film import Film
from pipeline.knee.reading import Reading
from pipeline.records import templates
from pipeline.records.files import write_atomic
from pipeline.records.jsonl import load_rows
from pipeline.records.overlay import CAUTION, VIEWS, overlay_name, short_name

VERDICTS = {"yes": "square on", "no": "not square on", "cannot tell": "cannot tell"}
REFUSED = "not read"


@dataclass(frozen=True)
class PageWriter:
    """Writes `index.html` from `readings.jsonl` and `problems.csv` when the last film is done.

    Attributes:
        title: heading of the page.
    """

    title: str = "Knee film readings"

    def write(self, out: Path, film: Film, readings: Sequence[Reading]) -> None:
        """Nothing to do until all films are read: the page is a view of the other files."""

    def finish(self, out: Path) -> None:
        write_atomic(out / "index.html", render(out, self.title))


def render(out: Path, title: str) -> str:
    """The page as HTML; pictures are linked from `overlays/`."""
    cards = [card(row, out) for row in load_rows(out)]
    counts = Counter(each["verdict"] for each in cards)
    return templates.render(
        "pipeline.records",
        "page.html",
        title=title,
        caution=CAUTION,
        cards=cards,
        verdicts=[(slug(word), word, counts[word]) for word in (*VERDICTS.values(), REFUSED)],
        views=sorted({(slug(each["view"]), each["view"]) for each in cards}),
        problems=_problems(out / "problems.csv"),
    )


def card(row: Mapping[str, Any], out: Path) -> dict[str, Any]:
    """What the page shows of one object of `readings.jsonl`."""
    film, alignment = row["film"], row["alignment"]
    picture = f"overlays/{overlay_name(film['source'], film['frame'], row['knee']['index'])}"
    verdict = REFUSED if alignment is None else VERDICTS[alignment["square"]]
    angles = []
    for name in ("rotation", "tilt"):
        value = alignment and alignment[f"{name}_deg"]
        if value is not None:
            low, high = alignment[f"{name}_90"]
            angles.append((name, f"{value:+.1f}°", f"{low:+.1f} to {high:+.1f}"))
    view = VIEWS[row["view"]["name"]]
    frame = "" if film["frame"] is None else f", frame {film['frame']}"
    shown = [p["target"] for p in row["proposals"] if p["status"] == "proposal"]
    return {
        "name": short_name(film["source"]) + frame,
        "source": film["source"],
        "picture": picture if (out / picture).exists() else None,
        "view": view,
        "side": row["side"]["name"] if row["view"]["name"] != "none" else None,
        "verdict": verdict,
        "classes": f"v-{slug(verdict)} w-{slug(view)}",
        "slug": slug(verdict),
        "probability": alignment and alignment["square_probability"],
        "angles": angles,
        "moves": _moves(row["moves"]),
        "proposals": shown,
        "refused": row["refused"],
        "cautions": list(dict.fromkeys(row["cautions"])),
    }


def _moves(moves: Sequence[Mapping[str, Any]]) -> list[str]:
    """Texts of the moves that do something; where there is none, that none is suggested."""
    needed = [move["text"] for move in moves if move["toward"]]
    return list(dict.fromkeys(needed or (move["text"] for move in moves)))


def slug(words: str) -> str:
    return words.lower().replace(" ", "-")


def _problems(path: Path) -> list[dict[str, str]]:
    if not path.exists():
        return []
    with open(path, encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))
