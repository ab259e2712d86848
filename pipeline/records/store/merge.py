"""Two people changed the same reading: what each changed, what can be kept of both.

Only what a person sets is merged: landmarks one by one, view, side, instruments. Everything
else of a reading follows from these and has to be computed again (`Merge.recompute`).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal


@dataclass(frozen=True)
class Change:
    """One thing that a person set.

    Attributes:
        part: "view", "side", "instruments", or "landmark NAME".
        base, mine, theirs: its value in each version; None for a landmark that is not there.
    """

    part: str
    base: Any
    mine: Any
    theirs: Any


@dataclass(frozen=True)
class Merge:
    """What came of a three-way merge.

    Attributes:
        merged: the reading with both persons' changes; where both changed the same thing to
            different values, the preferred one's.
        mine, theirs: what only one of them changed.
        both: what both changed alike.
        clashes: what both changed to different values: a person must choose.
        recompute: whether angles, verdict and proposals of `merged` belong to neither version
            and must be computed again from its landmarks.
    """

    merged: dict[str, Any]
    mine: tuple[Change, ...]
    theirs: tuple[Change, ...]
    both: tuple[Change, ...]
    clashes: tuple[Change, ...]
    recompute: bool


def merge(
    base: Mapping[str, Any],
    mine: Mapping[str, Any],
    theirs: Mapping[str, Any],
    prefer: Literal["mine", "theirs"] = "theirs",
) -> Merge:
    """Merges `mine` and `theirs`, both made from `base`; objects of `readings.jsonl`."""
    versions = zip(NAMES, (base, mine, theirs), strict=True)
    parts = {name: _parts(version) for name, version in versions}
    chosen: dict[str, Any] = {}
    found: dict[str, list[Change]] = {"mine": [], "theirs": [], "both": [], "clashes": []}
    for part in dict.fromkeys(part for version in NAMES for part in parts[version]):
        values = [parts[version].get(part) for version in NAMES]
        was, my, their = (_essence(part, value) for value in values)
        change = Change(part, *values)
        kept = "theirs"
        if my == their:
            if my != was:
                found["both"].append(change)
        elif their == was:
            found["mine"].append(change)
            kept = "mine"
        elif my == was:
            found["theirs"].append(change)
        else:
            found["clashes"].append(change)
            kept = prefer
        chosen[part] = parts[kept].get(part)
    source = {"mine": mine, "theirs": theirs}
    whole = next((name for name in source if _same(chosen, parts[name])), None)
    merged = _put(source[whole or prefer], chosen)
    kinds = {name: tuple(changes) for name, changes in found.items()}
    return Merge(merged, recompute=whole is None, **kinds)


NAMES = ("base", "mine", "theirs")


def _parts(reading: Mapping[str, Any]) -> dict[str, Any]:
    """What a person sets in a reading, by name."""
    parts = {"view": reading["view"], "side": reading["side"]}
    parts["instruments"] = reading["found"]["instruments"]
    for landmark in reading["landmarks"]:
        parts[f"landmark {landmark['name']}"] = landmark
    return parts


def _essence(part: str, value: Any) -> Any:
    """What makes two values of a part the same to a person."""
    if value is None:
        return None
    if part.startswith("landmark "):
        return (value["x"], value["y"]) if value["seen"] else (None, None)
    if part == "instruments":
        return [tuple(instrument["tip"]) for instrument in value]
    return value["name"]


def _same(chosen: Mapping[str, Any], parts: Mapping[str, Any]) -> bool:
    return all(
        _essence(part, value) == _essence(part, parts.get(part)) for part, value in chosen.items()
    )


def _put(reading: Mapping[str, Any], chosen: Mapping[str, Any]) -> dict[str, Any]:
    """The reading with these parts; landmarks in the order in which they were met."""
    landmarks = [
        value
        for part, value in chosen.items()
        if part.startswith("landmark ") and value is not None
    ]
    found = {**reading["found"], "instruments": chosen["instruments"]}
    return {
        **reading,
        "view": chosen["view"],
        "side": chosen["side"],
        "landmarks": landmarks,
        "found": found,
    }
