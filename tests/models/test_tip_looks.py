"""Tips from several looks, with a network of which every word is known."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from models.geometry import Similarity, crop_transform
from models.tips import CLOSER, FOUND, LOOK_FROM, W_MM, nearer, tips_of, together

Array = NDArray[np.float64]
MM = 0.35
"""Of a film's pixel."""


def crop(mirror: bool = False, up: tuple[float, float] = (0.0, -1.0)) -> Similarity:
    return crop_transform(np.array([110.0, 110.0]), np.array(up), W_MM / MM, mirror, 320)


def says(transform: Similarity, tips: Array, chances: list[float]) -> dict[str, Array]:
    """The network's six places: these on the film, and the crop's middle at chance nought."""
    places, tips = np.full((6, 2), 160.0), np.reshape(tips, (-1, 2))
    places[: len(tips)] = transform.forward(tips)
    return {"tips": places, "tips_found": np.array(chances + [0.0] * (6 - len(tips)))}


SHAPE = (220, 220)


@given(st.floats(0.3, 1.0), st.floats(-3.1, 3.1), st.booleans())
@settings(deadline=None, max_examples=30)
def test_a_nearer_crop_has_the_same_middle_and_turn(share: float, turn: float, way: bool) -> None:
    first = crop(way, (float(np.sin(turn)), float(-np.cos(turn))))
    second = nearer(first, share)
    middle = np.full(2, (first.size - 1) / 2)
    assert second.back(middle) == pytest.approx(first.back(middle), abs=1e-6)
    assert second.scale == pytest.approx(first.scale / share)
    assert second.mirrored == first.mirrored
    right = np.array([1.0, 0.0])
    assert second.direction_back(right) == pytest.approx(first.direction_back(right), abs=1e-9)


def test_a_film_without_instruments_is_looked_at_once() -> None:
    transform = crop()

    def look(_: Similarity) -> dict[str, Array]:
        raise AssertionError("looked again")

    out = says(transform, np.array([[100.0, 100.0]]), [LOOK_FROM - 0.01])
    assert tips_of(SHAPE, transform, out, look).shape == (0, 2)
    assert tips_of(SHAPE, transform, {}, look).shape == (0, 2)


def test_looks_are_averaged_and_new_places_join() -> None:
    """One tip that all see, one that only the nearer looks see, one that a single look guesses."""
    transform = crop()
    a, b, c = np.array([90.0, 90.0]), np.array([110.0, 95.0]), np.array([140.0, 140.0])
    asked = []

    def look(closer: Similarity) -> dict[str, Array]:
        asked.append(closer.scale / transform.scale)
        aside = np.array([0.6, 0.0]) if len(asked) == 1 else np.array([-0.6, 0.0])
        tips = np.stack([a + aside, b])
        return says(closer, tips, [0.8, 0.6])

    out = says(transform, np.stack([a, c]), [0.8, 3 * FOUND - 0.1])
    found = tips_of(SHAPE, transform, out, look)
    assert asked == pytest.approx([1 / share for share in CLOSER])
    assert found == pytest.approx(np.stack([a, b]), abs=1e-6)


def test_a_place_beyond_the_nearer_crops_is_judged_by_the_first() -> None:
    transform = crop()
    far = transform.back(np.array([20.0, 160.0]))
    outs = [(transform, says(transform, far, [0.5]))]
    outs += [(t, says(t, np.zeros((0, 2)), [])) for t in (nearer(transform, s) for s in CLOSER)]
    places, chances = together(outs, 2.0)
    assert places == pytest.approx(far[None], abs=1e-6)
    assert chances == pytest.approx([0.5])


def test_a_tip_beyond_the_film_is_none() -> None:
    transform = crop()

    def look(closer: Similarity) -> dict[str, Array]:
        return says(closer, np.array([[-5.0, 100.0]]), [0.9])

    out = says(transform, np.array([[-5.0, 100.0]]), [0.9])
    assert len(tips_of(SHAPE, transform, out, look)) == 0
