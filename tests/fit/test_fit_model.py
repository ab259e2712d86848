"""The builder of the compact knee."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from knees import knee_at
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from pipeline.fit.knee_shape import BONES, SHAPE_FILE, load_shape, shape_from
from synthetic_data.anatomy.source import ShapeModelSource
from synthetic_data.fit_model import SUPPORTS, aligned, build_knee_shape


@pytest.fixture(scope="module")
def arrays() -> dict[str, NDArray[np.generic]]:
    return build_knee_shape(ShapeModelSource(), 15, np.random.default_rng(1), modes=5)


def test_the_built_arrays_are_what_the_fit_loads(arrays: dict[str, NDArray[np.generic]]) -> None:
    built, shipped = shape_from(arrays), load_shape()
    assert built.count == 5
    assert set(built.index) == set(shipped.index)
    for bone in BONES:
        n = len(built.mean[bone])
        assert built.modes[bone].shape == (5, n, 3)
        assert built.left[bone].shape == (n,)
    for name in SUPPORTS:
        assert len(built.index[f"set.{name}"]) >= 5


def test_the_shipped_file_is_small_and_plausible() -> None:
    assert SHAPE_FILE.stat().st_size < 2_000_000
    shape = load_shape()
    # Epicondylar width of adults, mm: 73 to 95 covers both sexes within 2 SD (Terzidis 2012).
    assert 73 < shape.width[0] < 95
    for bone in BONES:
        assert np.median(shape.left[bone]) < 1.0


def test_mean_touching_points_are_level_in_the_femurs_frame() -> None:
    shape = load_shape()
    points = shape.mean["femur"]
    for end, axis in (("distal", 1), ("posterior", 0)):
        lowest = [
            points[shape.index[f"set.{s}_condyle_{end}"], axis].min() for s in ("medial", "lateral")
        ]
        assert lowest[0] == pytest.approx(lowest[1], abs=0.5)


def test_alignment_follows_a_moved_bone() -> None:
    rng = np.random.default_rng(2)
    knees = [knee_at(f, rng) for f in (10.0, 40.0)]
    before = aligned(knees)
    knee, frames = knees[1]
    turn = Rotation.from_euler("xyz", [5, -8, 3], degrees=True).as_matrix()
    tibia = knee.bones["tibia"]
    moved = replace(
        knee,
        bones={**knee.bones, "tibia": replace(tibia, vertices=tibia.vertices @ turn.T + [1, 2, 3])},
    )
    after = aligned([knees[0], (moved, frames)])
    axes, place = before[1].poses["tibia"]
    own, there = after[1].poses["tibia"]
    assert own == pytest.approx(turn @ axes, abs=1e-6)
    assert there == pytest.approx(turn @ place + [1, 2, 3], abs=1e-5)
