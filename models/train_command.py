"""`squareon train`: networks from synthetic films."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from importlib.metadata import version
from importlib.util import find_spec
from pathlib import Path
from typing import Any, ClassVar

from pipeline.contracts import Scenario
from pipeline.knee.errors import Problem
from pipeline.registry import build_section

EXAMPLES = """\
examples:
  squareon train --out run profile=small
  squareon train --out run minutes=9 scenario=radiography
  squareon train --out run profile=small minutes=2 --name trial
  squareon train --out base profile=baseline --name torchvision-baseline

The folder given with --out receives checkpoint.safetensors, curves.csv, curves.html,
validation.jsonl and, at the end, weights/ with both networks for reading and MODEL_CARD.md. The
same command given again continues where it stopped. Read with the new weights:
  squareon read knee.dcm --out results detector.folder=run/weights
"""


@dataclass(frozen=True)
class TrainSettings:
    """What is trained, on what.

    Attributes:
        profile: full (one large GPU), small (a CPU, a quarter of an hour), or baseline and
            baseline_small: the same for a network of torchvision's parts, to compare with.
        minutes: length of the run; 0 = the profile's own.
        pause_after: minutes after which this call stops; given again, it goes on. 0 = never.
        seed: of weights and films.
        device: auto, cuda or cpu.
        workers: processes that make films; 0 = the profile's own.
        compile: compile the networks first; pays off in runs of many minutes on a GPU.
        start_from: folder of weights to begin with; empty = random ones.
        scenario: one plugin, `{name: ..., option: value}`.
    """

    profile: str = "full"
    minutes: float = 0.0
    pause_after: float = 0.0
    seed: int = 0
    device: str = "auto"
    workers: int = 0
    compile: bool = False
    start_from: str = ""
    scenario: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class TrainCommand:
    """Trains the networks."""

    help: ClassVar[str] = "train the networks on synthetic films (needs the train extra)"
    settings: ClassVar[type] = TrainSettings

    def add_arguments(self, parser: argparse.ArgumentParser) -> None:
        parser.epilog = EXAMPLES
        parser.add_argument(
            "--out", required=True, type=Path, metavar="DIR", help="folder for the run"
        )
        parser.add_argument(
            "--name",
            default="squareon-knee",
            help="what the weights are called (default %(default)s)",
        )

    def run(self, arguments: argparse.Namespace, settings: Mapping[str, Any]) -> int:
        for package in ("torch", "albumentations", "onnx"):
            if find_spec(package) is None:
                raise Problem(
                    "squareon train",
                    f"the package {package} is not installed",
                    "install the train extra: pip install 'squareon[train]'",
                )
        from models.export import export
        from models.options import profile
        from models.train import CHECKPOINT, train

        chosen = TrainSettings(**settings)
        options = replace(profile(chosen.profile), seed=chosen.seed, compile=chosen.compile)
        options = replace(options, start_from=chosen.start_from, pause_after=chosen.pause_after)
        if chosen.minutes:
            options = replace(options, minutes=chosen.minutes)
        if chosen.device != "auto":
            options = replace(options, device=chosen.device)
        if chosen.workers:
            options = replace(options, workers=chosen.workers)
        scenario: Scenario = build_section("scenario", chosen.scenario)
        train(options, [scenario], arguments.out)
        facts = export(
            arguments.out / CHECKPOINT,
            arguments.out / "weights",
            name=arguments.name,
            code_version=version("squareon"),
            data_version=data_version(scenario),
        )
        print(f"weights `{facts['name']}` in {arguments.out / 'weights'}")
        return 0


def data_version(scenario: Scenario) -> str:
    """Class of the scenario and, where its module says so, the version of its films."""
    kind = type(scenario)
    told = getattr(sys.modules.get(kind.__module__), "DATA_VERSION", "unnumbered")
    return f"{kind.__name__} {told}"
