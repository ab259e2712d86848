"""Tiny stages for tests: films are JSON files that say what the stages shall find.

A file `*.film` holds {"view", "side", "rotation", "tilt", "study", "knees", "frames", ...};
`FakeReader` makes a grey picture of it and the other stages look the answers up again.
"""

from __future__ import annotations

import hashlib
import json
import os
import tempfile
import time
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from pipeline.align.options import AlignOptions
from pipeline.contracts import Sight
from pipeline.knee.detection import Detection, Hypothesis, Pose
from pipeline.knee.errors import Problem
from pipeline.knee.film import Film, HeaderHints, Scale
from pipeline.knee.landmarks import names_of
from pipeline.knee.reading import CriterionRead, MadeBy, Proposal, Reading
from pipeline.run import Parts, read_study


def write_film(path: Path, **facts: object) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(json.dumps(facts))
    return path


def film_of(path: Path, frame: int | None = None, rows: int = 300, columns: int = 240) -> Film:
    facts = json.loads(path.read_text())
    y, x = np.mgrid[0:rows, 0:columns]
    pixels = (np.exp(-(((x - columns / 2) / (columns / 5)) ** 2)) + y / rows) / 2
    study = facts.get("study")
    return Film(
        pixels=pixels.astype(np.float32),
        source=str(path),
        sha256=hashlib.sha256(path.read_bytes()).hexdigest(),
        frame=frame,
        study_digest=study,
        series_digest=study,
        scale=Scale(0.6, 0.5, "imager spacing and magnification")
        if facts.get("scale", True)
        else Scale(),
        header=HeaderHints(**facts.get("header", {})),
        cautions=tuple(facts.get("cautions", ())),
    )


@dataclass(frozen=True)
class FakeReader:
    """Reads `*.film`; counts what it reads in the file named by SQUAREON_FAKE_LOG."""

    def accepts(self, path: Path) -> bool:
        return path.suffix == ".film"

    def read(self, path: Path) -> Iterable[Film]:
        if log := os.environ.get("SQUAREON_FAKE_LOG"):
            with open(log, "a") as file:
                file.write(f"{path.name}\n")
        try:
            facts = json.loads(path.read_text())
        except ValueError:
            raise Problem(str(path), "is no film", "leave it out") from None
        time.sleep(facts.get("slow", 0.0))
        if "bomb" in facts:
            os._exit(9)  # what a crashing decoder does to its process
        frames = facts.get("frames")
        for frame in [None] if frames is None else range(1, frames + 1):
            yield film_of(path, frame)


def facts_of(film: Film) -> dict:
    return json.loads(Path(film.source).read_text())


@dataclass(frozen=True)
class FakeDetector:
    """Finds what the file says. `threads` does nothing but exist."""

    threads: int = 1

    @property
    def weights(self) -> str:
        return "fake weights"

    def detect(self, film: Film) -> Sequence[Detection]:
        facts = facts_of(film)
        if "raises" in facts:
            raise RuntimeError("the fake detector was told to fail")
        return [detection_of(film, facts, index) for index in range(facts.get("knees", 1))]


def detection_of(film: Film, facts: dict, index: int = 0) -> Detection:
    view = facts.get("view", "AP")
    names = names_of(view) if view in ("AP", "lateral") else ()
    count = len(names)
    rng = np.random.default_rng(index)
    middle = np.array([film.columns / 2, film.rows / 2])
    xy = middle + rng.uniform(-0.3, 0.3, (count, 2)) * (film.columns, film.rows)
    return Detection(
        box=(0.2 * film.columns, 0.2 * film.rows, 0.8 * film.columns, 0.8 * film.rows),
        view=view,
        view_probability=facts.get("view_probability", 0.99),
        lateral_to_right=True,
        lateral_to_right_probability=facts.get("facing_probability", 0.9),
        side=facts.get("side", "right") if index == 0 else "left",
        side_probability=facts.get("side_probability", 0.9),
        names=names,
        xy=xy,
        covariance=np.tile(np.diag([9.0, 2.0]), (count, 1, 1)),
        seen=np.ones(count),
        found={"implant": 0.1, "hardware": 0.2},
    )


@dataclass(frozen=True)
class FakePose:
    def estimate(self, film: Film, detection: Detection) -> Pose:
        facts = facts_of(film)
        if "no_pose" in facts:
            raise Problem(film.source, "too few landmarks are seen for a pose", "look yourself")
        return Pose(
            hypotheses=(
                Hypothesis(facts.get("rotation", 1.0), 1.0, facts.get("tilt", -1.0), 1.0, 1.0),
            ),
            roll_deg=2.0,
            flexion_deg=facts.get("flexion", 5.0),
            off_centre_deg=None,
            width_px=100.0,
            fitted=dict(zip(detection.names, detection.xy, strict=True)),
            outline={"femur": detection.xy},
        )


@dataclass(frozen=True)
class FakeCriterion:
    def judge(self, sight: Sight) -> Sequence[CriterionRead]:
        return [CriterionRead("fake", 1.0, "mm", 2.0, "pass", "common practice")]


@dataclass(frozen=True)
class FakeTarget:
    """One point; says in `heights_from` whether the other view was there."""

    def propose(self, sight: Sight, square: str) -> Sequence[Proposal]:
        partner = "none" if sight.partner is None else Path(sight.partner.film.source).name
        return [
            Proposal(
                target="superomedial",
                shape="point",
                points=((100.0, 80.0),),
                radius_90_px=12.0,
                heights_from=partner,
                basis="fake",
                status="proposal",
                why=None,
            )
        ]


@dataclass(frozen=True)
class FullDiskWriter:
    """A writer for which the disk is full from the start."""

    def write(self, out: Path, film: Film, readings: Sequence[Reading]) -> None:
        raise OSError(28, "No space left on device")

    def finish(self, out: Path) -> None:
        pass


@dataclass(frozen=True)
class BrokenWriter:
    """Fails at the end."""

    def write(self, out: Path, film: Film, readings: Sequence[Reading]) -> None:
        pass

    def finish(self, out: Path) -> None:
        raise RuntimeError("the fake writer was told to fail")


SETTINGS: dict[str, dict] = {
    "detector": {"name": "squareon_fakes:FakeDetector"},
    "pose": {"name": "squareon_fakes:FakePose"},
    "reader": {"squareon_fakes:FakeReader": {}},
    "criterion": {"squareon_fakes:FakeCriterion": {}},
    "target": {"squareon_fakes:FakeTarget": {}},
    "writer": {"jsonl": {}, "table": {}},
    "align": {},
}


PARTS = Parts(
    detector=FakeDetector(),
    pose=FakePose(),
    align=AlignOptions(),
    criteria=(FakeCriterion(),),
    targets=(FakeTarget(),),
    writers=(),
    made_by=MadeBy("0", "fake", "0", 0),
)


def reading_of_fake(folder: Path | None = None, **facts: object) -> Reading:
    """One reading made by the fake stages, with one proposal and the nerve zone."""
    return film_and_reading(folder, **facts)[1]


def film_and_reading(folder: Path | None = None, **facts: object) -> tuple[Film, Reading]:
    with tempfile.TemporaryDirectory() as temporary:
        film = film_of(write_film(Path(folder or temporary) / "fake.film", **facts))
        (reading,) = read_study([film], PARTS, Path(temporary))
    return film, reading
