"""Readings for tests of the store: invented, of the documented form."""

from __future__ import annotations

import copy
import hashlib
from pathlib import Path
from typing import Any

from pipeline.knee.landmarks import names_of

KEY = b"a key for tests only, not secret"


def reading_row(number: int = 0, folder: Path = Path("films"), **said: Any) -> dict[str, Any]:
    """One object of `readings.jsonl`; `said` replaces view, side, square, angles and so on."""
    view = said.get("view", "AP")
    rotation, tilt = said.get("rotation", 1.5), said.get("tilt", -2.0)
    width = said.get("width", 6.0)
    source = folder / f"{number}.dcm"
    content = source.read_bytes() if source.is_file() else str(number).encode()
    alignment: dict[str, Any] | None = {
        "rotation_deg": rotation,
        "rotation_90": [rotation - width / 2, rotation + width / 2],
        "tilt_deg": tilt,
        "tilt_90": [tilt - 1.0, tilt + 1.0],
        "roll_deg": 0.5,
        "flexion_deg": 3.0,
        "off_centre_deg": None,
        "square": said.get("square", "yes"),
        "square_probability": said.get("probability", 0.9),
        "score": 80.0,
        "hypotheses": [],
        "criteria": said.get("criteria", []),
    }
    if view not in ("AP", "lateral"):
        alignment = None
    study = said.get("study")
    return {
        "film": {
            "source": str(source),
            "sha256": hashlib.sha256(content).hexdigest(),
            "frame": said.get("frame"),
            "rows": 600,
            "columns": 400,
            "sop_instance": said.get("sop"),
            "series_digest": study,
            "study_digest": study,
        },
        "knee": {"index": said.get("knee", 0), "box": [50.0, 100.0, 350.0, 500.0]},
        "scale": {"mm_per_px_detector": 0.5, "mm_per_px_knee": 0.45, "rule": "invented"},
        "view": {"name": view, "probability": said.get("view_probability", 0.97)},
        "side": {
            "name": said.get("side", "right"),
            "probability": said.get("side_probability", 0.95),
            "from": "header",
        },
        "landmarks": [
            {
                "name": name,
                "x": 100.0 + 5 * index,
                "y": 150.0 + 7 * index,
                "sd_major": 2.0,
                "sd_minor": 1.0,
                "sd_angle_deg": 0.0,
                "seen": True,
            }
            for index, name in enumerate(names_of(view) if alignment else ())
        ],
        "alignment": alignment,
        "moves": [],
        "proposals": [],
        "warnings": [],
        "found": {"implant": 0.0, "hardware": 0.0, "instruments": []},
        "refused": None if alignment else "the film shows no knee from the front or the side",
        "cautions": [],
        "made_by": {
            "version": "0.1.0",
            "weights": "invented-weights",
            "config_sha256": said.get("config", "c" * 64),
            "seed": 0,
        },
    }


def moved(reading: dict[str, Any], **landmarks: float) -> dict[str, Any]:
    """A copy with landmarks' x set, e.g. `moved(row, notch_apex=12.5)`."""
    changed = copy.deepcopy(reading)
    for landmark in changed["landmarks"]:
        if landmark["name"] in landmarks:
            landmark["x"] = landmarks[landmark["name"]]
    return changed


def with_both(base: dict[str, Any], mine: dict[str, Any], theirs: dict[str, Any]) -> dict[str, Any]:
    """`theirs` with what `mine` moved since `base`: a person who keeps both changes."""
    pairs = zip(base["landmarks"], mine["landmarks"], strict=True)
    own = {mark["name"]: mark["x"] for before, mark in pairs if mark["x"] != before["x"]}
    return moved(theirs, **own)


def with_verdict(reading: dict[str, Any], square: str, rotation: float) -> dict[str, Any]:
    """A copy with another verdict and rotation."""
    changed = copy.deepcopy(reading)
    changed["alignment"] |= {"square": square, "rotation_deg": rotation}
    return changed


def x_of(reading: dict[str, Any], name: str) -> float:
    return next(mark["x"] for mark in reading["landmarks"] if mark["name"] == name)
