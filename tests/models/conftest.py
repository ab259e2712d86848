"""Tiny networks, trained for a few steps on drawn knees, shared by the tests of this folder."""

from __future__ import annotations

from pathlib import Path

import pytest
from tiny_run import tiny_options


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
