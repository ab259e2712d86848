"""From developed pictures to stored crops, on the training device."""

from __future__ import annotations

from collections.abc import Callable, Sequence
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
TILES = 6
LEVELS = 64
STROKES = 4
LUMINANCE = (
    (16, 11, 10, 16, 24, 40, 51, 61),
    (12, 12, 14, 19, 26, 58, 60, 55),
    (14, 13, 16, 24, 40, 57, 69, 56),
    (14, 17, 22, 29, 51, 87, 80, 62),
    (18, 22, 37, 56, 68, 109, 103, 77),
    (24, 35, 55, 64, 81, 104, 113, 92),
    (49, 64, 78, 87, 103, 121, 120, 101),
    (72, 92, 95, 98, 112, 100, 103, 99),
)
"""Quantisation of an 8 x 8 block's cosines at quality 50: ITU-T T.81, table K.1."""


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


def equalised(picture: Tensor, clip: Tensor) -> Tensor:
    """Contrast-limited adaptive equalisation of (N, S, S), as consoles' local contrast.

    Each of `TILES` squared tiles has its own curve, mixed bilinearly between tiles; `clip` (N,):
    how many times its even share a grey level may count (Pizer et al. 1987).
    """
    number, size = len(picture), picture.shape[-1]
    level = (picture * (LEVELS - 1)).round().long()
    at = torch.arange(size, device=picture.device)
    tile = (at * TILES).div(size, rounding_mode="floor")
    which = tile[:, None] * TILES + tile[None, :]
    index = (which[None] * LEVELS + level).flatten(1)
    counts = torch.zeros((number, TILES * TILES * LEVELS), device=picture.device)
    counts.scatter_add_(1, index, torch.ones_like(index, dtype=counts.dtype))
    counts = counts.view(number, TILES, TILES, LEVELS)
    total = counts.sum(dim=-1, keepdim=True)
    limit = clip[:, None, None, None] * total / LEVELS
    kept = torch.minimum(counts, limit)
    kept = kept + (total - kept.sum(dim=-1, keepdim=True)) / LEVELS
    curves = (kept.cumsum(dim=-1) / total.clamp(min=1.0)).flatten(1)
    place = (at + 0.5) * TILES / size - 0.5
    low = place.floor().clamp(0, TILES - 1).long()
    high = (place.floor() + 1).clamp(0, TILES - 1).long()
    share = (place - place.floor()).to(picture.dtype)
    result = torch.zeros_like(picture)
    for rows, down in ((low, 1.0 - share), (high, share)):
        for columns, across in ((low, 1.0 - share), (high, share)):
            tiles = rows[:, None] * TILES + columns[None, :]
            found = torch.gather(curves, 1, (tiles[None] * LEVELS + level).flatten(1))
            result += found.view_as(picture) * (down[:, None] * across[None, :])
    return result


def blocky(picture: Tensor, quality: Tensor) -> Tensor:
    """(N, S, S) through the lossy half of a baseline JPEG of (N,) quality, 1 to 99."""
    number, size, device = len(picture), picture.shape[-1], picture.device
    whole = size // 8 * 8
    k = torch.arange(8, device=device, dtype=torch.float32)
    cosine = torch.cos((2 * k[None, :] + 1) * k[:, None] * np.pi / 16) / 2.0
    cosine[0] /= np.sqrt(2.0)
    blocks = picture[:, :whole, :whole].reshape(number, whole // 8, 8, whole // 8, 8)
    blocks = blocks.permute(0, 1, 3, 2, 4) * 255.0 - 128.0
    scale = torch.where(quality < 50, 50.0 / quality, 2.0 - quality / 50.0)
    table = torch.tensor(LUMINANCE, device=device, dtype=torch.float32)
    steps = (table * scale[:, None, None]).round().clamp(min=1.0)[:, None, None]
    kept = torch.round(cosine @ blocks @ cosine.T / steps) * steps
    grey = ((cosine.T @ kept @ cosine + 128.0) / 255.0).clamp(0.0, 1.0)
    result = picture.clone()
    result[:, :whole, :whole] = grey.permute(0, 1, 3, 2, 4).reshape(number, whole, whole)
    return result


def weathered(picture: Tensor, generator: torch.Generator) -> Tensor:
    """Local contrast, shading, softness, marks, covered patches and compression.

    (N, S, S), 0 to 1, each by its own draw.
    """
    number, size, device = len(picture), picture.shape[-1], picture.device

    def draw(*shape: int) -> Tensor:
        return torch.rand((number, *shape), device=device, generator=generator)

    share = draw(1, 1) * (draw(1, 1) < 0.3)
    picture = picture + share * (equalised(picture, 1.0 + 4.0 * draw()) - picture)
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
    result = torch.where(strokes(number, size, draw), 0.85 + 0.15 * draw(1, 1), result)
    packed = draw(1, 1) < 0.2
    return torch.where(packed, blocky(result, 25.0 + 65.0 * draw()), result)


def strokes(number: int, size: int, draw: Callable[..., Tensor]) -> Tensor:
    """(N, S, S): where something like a lead letter or a wire lies; on a fifth of the pictures."""
    at = torch.arange(size, device=draw().device) / size
    centre, reach = draw(2), 0.02 + 0.06 * draw()
    width = 0.003 + 0.006 * draw()
    covered = torch.zeros((number, size, size), dtype=torch.bool, device=at.device)
    for _ in range(STROKES):
        one = centre + (draw(2) * 2 - 1) * reach[:, None]
        way = (draw(2) * 2 - 1) * reach[:, None]
        long = (way**2).sum(dim=1).clamp(min=1e-8)[:, None, None]
        dx = at[None, None, :] - one[:, 0, None, None]
        dy = at[None, :, None] - one[:, 1, None, None]
        along = ((dx * way[:, 0, None, None] + dy * way[:, 1, None, None]) / long).clamp(0.0, 1.0)
        off = (dx - along * way[:, 0, None, None]) ** 2 + (dy - along * way[:, 1, None, None]) ** 2
        covered |= off < (width**2)[:, None, None]
    return covered & (draw(1, 1) < 0.2)


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
