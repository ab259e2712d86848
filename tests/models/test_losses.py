"""The losses: right where they should be least, and fair about mixed-up condyles."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import multivariate_normal

torch = pytest.importorskip("torch")
pytestmark = pytest.mark.train

from models.blocks import parameters_of  # noqa: E402
from models.channels import CHANNELS, CHANNELS_OF, PAIRED, SWAPPED  # noqa: E402
from models.keypoints import KeypointNet, KeypointShape, covariance_of  # noqa: E402
from models.locator import LocatorNet, LocatorShape  # noqa: E402
from models.losses import (  # noqa: E402
    keypoint_loss,
    locator_loss,
    locator_targets,
    mahalanobis_loss,
)
from models.options import profile  # noqa: E402

CROP = 96
COUNT = len(CHANNELS)


def lateral_batch(number: int = 2) -> dict[str, torch.Tensor]:
    rng = np.random.default_rng(0)
    known = torch.zeros(number, COUNT)
    known[:, CHANNELS_OF["lateral"]] = 1.0
    return {
        "xy": torch.tensor(rng.uniform(20, 76, (number, COUNT, 2)), dtype=torch.float32),
        "known": known,
        "seen": known.clone(),
        "view": torch.ones(number, dtype=torch.long),
        "flipped": torch.zeros(number),
        "angles": torch.tensor([[8.0, -5.0, 30.0]] * number),
        "posed": torch.ones(number),
        "found": torch.tensor([[1.0, 0.0]] * number),
        "tips": torch.tensor([[[30.0, 41.0], [-1e4, -1e4]]] * number),
    }


def answer(batch: dict[str, torch.Tensor], xy: torch.Tensor, angles: list[float]) -> object:
    """An output that is sure of `xy` and `angles`."""
    from models.codec_torch import gaussian_sides
    from models.keypoints import KeypointOutput

    number = len(xy)
    across, down = gaussian_sides(xy, CROP // 4, 4)
    return KeypointOutput(
        maps=torch.log(down[..., :, None] * across[..., None, :] + 1e-12),
        xy=xy,
        spread=torch.zeros(number, COUNT, 3),
        seen=torch.full((number, COUNT), 4.0),
        view=torch.tensor([[0.0, 6.0, 0.0, 0.0]] * number),
        flipped=torch.full((number,), -4.0),
        angles=torch.tensor(angles).repeat(number, 2, 1) / 10.0,
        angle_spread=torch.full((number, 2, 3), -1.0),
        swapped=torch.zeros(number, requires_grad=True),
        found=torch.tensor([[4.0, -4.0]] * number),
        tips=tips_map([(30.0, 41.0)]).repeat(number, 1, 1, 1),
    )


def tips_map(tips: list[tuple[float, float]]) -> torch.Tensor:
    """(1, 3, h, h) that is sure of `tips`, crop pixels."""
    out = torch.zeros(1, 3, CROP // 4, CROP // 4)
    out[:, 0] = -9.0
    for x, y in tips:
        column, row = round((x + 0.5) / 4 - 0.5), round((y + 0.5) / 4 - 0.5)
        out[0, 0, row, column] = 9.0
        for j in range(row - 2, row + 3):
            for i in range(column - 2, column + 3):
                out[0, 1, j, i] = (x + 0.5) / 4 - 0.5 - i
                out[0, 2, j, i] = (y + 0.5) / 4 - 0.5 - j
    return out


def test_tips_are_read_where_they_were_put() -> None:
    from models.keypoints import peaks

    tips = [(30.25, 41.5), (80.0, 12.75)]
    xy, found = peaks(tips_map(tips))
    assert found[0, :2].min() > 0.99
    assert found[0, 2:].max() < 0.01
    np.testing.assert_allclose(sorted(xy[0, :2].tolist()), sorted(map(list, tips)), atol=1e-3)


def test_tips_in_place_cost_least() -> None:
    from models.losses import tip_loss

    tips = torch.tensor([[[30.0, 41.0], [-1e4, -1e4]]])
    knee = torch.tensor([True])
    right = [float(v) for v in tip_loss(tips_map([(30.0, 41.0)]), tips, knee)]
    off = [float(v) for v in tip_loss(tips_map([(31.5, 41.0)]), tips, knee)]
    elsewhere = [float(v) for v in tip_loss(tips_map([(60.0, 41.0)]), tips, knee)]
    none = [float(v) for v in tip_loss(tips_map([]), tips, knee)]
    assert right[0] < 0.01
    assert off[1] > right[1] + 0.02
    assert elsewhere[0] > none[0] > right[0] + 1.0
    # where there is no knee nothing is asked for, and silence is right
    assert float(tip_loss(tips_map([]), tips, torch.tensor([False]))[0]) < 0.01


def test_landmark_likelihood_agrees_with_scipy() -> None:
    spread = torch.tensor([[0.7, 0.2, 0.5]])
    covariance = covariance_of(spread)[0].double().numpy()
    for error in ([0.0, 0.0], [1.0, -2.0], [2.5, 1.0]):
        ours = float(mahalanobis_loss(torch.tensor([error]), spread))
        reference = -multivariate_normal(cov=covariance).logpdf(error) - np.log(2 * np.pi)
        assert ours == pytest.approx(reference, abs=1e-4)


def test_truth_costs_least() -> None:
    batch = lateral_batch()
    right, _ = keypoint_loss(answer(batch, batch["xy"], [8, -5, 30]), batch, CROP, 0.0)
    moved = batch["xy"] + torch.tensor([3.0, 0.0])
    wrong, _ = keypoint_loss(answer(batch, moved, [8, -5, 30]), batch, CROP, 0.0)
    turned, _ = keypoint_loss(answer(batch, batch["xy"], [-8, 5, 30]), batch, CROP, 0.0)
    assert right < wrong
    assert right < turned


def test_mixed_up_condyles_are_forgiven_and_owned_up_to() -> None:
    batch = lateral_batch()
    exchanged = batch["xy"][:, torch.as_tensor(SWAPPED)]
    out = answer(batch, exchanged, [-8, 5, 30])
    strict, _ = keypoint_loss(out, batch, CROP, 0.0)
    settled, _ = keypoint_loss(out, batch, CROP, 1.0)
    assert settled < strict - 1.0
    settled.backward()
    assert (out.swapped.grad < 0).all(), "it should learn that the names are exchanged"
    # ... and the other way round for one that names them right
    out = answer(batch, batch["xy"], [8, -5, 30])
    loss, _ = keypoint_loss(out, batch, CROP, 1.0)
    loss.backward()
    assert (out.swapped.grad > 0).all()


def test_ap_films_are_never_exchanged() -> None:
    batch = lateral_batch()
    known = torch.zeros_like(batch["known"])
    known[:, CHANNELS_OF["AP"]] = 1.0
    batch |= {"known": known, "seen": known, "view": torch.zeros(2, dtype=torch.long)}
    out = answer(batch, batch["xy"], [-8, 5, 30])
    one, _ = keypoint_loss(out, batch, CROP, 0.0)
    two, _ = keypoint_loss(out, batch, CROP, 1.0)
    assert one.item() == pytest.approx(two.item())
    assert PAIRED.sum() == 8


def test_nothing_known_is_no_trouble() -> None:
    batch = lateral_batch()
    batch |= {
        "known": torch.zeros(2, COUNT),
        "posed": torch.zeros(2),
        "view": torch.full((2,), 3, dtype=torch.long),
        "xy": torch.full((2, COUNT, 2), -1e4),
    }
    net = KeypointNet(KeypointShape(CROP, 12, 1))
    loss, _ = keypoint_loss(net(torch.rand(2, 1, CROP, CROP)), batch, CROP, 0.9)
    loss.backward()
    assert torch.isfinite(loss)
    assert all(torch.isfinite(p.grad).all() for p in net.parameters() if p.grad is not None)


def test_locator_targets_are_where_the_knees_are() -> None:
    knees = torch.zeros(1, 4, 8)
    knees[0, 0] = torch.tensor([40.0, 60.0, 30.0, 0.0, -1.0, 0.0, 1.0, 1.0])
    knees[0, 1] = torch.tensor([100.0, 20.0, 30.0, 0.6, -0.8, 1.0, 0.0, 1.0])
    heat, nearest, weight = locator_targets(knees, 16)
    # cell (i, j) has its centre at 8 j + 3.5
    for x, y in ((40.0, 60.0), (100.0, 20.0)):
        i, j = round((y - 3.5) / 8), round((x - 3.5) / 8)
        assert heat[0, i, j] == 1.0
        assert nearest[0, i, j, 0] == x
        assert weight[0, i, j] == 1.0
    assert int((heat == 1.0).sum()) == 2
    net = LocatorNet(LocatorShape(128, 4))
    loss, parts = locator_loss(net(torch.rand(1, 1, 128, 128)), knees)
    loss.backward()
    assert torch.isfinite(loss)
    none, empty = locator_loss(net(torch.rand(1, 1, 128, 128)), torch.zeros(1, 4, 8))
    assert torch.isfinite(none)
    assert float(empty["centre"]) == 0.0
    assert float(parts["centre"]) > 0.0


def test_full_size_fits_the_promise() -> None:
    options = profile("full")
    points = parameters_of(KeypointNet(options.keypoints))
    locator = parameters_of(LocatorNet(options.locator))
    # in ONNX 32 bits, the locator's 16, and 16 bits beside it
    assert (points * 6 + locator * 4) / 1e6 < 19.8
    assert points + locator < 5_000_000


def test_an_untrained_network_predicts_the_mean_shape() -> None:
    net = KeypointNet(KeypointShape(CROP, 12, 1))
    rng = np.random.default_rng(0)
    mean = torch.tensor(rng.uniform(20, 76, (COUNT, 2)), dtype=torch.float32)
    net.set_prior(mean + torch.randn(64, COUNT, 2) * 4, torch.ones(64, COUNT))
    found = net.eval()(torch.rand(3, 1, CROP, CROP)).xy
    assert (found - mean).norm(dim=-1).mean().item() < 6.0
