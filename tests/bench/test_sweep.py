"""Sweeps by hydra's own launcher and through the one for cluster schedulers, in its local mode."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest

from pipeline.cli import main

HELPERS = Path(__file__).parents[1] / "helpers"
TOYS = [
    *("suite=none", "suite.clean.about=toys", "suites=[clean]", "workers=1", "films=8,9"),
    *(f"~scenario.{key}" for key in ("styles", "other_share", "no_knee_share", "two_knees_share")),
    "scenario.name=toy_exam:ToyFilms",
    "entries.toy.detector.name=toy_exam:ToyDetector",
    "entries.toy.pose.name=toy_exam:ToyPose",
    "compare=[toy]",
]


@pytest.mark.parametrize("launcher", ["basic", "submitit_local"])
def test_one_run_for_each_value(
    launcher: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """9 films are no whole persons: that run says so, the other is not held up."""
    if launcher != "basic":
        pytest.importorskip("hydra_plugins.hydra_submitit_launcher")
    monkeypatch.setenv(
        "PYTHONPATH", os.pathsep.join([str(HELPERS), os.environ.get("PYTHONPATH", "")])
    )
    words = [*TOYS, f"cache={tmp_path / 'cache'}", f"hydra/launcher={launcher}"]
    assert main(["bench", "--out", str(tmp_path / "out"), "--multirun", *words]) == 1
    results = json.loads((tmp_path / "out" / "0" / "results.json").read_text())
    assert results["made_by"]["films"] == 8
    assert "multiples of 2" in (tmp_path / "out" / "1" / "problem.txt").read_text()
    table = (tmp_path / "out" / "sweep.md").read_text()
    assert "films=8" in table
    assert "failed" in table
    assert "| toy | clean |" in capsys.readouterr().out


def test_a_wrong_setting_stops_a_sweep_before_it_starts(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ["film=3", "films=8,10"]
    assert main(["bench", "--out", str(tmp_path / "out"), "--multirun", *words]) == 2
    assert "films" in capsys.readouterr().err
    assert not (tmp_path / "out").exists()
