"""The keypoint network of torchvision's parts: takes, gives, trains and ships as ours does."""

from __future__ import annotations

import importlib
import importlib.util
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

torch = pytest.importorskip("torch")
pytest.importorskip("albumentations")
pytestmark = pytest.mark.train

from tiny_run import tiny_options  # noqa: E402
from toy_knee import ToyScenario  # noqa: E402

from models.backbone_net import BACKBONES, BackboneNet, keypoint_net  # noqa: E402
from models.export import export, load_net  # noqa: E402
from models.keypoints import KeypointNet, KeypointShape  # noqa: E402
from models.onnx_detector import OnnxDetector  # noqa: E402
from models.options import profile  # noqa: E402
from models.train import train  # noqa: E402
from pipeline.knee.errors import Problem  # noqa: E402

HELD: list[object] = []


@pytest.fixture(scope="module", autouse=True)
def _torchvision() -> None:
    """torchvision, also where its compiled operators are of another build than torch: none of
    them is used here, but their names must be known before the package can be imported."""
    found = importlib.util.find_spec("torchvision")
    if found is None or found.origin is None:
        pytest.skip("torchvision is not installed")
    try:
        importlib.import_module("torchvision")
    except RuntimeError:
        text = (Path(found.origin).parent / "_meta_registrations.py").read_text()
        library = torch.library.Library("torchvision", "DEF")
        for name in sorted(set(re.findall(r'(?:"torchvision::|register_meta\(")(\w+)"', text))):
            library.define(f"{name}(Tensor x) -> Tensor")
        HELD.append(library)  # forgotten, it would take the names with it
        importlib.import_module("torchvision")


def shape(backbone: str) -> KeypointShape:
    return KeypointShape(crop=96, width=16, depth=0, backbone=backbone)


@pytest.mark.parametrize("backbone", BACKBONES)
def test_gives_what_ours_gives(backbone: str) -> None:
    picture = torch.rand(2, 1, 96, 96)
    ours = KeypointNet(KeypointShape(96, 12, 1)).eval()(picture)
    theirs = keypoint_net(shape(backbone)).eval()(picture)
    for name in ours._fields:
        assert getattr(theirs, name).shape == getattr(ours, name).shape, name
        assert getattr(theirs, name).dtype == torch.float32, name


def test_starts_from_the_mean_shape() -> None:
    net = BackboneNet(shape("mobilenet_v3_small")).eval()
    places = torch.rand(64, 52, 2) * 4 + torch.linspace(20, 70, 52)[None, :, None]
    net.set_prior(places, torch.ones(64, 52))
    found = net(torch.rand(1, 1, 96, 96)).xy[0]
    assert (found - places.mean(0)).norm(dim=1).median() < 4.0


def test_a_backbone_that_there_is_not_is_told() -> None:
    with pytest.raises(Problem, match="mobilenet_v3_large"):
        keypoint_net(shape("resnet19"))


def test_the_profile_is_ours_with_another_network() -> None:
    for name in ("full", "small"):
        ours, theirs = profile(name), profile("baseline" if name == "full" else "baseline_small")
        assert theirs.keypoints.backbone == "mobilenet_v3_large"
        assert replace(theirs, keypoints=ours.keypoints) == ours


def test_trains_and_ships_as_ours_does(tmp_path: Path) -> None:
    options = tiny_options(max_steps=3, keypoints=shape("mobilenet_v3_small"))
    train(options, [ToyScenario(side=160)], tmp_path)
    weights = tmp_path / "weights"
    export(
        tmp_path / "checkpoint.safetensors",
        weights,
        name="base",
        code_version="0",
        data_version="toy",
    )
    net, facts = load_net(weights, "keypoints")
    assert isinstance(net, BackboneNet)
    assert facts["options"]["keypoints"]["backbone"] == "mobilenet_v3_small"
    film = ToyScenario(side=160).make(5).film
    found = OnnxDetector(folder=str(weights), threshold=0.001).detect(film)
    assert len(found) >= 1
    assert all(np.isfinite(one.xy).all() for one in found)
