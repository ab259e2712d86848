"""Disturbing the grey values of a training picture as films differ from one another.

Only grey values change here; places are changed by the crop transform itself (`samples.py`), so
no library's keypoint convention comes into it.
"""

from __future__ import annotations

import os
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray


def pipeline() -> Any:
    """The albumentations pipeline, built where it is used: importing it costs seconds."""
    os.environ.setdefault("NO_ALBUMENTATIONS_UPDATE", "1")  # it looks for updates on the network
    import albumentations as A

    return A.Compose(
        [
            A.OneOf(
                [
                    A.RandomGamma(gamma_limit=(50, 200), p=1.0),
                    A.RandomBrightnessContrast(brightness_limit=0.2, contrast_limit=0.4, p=1.0),
                    A.CLAHE(clip_limit=(1.0, 5.0), tile_grid_size=(6, 6), p=1.0),
                    A.RandomToneCurve(scale=0.25, p=1.0),
                ],
                p=0.7,
            ),
            A.OneOf(
                [
                    A.GaussianBlur(blur_limit=0, sigma_limit=(0.4, 2.0), p=1.0),
                    A.MotionBlur(blur_limit=(3, 5), p=1.0),
                    A.Sharpen(alpha=(0.15, 0.6), lightness=(0.8, 1.2), p=1.0),
                    A.UnsharpMask(blur_limit=(3, 15), alpha=(0.2, 1.0), p=1.0),
                    A.Downscale(scale_range=(0.4, 0.8), p=1.0),
                ],
                p=0.5,
            ),
            A.OneOf(
                [
                    A.GaussNoise(std_range=(0.005, 0.06), per_channel=False, p=1.0),
                    A.MultiplicativeNoise(multiplier=(0.9, 1.1), elementwise=True, p=1.0),
                    A.ImageCompression(quality_range=(30, 90), p=1.0),
                ],
                p=0.4,
            ),
            A.CoarseDropout(
                num_holes_range=(1, 4),
                hole_height_range=(0.04, 0.16),
                hole_width_range=(0.04, 0.16),
                fill="random_uniform",
                p=0.15,
            ),
        ]
    )


class Augmenter:
    """Callable on (S, S) uint8 pictures; draws everything from the generator it is given."""

    def __init__(self) -> None:
        self._pipeline = pipeline()

    def __call__(self, picture: NDArray[np.uint8], rng: np.random.Generator) -> NDArray[np.uint8]:
        self._pipeline.set_random_seed(int(rng.integers(2**31)))
        disturbed = self._pipeline(image=picture[:, :, None])["image"]
        result = np.asarray(disturbed, dtype=np.uint8).reshape(picture.shape)
        if rng.random() < 0.3:
            result = _shaded(result, rng)
        return result


def _shaded(picture: NDArray[np.uint8], rng: np.random.Generator) -> NDArray[np.uint8]:
    """A slow brightness gradient, as scatter, heel effect and soft tissue leave it."""
    coarse = rng.uniform(-1.0, 1.0, (3, 3)).astype(np.float32) * rng.uniform(10.0, 50.0)
    slow = cv2.resize(coarse, picture.shape[::-1], interpolation=cv2.INTER_CUBIC)
    return np.asarray(np.clip(picture + slow, 0, 255), dtype=np.uint8)
