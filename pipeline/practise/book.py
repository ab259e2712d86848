"""The practice book: rounds that are over, one line of JSON each, under chosen names."""

from __future__ import annotations

import json
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from pipeline.knee.errors import Problem
from pipeline.language import mark
from pipeline.records.files import append_lines, read_lines

NAME = "rounds.jsonl"
MOST_NAME = 40


def learner_name(text: str) -> str:
    """A learner's name without odd spaces. Raises `Problem` where nothing is left of it."""
    plain = " ".join(text.split())
    shown = "".join(c for c in plain if unicodedata.category(c)[0] != "C")
    if not shown or len(shown) > MOST_NAME:
        what = mark("it is empty") if not shown else mark("it is longer than a name may be")
        raise Problem(mark("name"), what, mark("choose a short one; it need not be your own"))
    return shown


@dataclass(frozen=True)
class Book:
    """The rounds of one practice folder.

    Attributes:
        folder: where `rounds.jsonl` lies, or will.
    """

    folder: Path

    @property
    def path(self) -> Path:
        """The file."""
        return self.folder / NAME

    def add(self, record: Mapping[str, Any]) -> None:
        """Appends a round. Raises `StopError` where the disk is full or cannot be written."""
        now = datetime.now(UTC).isoformat(timespec="seconds")
        line = json.dumps({"at": now, **record}, allow_nan=False, separators=(",", ":"))
        append_lines(self.path, [line])

    def rounds(self, learner: str | None = None) -> list[dict[str, Any]]:
        """All rounds in the order they were played, or those of one learner.

        Raises:
            Problem: a line is not what this program writes.
        """
        found = []
        for number, line in enumerate(read_lines(self.path), start=1):
            try:
                row = json.loads(line)
                own = row["learner"]
            except (ValueError, KeyError, TypeError):
                what, do = f"line {number} is no round", "take that line out"
                raise Problem(str(self.path), what, do) from None
            if learner is None or own == learner:
                found.append(row)
        return found


def curve(rounds: list[dict[str, Any]]) -> dict[str, Any]:
    """Numbers of a learner's way: films beyond the fewest, and the share of faults named right.

    `recent` are means of the last five solved rounds; None before there is one.
    """
    solved = [row for row in rounds if row["solved"]]
    recent = solved[-5:]
    named = sum(row["named"] for row in rounds)
    return {
        "rounds": len(rounds),
        "solved": len(solved),
        "at_once": sum(row["films"] == row["fewest"] for row in solved),
        "recent_spare_films": sum(row["films"] - row["fewest"] for row in recent) / len(recent)
        if recent
        else None,
        "named_right": sum(row["named_right"] for row in rounds) / named if named else None,
    }
