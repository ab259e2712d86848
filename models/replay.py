"""A ring of samples on the training device, and the cheap disturbances made there.

The crops' small turn, zoom and shift here come on top of the jitter they were cut with: the
stored crop is wider than what the network sees.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import fields

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor
from torch.nn import functional as F

from models.samples import CropSample, FilmSample, wide_size

Samples = Sequence[CropSample] | Sequence[FilmSample] | Sequence[NDArray[np.void]]
"""Samples one by one, or as arrays of their records."""


def stacked(samples: Samples) -> dict[str, Tensor]:
    """Samples of one kind as tensors with a leading batch axis."""
    first = samples[0]
    if isinstance(first, np.ndarray):
        return {
            name: torch.from_numpy(np.concatenate([part[name] for part in samples]))  # type: ignore[index]
            for name in first.dtype.names or ()
        }
    return {
        field.name: torch.from_numpy(
            np.stack([np.asarray(getattr(sample, field.name)) for sample in samples])
        )
        for field in fields(first)
    }


class Ring:
    """The last `capacity` samples of one kind; everything stays on `device`."""

    def __init__(self, capacity: int, device: torch.device) -> None:
        self.capacity = capacity
        self.device = device
        self.count = 0
        self._next = 0
        self._store: dict[str, Tensor] = {}

    def add(self, samples: Samples) -> None:
        """Adds samples, the oldest making room."""
        self.put(stacked(samples) if len(samples) else {})

    def put(self, batch: Mapping[str, Tensor]) -> None:
        """Adds samples that are tensors already, on the device or not."""
        number = len(next(iter(batch.values()))) if batch else 0
        if not number:
            return
        if number > self.capacity:
            batch = {name: value[-self.capacity :] for name, value in batch.items()}
            number = self.capacity
        if not self._store:
            self._store = {
                name: torch.zeros(
                    (self.capacity, *value.shape[1:]), dtype=value.dtype, device=self.device
                )
                for name, value in batch.items()
            }
        index = (torch.arange(number) + self._next) % self.capacity
        index = self._sent(index)
        for name, value in batch.items():
            self._store[name].index_copy_(0, index, self._sent(value))
        self._next = (self._next + number) % self.capacity
        self.count = min(self.count + number, self.capacity)

    def _sent(self, value: Tensor) -> Tensor:
        """On the device; from pinned memory, so that a GPU need not wait for it."""
        if self.device.type == "cuda" and not value.is_cuda:
            return value.pin_memory().to(self.device, non_blocking=True)
        return value

    def draw(self, number: int, generator: torch.Generator) -> dict[str, Tensor]:
        """`number` samples at random, with replacement."""
        index = torch.randint(self.count, (number,), device=self.device, generator=generator)
        return {name: value[index] for name, value in self._store.items()}

    def all(self) -> dict[str, Tensor]:
        """Everything held, in the order it was added while the ring is not full."""
        return {name: value[: self.count] for name, value in self._store.items()}


def crop_batch(
    stored: dict[str, Tensor], crop: int, generator: torch.Generator | None
) -> dict[str, Tensor]:
    """What the network is given: (B, 1, crop, crop) 0..1 and `xy` in its pixels.

    Without a generator the middle of each stored crop, undisturbed. Crop pixel u shows stored
    pixel v = A (u - middle) + middle' + shift, and `xy` goes the other way.
    """
    wide = stored["picture"]
    if wide.shape[-1] != wide_size(crop):
        raise ValueError(f"expected stored crops of {wide_size(crop)} pixels, got {wide.shape}")
    margin = (wide.shape[-1] - crop) // 2
    batch = dict(stored)
    if generator is None:
        part = wide[:, margin : margin + crop, margin : margin + crop]
        batch["picture"] = part[:, None].float() / 255.0
        batch["xy"] = stored["xy"] - margin
        batch["tips"] = stored["tips"] - margin
        return batch
    number, device = len(wide), wide.device

    def even(half: float) -> Tensor:
        return (torch.rand(number, device=device, generator=generator) * 2 - 1) * half

    turn, grown = even(math.radians(8.0)), torch.exp(even(0.08))
    shift = torch.stack([even(0.05 * crop), even(0.05 * crop)], dim=-1)
    c, s = torch.cos(turn) * grown, torch.sin(turn) * grown
    linear = torch.stack([torch.stack([c, -s], -1), torch.stack([s, c], -1)], -2)
    middle, wide_middle = (crop - 1) / 2, (wide.shape[-1] - 1) / 2
    axis = torch.arange(crop, device=device, dtype=torch.float32) - middle
    u = torch.stack(torch.broadcast_tensors(axis[None, :], axis[:, None]), dim=-1)
    v = torch.einsum("bij,hwj->bhwi", linear, u) + (wide_middle + shift)[:, None, None]
    grid = (v + 0.5) * (2.0 / wide.shape[-1]) - 1.0
    picture = F.grid_sample(
        wide[:, None].float() / 255.0, grid, padding_mode="zeros", align_corners=False
    )
    batch["picture"] = picture
    # the inverse of a turn and a zoom, without asking the device whether there is one
    back = linear.transpose(1, 2) / (grown**2)[:, None, None]
    for name in ("xy", "tips"):
        moved = stored[name] - (wide_middle + shift)[:, None]
        batch[name] = torch.einsum("bij,bkj->bki", back, moved) + middle
    batch["picture"] = disturbed(picture, generator)
    return batch


def disturbed(picture: Tensor, generator: torch.Generator) -> Tensor:
    """Gamma, contrast, brightness, blur and noise of (B, 1, S, S), each by its own draw."""
    number, device = len(picture), picture.device

    def draw(*shape: int) -> Tensor:
        return torch.rand((number, *shape), device=device, generator=generator)

    gamma = torch.exp((draw(1, 1, 1) * 2 - 1) * 0.35)
    gain = torch.exp((draw(1, 1, 1) * 2 - 1) * 0.15)
    lift = (draw(1, 1, 1) * 2 - 1) * 0.06
    result = ((picture.clamp(min=1e-4) ** gamma - 0.5) * gain + 0.5 + lift).clamp(0.0, 1.0)
    soft = F.avg_pool2d(F.pad(result, (1, 1, 1, 1), mode="replicate"), 3, 1)
    # below 0 sharpens, above 0 blurs
    amount = (draw(1, 1, 1) * 1.2 - 0.6) * (draw(1, 1, 1) < 0.5)
    result = result + amount * (soft - result)
    noise = torch.randn(picture.shape, device=device, generator=generator)
    level = 0.03 * draw(1, 1, 1) ** 2
    return (result + level * noise).clamp(0.0, 1.0)


def film_batch(stored: dict[str, Tensor], generator: torch.Generator | None) -> dict[str, Tensor]:
    """Locator pictures (B, 1, S, S) 0..1 and `knees` (B, M, 8).

    Where a generator is given, every film is turned, mirrored, zoomed and shifted, as a knee may
    lie small and anywhere on a film of the whole leg; one in four shows a strip of another film
    at its edge, as the other leg does; and all grey values are disturbed.
    """
    picture, knees = stored["picture"][:, None].float() / 255.0, stored["knees"]
    if generator is None:
        return {"picture": picture, "knees": knees}
    number, size, device = len(picture), picture.shape[-1], picture.device
    first, knees = _moved(picture, knees, generator)
    # another draw is another film: the next one's, moved anew
    second, others = _moved(picture.roll(1, 0), stored["knees"].roll(1, 0), generator)
    draw = torch.rand((3, number), device=device, generator=generator)
    strip = torch.where(draw[0] < 0.25, (0.08 + 0.3 * draw[1]) * size, 0.0)
    left = draw[2] < 0.5
    low = torch.where(left, strip - 0.5, -1.0)[:, None]
    high = torch.where(left, float(size), size - 0.5 - strip)[:, None]

    def own(x: Tensor) -> Tensor:
        return (x > low) & (x < high)

    column = torch.arange(size, device=device, dtype=torch.float32)[None]
    whole = torch.where(own(column)[:, None, None, :], first, second)
    knees[..., 7] *= own(knees[..., 0])
    others[..., 7] *= ~own(others[..., 0])
    return {"picture": disturbed(whole, generator), "knees": torch.cat([knees, others], dim=1)}


def _moved(picture: Tensor, knees: Tensor, generator: torch.Generator) -> tuple[Tensor, Tensor]:
    """Each film by its own turn, mirror, zoom (mostly out) and shift; knees that leave are gone.

    Picture pixel u shows old pixel v = A (u - middle) + middle + shift.
    """
    number, size, device = len(picture), picture.shape[-1], picture.device

    def even(low: float, high: float) -> Tensor:
        draw = torch.rand(number, device=device, generator=generator)
        return draw * (high - low) + low

    turn = even(-1.0, 1.0) ** 3 * math.radians(30.0)
    grown = torch.exp(torch.where(even(0.0, 1.0) < 0.6, even(-0.25, 0.6), even(-0.05, 0.05)))
    mirror = torch.where(even(0.0, 1.0) < 0.5, -1.0, 1.0)
    # a film made small may lie anywhere in the picture
    reach = (0.06 + 0.45 * (grown - 1.0).clamp(min=0.0)) * size
    shift = torch.stack([even(-1.0, 1.0) * reach, even(-1.0, 1.0) * reach], dim=-1)
    c, s = torch.cos(turn) * grown, torch.sin(turn) * grown
    linear = torch.stack([torch.stack([c * mirror, -s], -1), torch.stack([s * mirror, c], -1)], -2)
    middle = (size - 1) / 2
    axis = torch.arange(size, device=device, dtype=torch.float32) - middle
    u = torch.stack(torch.broadcast_tensors(axis[None, :], axis[:, None]), dim=-1)
    v = torch.einsum("bij,hwj->bhwi", linear, u) + (middle + shift)[:, None, None]
    grid = (v + 0.5) * (2.0 / size) - 1.0
    result = F.grid_sample(picture, grid, padding_mode="zeros", align_corners=False)
    back = linear.transpose(1, 2) / (grown**2)[:, None, None]
    at = torch.einsum("bij,bkj->bki", back, knees[..., :2] - (middle + shift)[:, None]) + middle
    up = torch.einsum("bij,bkj->bki", back, knees[..., 3:5]) * grown[:, None, None]
    to_right = torch.where(mirror[:, None] < 0, 1.0 - knees[..., 6], knees[..., 6])
    there = knees[..., 7] * ((at > -0.5) & (at < size - 0.5)).all(dim=-1)
    width = knees[..., 2] / grown[:, None]
    rest = [width[..., None], up, knees[..., 5:6], to_right[..., None], there[..., None]]
    return result, torch.cat([at, *rest], dim=-1)
