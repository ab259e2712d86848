"""Maps and points: round trips, and the training codec against the reading one."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import logsumexp

from models.channels import CHANNELS, CHANNELS_OF, PAIRED, SWAPPED
from models.codec import decode, encode, to_cells, to_pixels
from pipeline.knee.landmarks import names_of

PLACE = st.floats(30.0, 290.0)


@settings(deadline=None, max_examples=25)
@given(PLACE, PLACE, st.sampled_from([2, 4]))
def test_a_point_survives_encoding(x: float, y: float, stride: int) -> None:
    maps = encode(np.array([[x, y]]), 320 // stride, stride, sigma=1.0)
    assert maps.sum() == pytest.approx(1.0)
    found = decode(np.log(maps + 1e-30), stride)
    assert found == pytest.approx(np.array([[x, y]]), abs=0.02 * stride)


def test_the_middle_of_a_cell_is_the_middle_of_its_pixels() -> None:
    pixels = np.arange(8.0).reshape(1, 8)
    assert to_pixels(np.array([[0.0, 1.0]]), 4) == pytest.approx(
        np.array([[pixels[0, :4].mean(), pixels[0, 4:].mean()]])
    )
    assert to_cells(to_pixels(np.array([[3.3, 7.1]]), 4), 4) == pytest.approx(
        np.array([[3.3, 7.1]])
    )


def test_a_far_second_peak_does_not_pull() -> None:
    maps = encode(np.array([[100.0, 100.0], [260.0, 250.0]]), 80, 4)
    both = np.log(0.7 * maps[:1] + 0.3 * maps[1:] + 1e-30)
    assert decode(both, 4) == pytest.approx(np.array([[100.0, 100.0]]), abs=0.05)


def test_exchange_is_its_own_inverse_and_keeps_views_apart() -> None:
    assert (SWAPPED[SWAPPED] == np.arange(len(CHANNELS))).all()
    assert not PAIRED[CHANNELS_OF["AP"]].any()
    lateral = names_of("lateral")
    for k in np.flatnonzero(PAIRED):
        here, there = CHANNELS[k], CHANNELS[SWAPPED[k]]
        assert k >= CHANNELS_OF["lateral"].start
        assert here in lateral
        assert {here.split("_")[0], there.split("_")[0]} == {"medial", "lateral"}
        assert here.split("_", 1)[1] == there.split("_", 1)[1]


@pytest.mark.train
def test_torch_codec_agrees_with_numpy() -> None:
    torch = pytest.importorskip("torch")
    from models.codec_torch import cross_entropy, gaussian_sides, read_maps

    rng = np.random.default_rng(0)
    xy = rng.uniform(5, 155, (6, 2))
    across, down = gaussian_sides(torch.tensor(xy)[None], 40, 4)
    maps = encode(xy, 40, 4)
    assert torch.einsum("bkj,bki->bkij", across, down)[0].numpy() == pytest.approx(maps, abs=1e-9)
    logits = rng.normal(0, 3, (6, 40, 40))
    log_p = logits - logsumexp(logits, axis=(1, 2), keepdims=True)
    cost = cross_entropy(torch.tensor(logits)[None], torch.tensor(xy)[None], 4)
    assert cost[0].numpy() == pytest.approx(-(maps * log_p).sum(axis=(1, 2)))
    points, p, spread = read_maps(torch.tensor(logits)[None], 4)
    assert points[0].numpy() == pytest.approx(decode(logits, 4), abs=1e-3)
    assert p.sum(dim=-1).numpy() == pytest.approx(1.0, abs=1e-5)
    assert spread.shape == (1, 6, 3)


@pytest.mark.train
def test_spread_is_the_spread_of_the_map() -> None:
    torch = pytest.importorskip("torch")
    from models.codec_torch import read_maps

    maps = torch.tensor(encode(np.array([[161.5, 161.5]]), 80, 4, sigma=2.0))[None]
    _, _, spread = read_maps(torch.log(maps + 1e-30), 4)
    assert spread[0, 0, :2].exp().numpy() == pytest.approx([2.0, 2.0], abs=0.02)
    assert abs(float(spread[0, 0, 2])) < 1e-3
