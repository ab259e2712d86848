"""Predictions and marks made elsewhere: CSV, JSON Lines or COCO keypoints, read and checked.

All three say the same (docs/guides/benchmark.md): one row a knee, pixels of the film as handed
out, the centre of its first pixel at (0, 0), x to the right and y down, angles in degrees by
docs/explanation/conventions.md.
"""

from __future__ import annotations

import csv
import json
import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path
from typing import Any

from pipeline.bench.answers import Row, stem_of
from pipeline.knee.errors import Problem
from pipeline.knee.landmarks import BY_NAME, names_of
from pipeline.readers.files import cannot_open

NUMBERS = {
    "rotation_deg": (-180.0, 180.0),
    "tilt_deg": (-90.0, 90.0),
    "flexion_deg": (-30.0, 160.0),
    "rotation_sd": (0.0, 180.0),
    "tilt_sd": (0.0, 180.0),
    "view_probability": (0.0, 1.0),
    "seconds": (0.0, math.inf),
    "mm_per_px": (0.0, 10.0),
}
"""Fields that are numbers, and between what they must lie; deviations and scale above the lower."""
VIEWS = ("AP", "lateral", "other", "none")
FIELDS = (
    "film",
    "view",
    "lateral_to_right",
    *NUMBERS,
    "box",
    "landmarks",
    "hypotheses",
    "tips",
    "direct",
    "failed",
    "subject",
)
BOX = ("box_x0", "box_y0", "box_x1", "box_y1")
MOST_TOLD = 40


@dataclass(frozen=True)
class Fault:
    """One thing that is wrong with a file.

    Attributes:
        where: row (from 1, the header not counted) or image; empty: the whole file.
        field: which field.
        what: what is wrong with it.
        do: what to do.
    """

    where: str
    field: str
    what: str
    do: str

    def __str__(self) -> str:
        place = ", ".join(part for part in (self.where, self.field) if part)
        return f"{place or 'file'}: {self.what}; {self.do}."


@dataclass(frozen=True)
class Read:
    """A file as rows, and what is wrong with it; faulty rows are left out."""

    rows: tuple[Row, ...]
    faults: tuple[Fault, ...]
    form: str


def read_predictions(path: Path) -> Read:
    """Rows of a file and its faults.

    Raises `Problem` where the file cannot be read at all.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except OSError as error:
        raise cannot_open(path, error) from None
    except UnicodeDecodeError:
        raise Problem(str(path), "is no text in UTF-8", "give a text file in UTF-8") from None
    if not text.strip():
        raise Problem(str(path), "is empty", "write one row a knee")
    kind = path.suffix.lower()
    if kind == ".csv":
        return _checked(_from_csv(text), "CSV")
    if kind in (".jsonl", ".ndjson"):
        return _checked(_from_lines(text), "JSON Lines")
    if kind == ".json":
        return _checked(_from_coco(text, path), "COCO keypoints")
    raise Problem(
        str(path), f"{kind or 'no ending'} is no known form", "name it .csv, .jsonl or .json"
    )


def predictions_of(path: Path) -> tuple[Row, ...]:
    """Rows of a file without faults. Raises `Problem` with the first fault and their number."""
    read = read_predictions(path)
    if read.faults:
        more = len(read.faults) - 1
        raise Problem(
            str(path),
            f"{read.faults[0].where or 'file'}, {read.faults[0].field}: {read.faults[0].what}"
            + (f" (and {more} more)" if more else ""),
            f"run `squareon bench check {path}`, which names every one",
        )
    return read.rows


def unmatched(rows: Iterable[Row], films: Sequence[str]) -> list[Fault]:
    """Faults of rows against the films that there are: unknown films, films without a row."""
    known = {stem_of(name) for name in films}
    told = {stem_of(row["film"]) for row in rows}
    faults = [
        Fault(
            film,
            "film",
            "there is no film of that name",
            f"nearest is {near[0]}" if (near := get_close_matches(film, known, 1)) else "see films",
        )
        for film in sorted(told - known)
    ]
    missing = sorted(known - told)
    if missing:
        some = ", ".join(missing[:3]) + (" ..." if len(missing) > 3 else "")
        faults.append(
            Fault(
                "",
                "film",
                f"{len(missing)} of {len(known)} films have no row ({some})",
                "add them; a film where nothing was found has a row with view none",
            )
        )
    return faults


# ---- three forms to rows ------------------------------------------------------------------------

Raw = list[tuple[str, Any, list[Fault]]]
"""(where, row as it stands, faults met on the way)."""


def _from_csv(text: str) -> Raw:
    reader = csv.DictReader(text.splitlines())
    columns = [name.strip() for name in reader.fieldnames or ()]
    reader.fieldnames = columns
    marks = {f"{name}_{axis}" for name in BY_NAME for axis in "xy"}
    allowed = {"film", "view", "lateral_to_right", "subject", "failed", *NUMBERS, *BOX, *marks}
    head = [
        Fault("header", name, "there is no such column", _nearest(name, allowed))
        for name in columns
        if name not in allowed
    ]
    head += [
        Fault("header", name, "the column is missing", "add it")
        for name in ("film", "view")
        if name not in columns
    ]
    raw: Raw = [("header", None, head)] if head else []
    for number, line in enumerate(reader, 1):
        where = f"row {number}"
        if None in line:
            many = len(line[None])  # type: ignore[call-overload]
            fault = Fault(where, "", f"has {many} cells more than the header", "quote commas")
            raw.append((where, None, [fault]))
            continue
        cells = {key: (value or "").strip() for key, value in line.items()}
        row: Row = {k: v for k, v in cells.items() if v and k not in marks and k not in BOX}
        for name in BY_NAME:
            x, y = cells.get(f"{name}_x", ""), cells.get(f"{name}_y", "")
            if x or y:
                row.setdefault("landmarks", {})[name] = [x, y]
        if any(cells.get(key) for key in BOX):
            row["box"] = [cells.get(key, "") for key in BOX]
        if "lateral_to_right" in row:
            word = str(row["lateral_to_right"]).lower()
            said = {"true": True, "1": True, "yes": True, "false": False, "0": False, "no": False}
            row["lateral_to_right"] = said.get(word, word)
        raw.append((where, row, []))
    return raw


def _from_lines(text: str) -> Raw:
    raw: Raw = []
    for number, line in enumerate(text.splitlines(), 1):
        if not line.strip():
            continue
        where = f"line {number}"
        try:
            row = json.loads(line)
        except ValueError as error:
            raw.append((where, None, [Fault(where, "", f"is no JSON ({error})", "mend it")]))
            continue
        if not isinstance(row, dict):
            raw.append((where, None, [Fault(where, "", "is no object", "write one object a knee")]))
            continue
        raw.append((where, row, []))
    return raw


def _from_coco(text: str, path: Path) -> Raw:
    """A COCO data set with annotations, or a list of results beside the `films.json` that was
    handed out with the films (which says what the numbers of images and categories mean)."""
    try:
        data = json.loads(text)
    except ValueError as error:
        raise Problem(str(path), f"is no JSON ({error})", "mend it") from error
    beside = path.with_name("films.json")
    if isinstance(data, list):
        if not beside.exists() or beside == path:
            raise Problem(
                str(path),
                "is a list of results, which does not name its films",
                "put the films.json that came with the films beside it, or write a whole data set",
            )
        data = {**json.loads(beside.read_text(encoding="utf-8")), "annotations": data}
    try:
        images = {image["id"]: str(image["file_name"]) for image in data["images"]}
        categories = {c["id"]: c for c in data["categories"]}
        views = {key: _view_of(c["name"]) for key, c in categories.items()}
        points = {key: list(c["keypoints"]) for key, c in categories.items()}
        annotations = data["annotations"]
    except (KeyError, TypeError) as error:
        raise Problem(
            str(path), f"is no COCO data set of keypoints (no {error})", "see the guide"
        ) from error
    raw: Raw = []
    for number, one in enumerate(annotations, 1):
        where = f"annotation {number}"
        image, category = one.get("image_id"), one.get("category_id")
        if image not in images:
            raw.append((where, None, [_unknown(where, "image_id", image)]))
            continue
        if category not in categories:
            raw.append((where, None, [_unknown(where, "category_id", category)]))
            continue
        names, numbers = points[category], one.get("keypoints") or []
        if len(numbers) != 3 * len(names):
            what = f"holds {len(numbers)} numbers, not {3 * len(names)}"
            fault = Fault(where, "keypoints", what, "give x, y, v for each keypoint")
            raw.append((where, None, [fault]))
            continue
        row: Row = {"film": images[image], "view": views[category]}
        row["landmarks"] = {
            name: list(numbers[3 * k : 3 * k + 2])
            for k, name in enumerate(names)
            if numbers[3 * k + 2] > 0
        }
        if one.get("bbox"):
            x, y, w, h = one["bbox"]
            # COCO's boxes go by edges, ours by centres of pixels
            row["box"] = [x - 0.5, y - 0.5, x + w - 0.5, y + h - 0.5]
        if "score" in one:
            row["view_probability"] = one["score"]
        row |= one.get("attributes") or {}
        raw.append((where, row, []))
    return raw


def _view_of(name: str) -> str:
    """`knee, AP` or `AP` to the view."""
    return name.split(",")[-1].strip()


def _unknown(where: str, field: str, value: Any) -> Fault:
    return Fault(where, field, f"{value} is none of the file's own", "correct it")


# ---- checking -----------------------------------------------------------------------------------


def _checked(raw: Raw, form: str) -> Read:
    rows: list[Row] = []
    faults: list[Fault] = []
    for where, row, met in raw:
        faults += met
        if row is None:
            continue
        wrong: list[Fault] = []

        def say(field: str, what: str, do: str, at: str = where, to: list[Fault] = wrong) -> None:
            to.append(Fault(at, field, what, do))

        sound = _sound(row, say)
        faults += wrong
        if not wrong:
            rows.append(sound)
    return Read(tuple(rows), tuple(faults), form)


Say = Callable[[str, str, str], None]


def _sound(row: Mapping[str, Any], say: Say) -> Row:
    """The row with numbers as numbers; `say(field, what, do)` takes what is wrong."""
    found: Row = {}
    for name in row:
        if name not in FIELDS:
            say(name, "there is no such field", _nearest(name, FIELDS))
    film = row.get("film")
    if not isinstance(film, str) or not film.strip():
        say("film", "the name of the film is missing", "give the file's name")
    found["film"] = film
    view = row.get("view")
    if view not in VIEWS:
        say("view", f"{view!r} is no view", f"write one of {', '.join(VIEWS)}")
        return found
    found["view"] = view
    for key in ("subject", "failed"):
        if row.get(key) not in (None, ""):
            found[key] = str(row[key])
    for name, (low, high) in NUMBERS.items():
        if row.get(name) in (None, ""):
            continue
        value = _number(row[name])
        strict = name.endswith("_sd") or name == "mm_per_px"
        if value is None:
            say(name, f"{row[name]!r} is no finite number", "write a number or leave it out")
        elif not low <= value <= high or (strict and value == low):
            what = f"{value:g} does not lie between {low:g} and {high:g}"
            say(name, what, "correct it (degrees, millimetres, shares of 1)")
        else:
            found[name] = value
    one_only = [a for a in ("rotation_deg", "tilt_deg") if a in found]
    if len(one_only) == 1:
        say(one_only[0], "is given without the other angle", "give both or neither")
    to_right = row.get("lateral_to_right")
    if to_right is not None:
        if isinstance(to_right, bool):
            found["lateral_to_right"] = to_right
        else:
            say("lateral_to_right", f"{to_right!r} is neither true nor false", "write one of them")
    _landmarks(row, view, found, say)
    _lists(row, found, say)
    if view in ("AP", "lateral") and "landmarks" not in found and "box" not in found:
        say("landmarks", "there is neither a landmark nor a box", "say where the knee is")
    return found


def _landmarks(row: Mapping[str, Any], view: Any, found: Row, say: Say) -> None:
    marks = row.get("landmarks")
    if marks in (None, {}, ""):
        return
    if not isinstance(marks, Mapping):
        say("landmarks", "is no object", "write name: [x, y]")
        return
    names = names_of(view) if view in ("AP", "lateral") else ()
    for name, xy in marks.items():
        if name not in BY_NAME:
            say(str(name), "there is no such landmark", _nearest(str(name), BY_NAME))
        elif name not in names:
            where = " and ".join(BY_NAME[name].views)
            say(name, f"is no landmark of view {view}", f"it is shown on {where}: leave it out")
        elif not isinstance(xy, list | tuple) or len(xy) != 2:
            say(name, "is not one x and one y", "write [x, y]")
        else:
            values = [_number(v) for v in xy]
            if None in values:
                say(name, f"{list(xy)} are not two finite numbers", "write both or leave it out")
            elif max(abs(v) for v in values if v is not None) > 1e5:
                say(name, f"{list(xy)} lies far off any film", "write pixels of the film")
            else:
                found.setdefault("landmarks", {})[name] = values


def _lists(row: Mapping[str, Any], found: Row, say: Say) -> None:
    for key, each, do in (
        ("box", 4, "write x0, y0, x1, y1"),
        ("direct", 2, "write rotation, tilt"),
    ):
        if row.get(key) in (None, ""):
            continue
        values = [_number(v) for v in row[key]] if isinstance(row[key], list | tuple) else []
        if len(values) != each or None in values:
            say(key, f"is not {each} finite numbers", do)
        elif key == "box" and not (values[2] > values[0] and values[3] > values[1]):  # type: ignore[operator]
            say(key, "has its corners the wrong way round", do)
        else:
            found[key] = values
    for key, each, do in (
        ("tips", 2, "write a list of [x, y]"),
        ("hypotheses", 5, "write rotation, its sd, tilt, its sd, probability"),
    ):
        if not row.get(key):
            continue
        lists = row[key] if isinstance(row[key], list) else []
        each_one = [[_number(v) for v in one] for one in lists if isinstance(one, list)]
        if not each_one or any(len(one) != each or None in one for one in each_one):
            say(key, f"is no list of {each} finite numbers each", do)
        else:
            found[key] = each_one
            if key == "hypotheses" and abs(sum(one[4] or 0.0 for one in each_one) - 1) > 0.01:
                say(key, "the probabilities do not add up to 1", "correct them")
    if "hypotheses" in found and "rotation_deg" not in found:
        say("hypotheses", "are given without rotation_deg and tilt_deg", "repeat the likeliest")


def _number(value: Any) -> float | None:
    if isinstance(value, bool):
        return None
    try:
        number = float(value)
    except (TypeError, ValueError):
        return None
    return number if math.isfinite(number) else None


def _nearest(name: str, known: Iterable[str]) -> str:
    near = get_close_matches(name, list(known), 1, 0.5)
    return f"nearest is {near[0]}" if near else "leave it out"
