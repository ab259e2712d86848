"""Which output channel is which landmark, and what else the networks' arrays mean."""

from __future__ import annotations

import numpy as np

from pipeline.knee.landmarks import BY_NAME, names_of

CHANNELS: tuple[str, ...] = names_of("AP") + names_of("lateral")
"""Landmark names of the keypoint network's channels: AP's first, then the lateral's."""

CHANNELS_OF: dict[str, slice] = {
    "AP": slice(0, len(names_of("AP"))),
    "lateral": slice(len(names_of("AP")), len(CHANNELS)),
}

VIEWS: tuple[str, ...] = ("AP", "lateral", "other", "none")
"""Order of the view probabilities; the locator knows only the first three."""

FLIP_SHARE = 0.12
"""Share of training crops that are the mirror image of the canonical form."""

ANGLES: tuple[str, ...] = ("rotation", "tilt", "flexion")
ANGLE_SCALE = 10.0
"""Degrees per unit of the networks' angles."""

FOUND: tuple[str, ...] = ("implant", "hardware")
"""What the keypoint network looks for beside landmarks."""

FEMUR: np.ndarray = np.array([BY_NAME[name].bone == "femur" for name in CHANNELS])
"""(52,) bool: the channels on the femur, which alone says where the crop should lie."""


def _swapped() -> np.ndarray:
    order = np.arange(len(CHANNELS))
    start = CHANNELS_OF["lateral"].start
    names = names_of("lateral")
    for k, name in enumerate(names):
        other = name.replace("medial", "LATERAL").replace("lateral", "medial")
        other = other.replace("LATERAL", "lateral")
        if other in names:
            order[start + k] = start + names.index(other)
    return order


SWAPPED: np.ndarray = _swapped()
"""(52,) int: the channel that takes each one's place when, on a lateral film, the medial and the
lateral condyle (and rims) are taken for each other. AP channels stay."""

PAIRED: np.ndarray = np.arange(len(CHANNELS)) != SWAPPED
"""(52,) bool: the channels that such a mistake changes."""
