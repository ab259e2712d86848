"""Options of a training run that takes seconds."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest


def tiny_options(**changes: Any) -> Any:
    """A run of seconds on one core."""
    pytest.importorskip("torch")
    pytest.importorskip("albumentations")
    from models.keypoints import KeypointShape
    from models.locator import LocatorShape
    from models.options import profile

    options = replace(
        profile("small"),
        minutes=5.0,
        max_steps=6,
        warm=12,
        crop_batch=4,
        film_batch=4,
        crop_capacity=64,
        film_capacity=64,
        validation_films=4,
        log_s=0.2,
        save_s=0.5,
        keypoints=KeypointShape(crop=96, width=12, depth=1),
        locator=LocatorShape(picture=96, width=4),
    )
    return replace(options, **changes)
