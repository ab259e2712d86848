"""Conditions of a suite, their figures, and factors made and tried on invented readings."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import yaml

from pipeline.bench.accuracy import FilmResult, KneeResult
from pipeline.bench.assess import AssessSettings, assess, check_seeds
from pipeline.bench.calibrate import (
    CalibrateSettings,
    calibrate,
    calibration_markdown,
    factors_of,
    tried_on,
    widened,
    write_calibration,
)
from pipeline.bench.suite import Condition, compared, conditions_of, summarise_suite
from pipeline.bench.suite_tables import suite_markdown
from pipeline.contracts import TRAINING_SEEDS
from pipeline.knee.errors import Problem
from pipeline.knee.landmarks import BY_NAME, names_of
from pipeline.registry import build

ROOT = Path(__file__).parents[2]
BASE = Condition({"name": "knee_films", "noise": 0.1}, {"name": "onnx"}, {"name": "fused"})


def reading(
    seed: int, view: str, angles: tuple[float, float], errors: tuple[float, float], mm: float = 1.0
) -> FilmResult:
    """One film with one knee: true angles, errors of the reading, deviations of 1 degree."""
    names = names_of(view)
    fixed = np.array([BY_NAME[name].kind == "fixed" for name in names])
    sd = 1.0
    found = [a + e for a, e in zip(angles, errors, strict=True)]
    knee = KneeResult(
        seed=seed,
        knee=0,
        style="",
        view=view,
        found_view=view,
        view_probability=1.0,
        right_way_round=1.0,
        radial_mm=np.full(len(names), mm),
        normal_mm=np.where(fixed, np.nan, mm),
        rotation=(angles[0], found[0], sd),
        tilt=(angles[1], found[1], sd),
        direct=(found[0], found[1]),
        flexion=(0.0, 0.0),
        hypotheses=((found[0], sd, found[1], sd, 1.0),),
    )
    return FilmResult(seed, (knee,), 0, False)


def films(count: int, spread: float, seed: int = 0) -> list[FilmResult]:
    rng = np.random.default_rng(seed)
    return [
        reading(
            i,
            "AP" if i % 2 else "lateral",
            tuple(rng.uniform(-9, 9, 2)),
            tuple(rng.normal(0, spread, 2)),
        )
        for i in range(count)
    ]


def test_a_condition_changes_what_it_names_and_nothing_else() -> None:
    suite = {"plain": None, "worse": {"beside": "plain", "scenario": {"noise": 0.3}}}
    found = conditions_of(BASE, suite)
    assert found["plain"] == BASE
    assert found["worse"].scenario == {"name": "knee_films", "noise": 0.3}
    assert found["worse"].pose == BASE.pose


def test_another_plugin_takes_no_options_over() -> None:
    found = conditions_of(BASE, {"other": {"scenario": {"name": "elsewhere", "depth": 2}}})
    assert found["other"].scenario == {"name": "elsewhere", "depth": 2}


@pytest.mark.parametrize(
    ("suite", "says"),
    [
        ({"a": {"scenery": {}}}, "did you mean scenario"),
        ({"a": {"pose": 3}}, "sections only"),
        ({"a": {"beside": "b"}}, "b is none"),
    ],
)
def test_a_mistaken_suite_is_told(suite: dict[str, Any], says: str) -> None:
    with pytest.raises(Problem, match=says):
        conditions_of(BASE, suite)


@pytest.mark.parametrize(
    "path", sorted((ROOT / "configs/suite").glob("*.yaml")), ids=lambda p: p.stem
)
def test_every_suite_that_ships_builds(path: Path) -> None:
    for condition in conditions_of(BASE, yaml.safe_load(path.read_text())).values():
        for stage in ("scenario", "pose"):
            section = dict(getattr(condition, stage))
            assert build(stage, section.pop("name"), section) is not None


def test_seeds_of_training_are_not_measured() -> None:
    for seeds in (range(TRAINING_SEEDS - 1, TRAINING_SEEDS + 1), range(-1, 3), range(0)):
        with pytest.raises(Problem):
            check_seeds(seeds)
    check_seeds(range(TRAINING_SEEDS - 1, TRAINING_SEEDS))


def test_errors_twice_as_large_are_told_as_twice() -> None:
    rng = np.random.default_rng(5)
    pairs = []
    for i in range(40):
        angles, errors = tuple(rng.uniform(-9, 9, 2)), rng.normal(0, 1, 2)
        mm = rng.uniform(0.5, 1.5)
        pairs.append(
            (
                reading(i, "AP", angles, tuple(errors), mm=mm),
                reading(i, "AP", angles, tuple(2 * errors), mm=2 * mm),
            )
        )
    plain, worse = (list(each) for each in zip(*pairs, strict=True))
    found = compared(worse, plain)
    for what in ("landmarks", "mae"):
        assert found[what]["value"] == pytest.approx(2.0)
        assert found[what]["low"] == pytest.approx(2.0)
    # A film that only one of them has does not count.
    assert compared(worse[:-1], plain)["mae"]["n"] == 39


def test_figures_of_a_suite_count_what_was_put_in() -> None:
    plain = films(60, 1.0)
    plain[0] = reading(0, "lateral", (8.0, 8.0), (-16.0, 0.0))  # rotation of the wrong sign
    conditions = {"plain": BASE, "again": Condition(beside="plain")}
    out = summarise_suite(conditions, {"plain": plain, "again": plain})["conditions"]
    row = out["plain"]
    assert row["knees"] == 60
    assert row["view_right"]["share"] == 1.0
    assert row["both"]["landmarks"]["value"] == pytest.approx(1.0)
    assert row["both"]["sdr_2"]["value"] == 1.0
    direction = row["lateral"]["direction"]
    assert round((1 - direction["share"]) * direction["n"]) >= 1
    assert row["AP"]["rotation"]["coverage"]["n"] == 30
    assert out["again"]["beside"]["mae"]["value"] == pytest.approx(1.0)
    figures = {"made_by": {"films": 60, "first_seed": 0}, "conditions": out}
    assert "| again | plain | 60 | 1.00 (1.00 to 1.00) |" in suite_markdown(figures)


def test_factors_mend_deviations_and_hold_on_other_films() -> None:
    """Errors of 2 degrees stated as 1: factors near 2, 90 % held on films of another draw."""
    made = factors_of(films(2000, 2.0, seed=1))
    for view in ("AP", "lateral"):
        for row in made[view].values():
            assert row["n"] == 1000
            assert row["factor"] == pytest.approx(2.0, rel=0.08)
    scale = {view: [row["factor"] for row in made[view].values()] for view in made}
    tried = tried_on(films(2000, 2.0, seed=2), scale)
    assert tried["AP"]["tilt"]["held"] == pytest.approx(0.9, abs=0.03)
    # Where errors double, coverage falls and the widening that is needed says by how much.
    shifted = tried_on(films(2000, 4.0, seed=3), scale)
    assert shifted["AP"]["tilt"]["held"] < 0.65
    assert shifted["AP"]["tilt"]["needed"] == pytest.approx(2.0, rel=0.08)
    figures = {
        "made_by": {"films": 1, "first_seed": 0, "test_films": 1, "test_seed": 9},
        "factors": made,
        "conditions": {"twice_the_error": shifted},
    }
    assert "| twice the error | AP | 1000 |" in calibration_markdown(figures)


def test_the_section_that_is_written_can_be_used_as_it_is(tmp_path: Path) -> None:
    made = factors_of(films(60, 2.0))
    plain = films(20, 2.0, seed=4)
    scale = {view: [row["factor"] for row in made[view].values()] for view in made}
    made_by = {"films": 60, "first_seed": 0, "test_films": 20, "test_seed": 900}
    figures = {
        "made_by": made_by,
        "pose": {"name": "fused", "ap_sd_factor": [1.5, 1.25], "lateral_sd_factor": [1.0, 2.0]},
        "factors": made,
        "conditions": {"in_domain": tried_on(plain, scale)},
        "suite": {"made_by": made_by, **summarise_suite({"in_domain": BASE}, {"in_domain": plain})},
    }
    page = write_calibration(figures, tmp_path)
    assert page.read_text() == calibration_markdown(figures)
    section = yaml.safe_load((tmp_path / "fused.yaml").read_text())
    pose = build("pose", section.pop("name"), section)
    assert pose.ap_sd_factor == (1.5, 1.25)
    assert (tmp_path / "shifts.md").exists()
    assert "suite" not in json.loads((tmp_path / "conformal.json").read_text())


def test_widening_changes_deviations_alone() -> None:
    knee = films(1, 1.0)[0].knees[0]
    wide = widened(knee, (2.0, 3.0))
    (before,), (after,) = knee.hypotheses, wide.hypotheses
    assert after == (before[0], 2 * before[1], before[2], 3 * before[3], before[4])


def test_films_that_made_the_factors_do_not_try_them() -> None:
    with pytest.raises(Problem, match="set them apart"):
        calibrate(CalibrateSettings(films=100, first_seed=0, test_seed=50, pose={"name": "fused"}))


def test_a_pose_plugin_without_factors_is_told() -> None:
    with pytest.raises(Problem, match="no options ap_sd_factor"):
        calibrate(CalibrateSettings(pose={"name": "squareon_fakes:FakePose"}))


def test_a_suite_is_read_from_end_to_end() -> None:
    """Two films under two conditions: the same knees, and a page with a row for each."""
    figures, results = assess(
        AssessSettings(
            films=2,
            first_seed=500_010,
            scenario={"name": "knee_films", "other_share": 0.0, "no_knee_share": 0.0},
            detector={"name": "onnx"},
            pose={"name": "fused"},
            suite={"plain": {}, "blurred": {"beside": "plain", "scenario": {"blur_px": 3.0}}},
            workers=1,
        )
    )
    for a, b in zip(results["plain"], results["blurred"], strict=True):
        assert [k.rotation[0] for k in a.knees] == [k.rotation[0] for k in b.knees]
    page = suite_markdown(figures)
    assert "| plain | 2 |" in page
    assert "| blurred | plain | 2 |" in page
