"""Tiny networks, trained for a few steps on drawn knees, shared by the tests of this folder."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest


def tiny_options(**changes: Any) -> Any:
    """A run of seconds on one core."""
    pytest.importorskip("torch")
    pytest.importorskip("albumentations")
    from models.keypoints import KeypointShape
    from models.locator import LocatorShape
    from models.options import profile

    options = replace(
        profile("small"),
        minutes=5.0,
        max_steps=6,
        warm=12,
        crop_batch=4,
        film_batch=4,
        crop_capacity=64,
        film_capacity=64,
        validation_films=4,
        log_s=0.2,
        save_s=0.5,
        keypoints=KeypointShape(crop=96, width=12, depth=1),
        locator=LocatorShape(picture=96, width=4),
    )
    return replace(options, **changes)


@pytest.fixture(scope="session")
def trained(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Folder of a finished tiny run."""
    options = tiny_options()
    from toy_knee import ToyScenario

    from models.train import train

    out = tmp_path_factory.mktemp("run")
    train(options, [ToyScenario(side=160)], out)
    return out


@pytest.fixture(scope="session")
def shipped(trained: Path) -> Path:
    """Folder of weights exported from the tiny run."""
    pytest.importorskip("onnx")
    from models.export import export

    weights = trained / "weights"
    export(
        trained / "checkpoint.safetensors",
        weights,
        name="tiny",
        code_version="0",
        data_version="toy",
    )
    return weights
