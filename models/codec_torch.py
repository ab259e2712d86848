"""`codec` for training and export: the same maps and points, as differentiable tensors."""

from __future__ import annotations

import torch
from torch import Tensor

from models.codec import WINDOW


def gaussian_maps(xy: Tensor, cells: int, stride: int, sigma: float = 1.0) -> Tensor:
    """(B, K, 2) crop pixels to (B, K, cells, cells) maps that sum to 1 (`codec.encode`)."""
    at = ((xy + 0.5) / stride - 0.5).clamp(-0.5, cells - 0.5)
    grid = torch.arange(cells, device=xy.device, dtype=xy.dtype)
    across = torch.softmax(-0.5 * ((grid - at[..., 0:1]) / sigma) ** 2, dim=-1)
    down = torch.softmax(-0.5 * ((grid - at[..., 1:2]) / sigma) ** 2, dim=-1)
    return down[..., :, None] * across[..., None, :]


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
    peak = flat.argmax(dim=-1, keepdim=True)
    index = torch.arange(cells * cells, device=logits.device)
    column, row = index % cells, torch.div(index, cells, rounding_mode="floor")
    peak_column, peak_row = peak % cells, torch.div(peak, cells, rounding_mode="floor")
    near = ((column - peak_column).abs() <= window) & ((row - peak_row).abs() <= window)
    local = p * near.float()
    local = local / local.sum(dim=-1, keepdim=True)
    x, y = column.float(), row.float()
    at_x, at_y = (local * x).sum(dim=-1), (local * y).sum(dim=-1)
    with torch.no_grad():
        dx, dy = x - at_x[..., None], y - at_y[..., None]
        xx, yy = (p * dx * dx).sum(dim=-1) + 0.01, (p * dy * dy).sum(dim=-1) + 0.01
        xy = (p * dx * dy).sum(dim=-1)
        spread = torch.stack(
            [0.5 * torch.log(xx), 0.5 * torch.log(yy), xy / torch.sqrt(xx * yy)], dim=-1
        )
    points = (torch.stack([at_x, at_y], dim=-1) + 0.5) * stride - 0.5
    return points, p, spread
