"""Vascular channels: soft lines inside bone, nothing else changed."""

from __future__ import annotations

import numpy as np

from synthetic_data.physics.channels import channelled
from synthetic_data.physics.exposure import Technique
from synthetic_data.physics.texture import BoneAxis

AXIS = BoneAxis(np.array([100.0, 20.0]), np.array([0.0, 1.0]), 200.0, 0.4)


def limb() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    bone = np.zeros((420, 200), np.float32)
    bone[:, 60:140] = 30.0
    return bone, 0.4 * bone, 0.6 * bone


def test_lines_take_bone_inside_the_bone_only() -> None:
    marked = 0
    for seed in range(20):
        bone, cortical, marrow = limb()
        before = cortical.copy()
        channelled(cortical, marrow, {"femur": bone}, {"femur": AXIS},
                   np.random.default_rng(seed), 1.2)  # fmt: skip
        np.testing.assert_allclose(cortical + marrow, bone, atol=1e-5)
        taken = before - cortical
        assert taken.min() >= 0
        assert taken[:, :60].max() == taken[:, 140:].max() == 0
        if taken.max() == 0:
            continue
        marked += 1
        assert 0.5 < taken.max() <= 3.0
        # Thin lines along the shaft: a few per cent of the bone at most, longer than broad.
        y, _ = np.nonzero(taken > 0.3)
        assert len(y) < 0.08 * (bone > 0).sum()
        assert y.max() - y.min() > 25
    assert 5 < marked < 20


def test_thin_cortex_is_never_taken_whole_and_patellae_have_none() -> None:
    bone, cortical, marrow = limb()
    cortical[:] = np.where(bone > 0, 0.5, 0)
    channelled(cortical, marrow, {"femur": bone}, {"femur": AXIS}, np.random.default_rng(1), 3.0)
    assert cortical[bone > 0].min() > 0.01
    bone, cortical, marrow = limb()
    flat = BoneAxis(AXIS.joint, np.zeros(2), 200.0, 0.4)
    channelled(cortical, marrow, {"patella": bone}, {"patella": flat}, np.random.default_rng(1), 1)
    np.testing.assert_array_equal(cortical, 0.4 * bone)


def test_some_films_have_them() -> None:
    drawn = [Technique.draw(np.random.default_rng(n), "radiography", 0.3) for n in range(100)]
    assert 20 < sum(t.channels_mm > 0 for t in drawn) < 60
    assert Technique().channels_mm == 0
