"""`codec` for training and export: the same maps and points, as differentiable tensors.

Gaussians and windows are products of a row and a column part, so everything here is one matrix
product per map and never a second array of the maps' size.
"""

from __future__ import annotations

import torch
from torch import Tensor

from models.codec import WINDOW


def gaussian_sides(
    xy: Tensor, cells: int, stride: int, sigma: float = 1.0
) -> tuple[Tensor, Tensor]:
    """(B, K, 2) crop pixels to the two parts (B, K, cells), across and down, of Gaussian maps.

    Their outer product is `codec.encode`.
    """
    at = ((xy + 0.5) / stride - 0.5).clamp(-0.5, cells - 0.5)
    grid = torch.arange(cells, device=xy.device, dtype=xy.dtype)
    across = torch.softmax(-0.5 * ((grid - at[..., 0:1]) / sigma) ** 2, dim=-1)
    down = torch.softmax(-0.5 * ((grid - at[..., 1:2]) / sigma) ** 2, dim=-1)
    return across, down


def cross_entropy(logits: Tensor, xy: Tensor, stride: int, sigma: float = 1.0) -> Tensor:
    """(B, K, cells, cells) logits against Gaussians at (B, K, 2) crop pixels: (B, K) nats."""
    cells = logits.shape[-1]
    across, down = gaussian_sides(xy, cells, stride, sigma)
    log_p = torch.log_softmax(logits.flatten(2), dim=-1).reshape(logits.shape)
    by_row = torch.matmul(log_p, across[..., None])[..., 0]
    return -(by_row * down).sum(dim=-1)


def read_maps(logits: Tensor, stride: int, window: int = WINDOW) -> tuple[Tensor, Tensor, Tensor]:
    """Points from maps, in float32 whatever the maps are in (`codec.decode`).

    Returns:
        (B, K, 2) crop pixels; (B, K, cells * cells) softmax over the whole map; (B, K, 3) spread
        of that softmax about the point, without gradient: log sd along x and y in cells, and
        their correlation.
    """
    batch, count, cells, _ = logits.shape
    flat = logits.float().reshape(batch, count, cells * cells)
    p = torch.softmax(flat, dim=-1)
    maps = p.reshape(batch, count, cells, cells)
    peak = flat.argmax(dim=-1, keepdim=True)
    index = torch.arange(cells, device=logits.device)
    row = torch.div(peak, cells, rounding_mode="floor")
    near_row = ((index - row).abs() <= window).float()
    near_column = ((index - (peak - row * cells)).abs() <= window).float()
    # counted from the middle of the map, to lose no digits
    grid = index.float() - (cells - 1) / 2
    sides = torch.stack([near_column, near_column * grid], dim=-1)
    mass, moment = torch.matmul(maps, sides).unbind(dim=-1)
    mass, moment = mass * near_row, moment * near_row
    total = mass.sum(dim=-1)
    at_x, at_y = moment.sum(dim=-1) / total, (mass * grid).sum(dim=-1) / total
    with torch.no_grad():
        powers = torch.stack([torch.ones_like(grid), grid, grid * grid], dim=-1)
        m0, m1, m2 = torch.matmul(maps, powers).unbind(dim=-1)
        x, y = m1.sum(dim=-1), (m0 * grid).sum(dim=-1)
        xx = m2.sum(dim=-1) - 2 * at_x * x + at_x**2
        yy = (m0 * grid * grid).sum(dim=-1) - 2 * at_y * y + at_y**2
        xy = (m1 * grid).sum(dim=-1) - at_x * y - at_y * x + at_x * at_y
        xx, yy = xx.clamp(min=0.0) + 0.01, yy.clamp(min=0.0) + 0.01
        spread = torch.stack(
            [0.5 * torch.log(xx), 0.5 * torch.log(yy), xy / torch.sqrt(xx * yy)], dim=-1
        )
    at = torch.stack([at_x, at_y], dim=-1) + (cells - 1) / 2
    return (at + 0.5) * stride - 0.5, p, spread
