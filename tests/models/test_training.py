"""Training end to end on drawn knees: it runs, it can be killed, it learns."""

from __future__ import annotations

import csv
import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

torch = pytest.importorskip("torch")
pytest.importorskip("albumentations")
pytestmark = pytest.mark.train

from tiny_run import tiny_options  # noqa: E402
from toy_knee import ToyScenario  # noqa: E402

from models import checkpoint  # noqa: E402
from models.feeder import Feeder, FeedPlan, validation_seed  # noqa: E402
from models.options import profile  # noqa: E402
from models.train import learning_rate_factor, train  # noqa: E402
from pipeline.contracts import TRAINING_SEEDS  # noqa: E402
from pipeline.knee.errors import Problem  # noqa: E402

HERE = Path(__file__).parent
ROOT = HERE.parent.parent

KILLED_RUN = """
import sys
from pathlib import Path
from tiny_run import tiny_options
from models.train import train
from toy_knee import ToyScenario
if __name__ == "__main__":
    train(tiny_options(max_steps=100000), [ToyScenario(side=160)], Path(sys.argv[1]))
"""


def test_a_run_leaves_what_it_promises(trained: Path) -> None:
    tensors, facts = checkpoint.load(trained / "checkpoint.safetensors")
    assert facts["step"] == 6
    assert facts["films_made"] > 0
    assert any(name.startswith("optimizer.") for name in tensors)
    with (trained / "curves.csv").open() as handle:
        rows = list(csv.DictReader(handle))
    assert all(float(row["loss"]) > 0 for row in rows)
    last = json.loads((trained / "validation.jsonl").read_text().splitlines()[-1])
    for view in ("AP", "lateral"):
        if view in last["keypoints"]:
            assert last["keypoints"][view]["mean_shape_mre_mm"] > 0
            assert last["keypoints"][view]["mre_mm"] > 0
    assert 0.0 <= last["locator"]["found"] <= 1.0
    assert (trained / "curves.html").exists()


def test_a_killed_run_goes_on_where_it_was_saved(tmp_path: Path) -> None:
    script = tmp_path / "run.py"
    script.write_text(KILLED_RUN)
    out = tmp_path / "out"
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join([str(ROOT), str(HERE)])}
    process = subprocess.Popen(
        [sys.executable, str(script), str(out)],
        env=environment,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    saved = out / "checkpoint.safetensors"
    deadline = time.monotonic() + 300
    while not saved.exists() and process.poll() is None and time.monotonic() < deadline:
        time.sleep(0.05)
    process.send_signal(signal.SIGKILL)
    process.wait()
    assert saved.exists()
    _, before = checkpoint.load(saved)
    assert before["step"] > 0
    train(tiny_options(max_steps=before["step"] + 3), [ToyScenario(side=160)], out)
    _, after = checkpoint.load(saved)
    assert after["step"] == before["step"] + 3
    assert after["seconds"] > before["seconds"]
    assert after["films_made"] > before["films_made"]


def test_weights_and_optimizer_survive_a_checkpoint(tmp_path: Path) -> None:
    net = torch.nn.Linear(3, 2)
    optimizer = torch.optim.AdamW(net.parameters(), lr=0.1)
    for _ in range(3):
        optimizer.zero_grad()
        net(torch.ones(1, 3)).square().sum().backward()
        optimizer.step()
    path = tmp_path / "c.safetensors"
    tensors = checkpoint.optimizer_tensors(optimizer)
    tensors |= {f"net.{k}": v for k, v in net.state_dict().items()}
    checkpoint.save(path, tensors, {"step": 3})
    again = torch.nn.Linear(3, 2)
    loaded, facts = checkpoint.load(path)
    again.load_state_dict(checkpoint.part(loaded, "net"))
    other = torch.optim.AdamW(again.parameters(), lr=0.1)
    checkpoint.restore_optimizer(other, loaded)
    for model, opt in ((net, optimizer), (again, other)):
        opt.zero_grad()
        model(torch.ones(1, 3)).square().sum().backward()
        opt.step()
    assert facts == {"step": 3}
    assert torch.equal(net.weight, again.weight)


def test_a_file_that_is_no_checkpoint_is_told(tmp_path: Path) -> None:
    path = tmp_path / "checkpoint.safetensors"
    path.write_bytes(b"not at all")
    with pytest.raises(Problem, match="no checkpoint"):
        checkpoint.load(path)


def test_another_size_of_network_is_told(trained: Path) -> None:
    options = profile("small")
    with pytest.raises(Problem, match="another size"):
        train(options, [ToyScenario()], trained)


def test_scenarios_that_fail_are_told() -> None:
    plan = FeedPlan(crop=96, picture=96, crops_per_film=1, validation_films=0, seed=0)
    told = pytest.raises(Problem, match="no such bone")
    with Feeder([FailingScenario()], plan, 1) as feeder, told:
        take_until_told(feeder)


def take_until_told(feeder: Feeder) -> None:
    for _ in range(200):
        feeder.take(50, 1.0)


class FailingScenario:
    def make(self, seed: int) -> object:
        raise RuntimeError("no such bone")


def test_seeds_of_training_and_measuring_are_apart() -> None:
    assert max(validation_seed(k) for k in range(1_000_000)) < TRAINING_SEEDS


def test_the_learning_rate_ends_low_whatever_the_speed() -> None:
    assert learning_rate_factor(0, 0.0) < 0.01
    assert learning_rate_factor(500, 0.05) > 0.95
    assert learning_rate_factor(40, 1.0) < 0.001
    assert learning_rate_factor(100_000, 1.0) < 0.01


def test_unknown_profiles_are_told() -> None:
    with pytest.raises(Problem, match="full"):
        profile("enormous")


def test_older_weights_without_findings_can_be_the_start(shipped: Path, tmp_path: Path) -> None:
    from models.export import load_net

    for name in ("keypoints", "locator"):
        tensors, facts = checkpoint.load(shipped / f"{name}.safetensors")
        if name == "keypoints":
            for key in ("crop_head.2.weight", "crop_head.2.bias"):
                tensors[key] = tensors[key][:-2]
        checkpoint.save(tmp_path / f"{name}.safetensors", tensors, facts)
    net, _ = load_net(tmp_path, "keypoints")
    same, _ = load_net(shipped, "keypoints")
    picture = torch.rand(1, 1, 96, 96)
    with torch.no_grad():
        one, two = net(picture), same(picture)
    assert torch.equal(one.view, two.view)
    assert torch.equal(one.flipped, two.flipped)
    assert one.found.shape == (1, 2)


def test_every_landmark_has_its_own_factor() -> None:
    from models.validate import _sd_factors

    rng = np.random.default_rng(0)
    spread = np.array([1.0, 2.0, 0.5])
    error = rng.normal(0, 1, (4000, 3, 2)) * spread[:, None]
    factors = _sd_factors((error**2).sum(-1), np.ones((4000, 3), bool))
    assert factors == pytest.approx(spread, rel=0.06)


def test_finished_weights_can_be_the_start(shipped: Path, tmp_path: Path) -> None:
    from models.export import load_net

    options = tiny_options(max_steps=1, start_from=str(shipped), learning_rate=1e-9, ema=0.0)
    train(options, [ToyScenario(side=160)], tmp_path)
    tensors, _ = checkpoint.load(tmp_path / "checkpoint.safetensors")
    net, _ = load_net(shipped, "keypoints")
    for name, value in net.named_parameters():
        assert torch.allclose(tensors[f"keypoints.{name}"], value, atol=1e-5), name
    assert torch.equal(tensors["keypoints.prior"], net.prior)
