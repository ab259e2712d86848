"""A reading in plain words, the same in every export."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from pipeline.language import mark

VERDICTS = {
    "yes": mark("Square on"),
    "no": mark("Not square on"),
    "cannot tell": mark("Cannot tell"),
}
SIGNS = {"yes": "\u25a1", "no": "\u2715", "cannot tell": "?", None: "\u2013"}
"""A square, a cross, a question mark, a dash: the verdict without colour or words."""
JUDGED = {
    "pass": mark("within"),
    "fail": mark("outside"),
    "cannot tell": mark("cannot tell"),
}

WHAT_IT_SHOWS = {
    ("AP", "rotation", True): mark("the limb is turned inward"),
    ("AP", "rotation", False): mark("the limb is turned outward"),
    ("AP", "tilt", True): mark("the near end of the beam is too far toward the head"),
    ("AP", "tilt", False): mark("the near end of the beam is too far toward the feet"),
    ("lateral", "rotation", True): mark("the lateral condyle lies behind the medial one"),
    ("lateral", "rotation", False): mark("the lateral condyle lies in front of the medial one"),
    ("lateral", "tilt", True): mark("the lateral condyle lies below the medial one"),
    ("lateral", "tilt", False): mark("the lateral condyle lies above the medial one"),
}
"""What a positive (True) or negative angle means on the film (docs/explanation/conventions.md)."""


def verdict_words(reading: Mapping[str, Any]) -> str:
    """The verdict, or that the film was not read."""
    alignment = reading["alignment"]
    return "Not read" if alignment is None else VERDICTS[alignment["square"]]


def told(reading: Mapping[str, Any]) -> list[str]:
    """Rotation and tilt with their 90 % intervals, one line each."""
    lines = []
    for name, value, interval in angles(reading):
        words = f"{name} {value:+.1f} deg"
        if interval is not None:
            words += f" (90 %: {interval[0]:+.1f} to {interval[1]:+.1f})"
        lines.append(words)
    return lines


def angles(
    reading: Mapping[str, Any],
) -> list[tuple[str, float, Sequence[float] | None]]:
    """(name, degrees, 90 % interval) of the two angles that are known."""
    alignment = reading["alignment"] or {}
    found = []
    for name in ("rotation", "tilt"):
        value = alignment.get(f"{name}_deg")
        if value is not None:
            found.append((name, float(value), alignment.get(f"{name}_90")))
    return found


def shows(reading: Mapping[str, Any], name: str, value: float) -> str:
    """What an angle of that sign means on the film, "" for a view without angles or for zero."""
    return WHAT_IT_SHOWS.get((reading["view"]["name"], name, value > 0), "") if value else ""


def moves(reading: Mapping[str, Any]) -> list[str]:
    """Texts of the moves that do something; where there is none, that none is suggested."""
    needed = [f"{m['angle']}: {m['text']}" for m in reading["moves"] if m["toward"]]
    return list(dict.fromkeys(needed or (m["text"] for m in reading["moves"])))
