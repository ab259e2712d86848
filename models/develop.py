"""From developed pictures to stored crops, on the training device."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor
from torch.nn import functional as F

from models.geometry import MIDDLE_GREY
from models.samples import OVERSAMPLED
from pipeline.contracts import Developer

HOLES = 2


@dataclass(frozen=True)
class FedScene:
    """A packed scene and the labels of its looks (`samples.label_record`)."""

    packed: dict[str, NDArray[Any]]
    labels: NDArray[np.void]


def normalised(picture: Tensor, inside: Tensor) -> Tensor:
    """`geometry.normalise` of (N, S, S) pictures at once."""
    few = (slice(None), slice(None, None, 2), slice(None, None, 2))
    values, on_film = picture[few].flatten(1), inside[few].flatten(1)
    telling = on_film & (values > 0.004) & (values < 0.996)
    enough = telling.sum(dim=1) * 4 >= on_film.sum(dim=1)
    used = torch.where(enough[:, None], telling, on_film)
    low, high = (_quantile(values, used, share) for share in (0.01, 0.99))
    reach = (high - low).clamp(min=1e-4)
    tissue = ((values - low) / reach).clamp(0.0, 1.0)
    middle = _quantile(tissue, used & (tissue > 0.1), 0.5)
    power = np.log(MIDDLE_GREY) / torch.log(middle.clamp(0.01, 0.99))
    scaled = ((picture - low[:, :, None]) / reach[:, :, None]).clamp(0.0, 1.0)
    result = scaled ** power.clamp(0.5, 4.0)[:, :, None]
    plain = (high - low > 1e-4) & (used.sum(dim=1, keepdim=True) >= 16)
    return result * inside * plain[:, :, None]


def _quantile(values: Tensor, used: Tensor, share: float) -> Tensor:
    """(N, 1) of those of (N, M) values that are used; `MIDDLE_GREY` where none is."""
    ordered = torch.where(used, values, torch.inf).sort(dim=1).values
    count = used.sum(dim=1, keepdim=True)
    place = share * (count - 1).clamp(min=0)
    below = place.floor().long()
    above = torch.minimum(below + 1, (count - 1).clamp(min=0))
    low, high = torch.gather(ordered, 1, below), torch.gather(ordered, 1, above)
    mixed = low + (high - low) * (place - below)
    return torch.where(count > 0, mixed, torch.full_like(mixed, MIDDLE_GREY))


def weathered(picture: Tensor, generator: torch.Generator) -> Tensor:
    """Shading, softness and covered patches: (N, S, S), 0 to 1, each by its own draw."""
    number, size, device = len(picture), picture.shape[-1], picture.device

    def draw(*shape: int) -> Tensor:
        return torch.rand((number, *shape), device=device, generator=generator)

    slow = (draw(1, 3, 3) * 2 - 1) * (0.05 + 0.17 * draw(1, 1, 1))
    slow = F.interpolate(slow, size=(size, size), mode="bicubic", align_corners=True)[:, 0]
    result = (picture + slow * (draw(1, 1) < 0.3)).clamp(0.0, 1.0)
    # a coarse copy of itself, as of a film kept in few pixels
    step = 2
    small = F.interpolate(
        F.avg_pool2d(result[:, None], step), size=(size, size), mode="bilinear", align_corners=False
    )[:, 0]
    result = torch.where(draw(1, 1) < 0.12, small, result)
    at = torch.arange(size, device=device) / size
    for _ in range(HOLES):
        x, y, w, h, grey = (draw(1, 1) for _ in range(5))
        w, h = 0.04 + 0.14 * w, 0.04 + 0.14 * h
        hole = ((at[None, None, :] - x).abs() < w / 2) & ((at[None, :, None] - y).abs() < h / 2)
        result = torch.where(hole & (draw(1, 1) < 0.1), grey, result)
    return result


def crops_of(
    scenes: Sequence[FedScene], developer: Developer, generator: torch.Generator
) -> dict[str, Tensor]:
    """Stored crops as tensors, those that could not be drawn left out."""
    fine, on_film = developer.develop([scene.packed for scene in scenes])
    picture = F.avg_pool2d(fine[:, None], OVERSAMPLED)[:, 0]
    inside = on_film[:, ::OVERSAMPLED, ::OVERSAMPLED]
    picture = normalised(weathered(normalised(picture, inside), generator), inside)
    drawable = np.concatenate([scene.packed["drawable"] for scene in scenes])
    labels = np.concatenate([scene.labels for scene in scenes])[drawable]
    kept = torch.from_numpy(np.flatnonzero(drawable)).to(picture.device)
    batch = {
        name: torch.from_numpy(np.ascontiguousarray(labels[name]))
        for name in labels.dtype.names or ()
    }
    batch["picture"] = torch.round(picture[kept] * 255.0).to(torch.uint8)
    return batch
