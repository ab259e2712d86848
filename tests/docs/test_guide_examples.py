"""The examples of the guides do what their pages say, beyond being built."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from squareon_fakes import FakePose, detection_of, film_and_reading

from pipeline.contracts import AnatomyRequest, Sight
from pipeline.knee.detection import DirectPose
from pipeline.knee.errors import Problem
from pipeline.knee.film import Film
from pipeline.registry import build

GUIDES = Path(__file__).parents[2] / "docs" / "guides"
FACTS: dict[str, Any] = {"view": "AP", "rotation": 2.0, "tilt": -1.0}


def example(stage: str) -> dict[str, Any]:
    """The names that a guide's example defines."""
    (code,) = re.findall(
        r"^```python\n(.*?)^```$", (GUIDES / f"{stage}.md").read_text(), re.M | re.S
    )
    names: dict[str, Any] = {"__name__": "__guide__"}
    exec(compile(code, f"{stage}.md", "exec", dont_inherit=True), names)
    return names


def sight(film: Film) -> Sight:
    detection = detection_of(film, FACTS)
    pose = replace(FakePose().estimate(film, detection), roll_deg=12.0)
    return Sight(film, detection, pose, "right", 5.0, 0.0)


@pytest.fixture
def film(tmp_path: Path) -> Film:
    film, _ = film_and_reading(tmp_path, **FACTS)
    return film


def test_criterion(film: Film) -> None:
    upright = example("criterion")["ShaftUpright"]
    (row,) = upright().judge(sight(film))
    assert (row.value, row.verdict) == (12.0, "fail")
    (row,) = upright(tolerance_deg=15.0).judge(sight(film))
    assert row.verdict == "pass"


def test_target(film: Film) -> None:
    rule = example("target")["NotchApex"]()
    (shown,) = rule.propose(sight(film), "yes")
    assert (shown.status, len(shown.points), shown.why) == ("proposal", 1, None)
    (kept,) = rule.propose(sight(film), "no")
    assert (kept.status, kept.points) == ("withheld", ())
    assert kept.why
    (wide,) = replace(rule, limit_px=0.1).propose(sight(film), "yes")
    assert wide.status == "withheld"


def test_pose(film: Film) -> None:
    pose = example("pose")["NetworkOnly"](widening=2.0)
    detection = detection_of(film, FACTS)
    with pytest.raises(Problem, match="reads no angles"):
        pose.estimate(film, detection)
    direct = DirectPose(3.0, 1.0, -4.0, 0.5, 10.0, 2.0)
    found = pose.estimate(film, replace(detection, direct=direct))
    (only,) = found.hypotheses
    assert (only.rotation_deg, only.rotation_sd, only.tilt_deg, only.tilt_sd) == (3, 2, -4, 1)


def test_writer_called_twice_for_a_film(tmp_path: Path) -> None:
    film, reading = film_and_reading(tmp_path, **FACTS)
    writer = example("writer")["AngleList"](digits=2)
    for _ in range(2):
        writer.write(tmp_path, film, [reading])
    writer.finish(tmp_path)
    assert (tmp_path / "angles.txt").read_text() == f"{film.source} 2.00 -1.00\n"


def test_finding_is_a_closed_body_turned_outward() -> None:
    knee = build("anatomy", "shape_model").sample(np.random.default_rng(3), AnatomyRequest())
    pellet = example("finding")["Pellet"](radius_mm=3.0)
    found = pellet.apply(knee, np.random.default_rng(4))
    assert found.bones is knee.bones
    mesh = found.solids["pellet"].mesh
    a, b, c = np.moveaxis(mesh.vertices[mesh.faces], 1, 0)
    volume = np.einsum("ij,ij->", a, np.cross(b, c)) / 6
    assert volume == pytest.approx(4 / 3 * 3.0**3)  # of an octahedron, 4/3 r^3


def test_renderer_keeps_its_place() -> None:
    """Enlarged lengths lie where the full ones do: no shift by half a pixel."""
    names = example("renderer")
    full = build("renderer", "signed_depth").path_lengths([names["pyramid"]], names["camera"])[0]
    coarse = names["Coarse"]().path_lengths([names["pyramid"]], names["camera"])[0]

    def middle(lengths: np.ndarray) -> np.ndarray:
        y, x = np.mgrid[: lengths.shape[0], : lengths.shape[1]]
        return np.array([(x * lengths).sum(), (y * lengths).sum()]) / lengths.sum()

    assert full.max() > 10
    assert np.abs(middle(full) - middle(coarse)).max() < 0.1
