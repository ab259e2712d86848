"""What to export, and how."""

from __future__ import annotations

import csv
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

from pipeline.knee.errors import Problem
from pipeline.readers.files import cannot_open
from pipeline.records.export.burnt_in import Box

WHAT = ("report", "presentation", "tables", "coco", "html", "operators")
LOOKED_COLUMNS = ("film", "sha256", "answer", "why", "boxes", "do")


@dataclass(frozen=True)
class Looked:
    """What a person said after looking at one film for burnt-in text."""

    do: Literal["release", "blacken"]
    boxes: tuple[Box, ...] = ()


@dataclass(frozen=True)
class Choices:
    """What to export. Raises `Problem` where they cannot be carried out.

    Attributes:
        what: names of `WHAT`.
        deidentify: replace or remove whatever may tell who somebody is.
        unreviewed: also readings that nobody has accepted, marked UNREVIEWED throughout.
        organization: Verifying Organization.
        looked_at: SHA-256 of a film to what a person said about burnt-in text.
        tolerance_deg: band in the plots of operators.
    """

    what: tuple[str, ...] = WHAT[:-1]
    deidentify: bool = False
    unreviewed: bool = False
    organization: str = "not stated"
    looked_at: Mapping[str, Looked] = field(default_factory=dict)
    tolerance_deg: float = 5.0

    def __post_init__(self) -> None:
        if not self.what:
            raise Problem("what", "nothing to export is named", f"name some of {', '.join(WHAT)}")
        for name in self.what:
            if name not in WHAT:
                raise Problem(f"what={name}", "is nothing to export", f"name {', '.join(WHAT)}")

    def has(self, *names: str) -> bool:
        """Whether any of `names` is wanted."""
        return any(name in self.what for name in names)


def read_looked(path: Path) -> dict[str, Looked]:
    """What a person wrote into the table `burnt_in.csv` of an earlier export.

    Rows whose column `do` is empty count as not looked at. Raises `Problem`.
    """
    try:
        with open(path, encoding="utf-8", newline="") as file:
            rows = list(csv.DictReader(file))
    except OSError as error:
        raise cannot_open(path, error) from error
    except UnicodeDecodeError as error:
        raise Problem(str(path), "cannot be read as a table", "give burnt_in.csv") from error
    found: dict[str, Looked] = {}
    for number, row in enumerate(rows, start=2):
        where = f"{path} line {number}"
        do = (row.get("do") or "").strip().lower()
        if not do:
            continue
        if do not in ("release", "blacken"):
            raise Problem(where, f"{do} is no answer", "write release, blacken or nothing")
        boxes = _boxes(row.get("boxes") or "", where)
        if do == "blacken" and not boxes:
            raise Problem(where, "names no box to blacken", "write x0 y0 x1 y1; x0 y0 x1 y1")
        sha256 = (row.get("sha256") or "").strip().lower()
        if not re.fullmatch(r"[0-9a-f]{64}", sha256):
            raise Problem(where, "does not say which film is meant", "leave the column sha256")
        found[sha256] = Looked(do, boxes if do == "blacken" else ())  # type: ignore[arg-type]
    return found


def boxes_text(boxes: tuple[Box, ...]) -> str:
    """Boxes as `burnt_in.csv` holds them."""
    return "; ".join(" ".join(str(edge) for edge in box) for box in boxes)


def _boxes(text: str, where: str) -> tuple[Box, ...]:
    boxes = []
    for part in filter(None, (each.strip() for each in text.split(";"))):
        edges = part.split()
        if len(edges) != 4 or not all(re.fullmatch(r"\d+", edge) for edge in edges):
            raise Problem(where, f"{part} is no box", "write x0 y0 x1 y1 in whole pixels")
        x0, y0, x1, y1 = (int(edge) for edge in edges)
        boxes.append((x0, y0, x1, y1))
    return tuple(boxes)
