"""What the networks are trained to get right.

Landmark places: cross-entropy of each map against a Gaussian at the truth, and the distance of the
point read from it. Covariances: a Gaussian likelihood whose tails are linear, on the error of a
place that this term cannot move. Angles: Gaussian likelihood.

On a lateral film the two condyles may be impossible to tell apart. There the truth is a mixture of
two explanations: the network's medial is medial, or everything is the other way round (paired
landmarks change places, rotation and tilt change sign). Both are scored, the network says how
probable the second is, and each explanation is trained by its share of the blame. Early on the
first counts alone, so that the names settle.
"""

from __future__ import annotations

from functools import cache

import torch
from torch import Tensor
from torch.nn import functional as F

from models.channels import ANGLE_SCALE, PAIRED, SWAPPED, VIEWS
from models.codec_torch import cross_entropy
from models.keypoints import STRIDE as MAP_STRIDE
from models.keypoints import KeypointOutput, covariance_of
from models.locator import STRIDE as GRID_STRIDE
from models.locator import LocatorOutput

LATERAL = VIEWS.index("lateral")
NONE = VIEWS.index("none")
HIDDEN_WEIGHT = 0.3
EDGE = 6.0
"""Pixels by which a point may lie outside the crop and still be placed at its border."""


def mahalanobis_loss(error: Tensor, spread: Tensor) -> Tensor:
    """(..., 2) pixels and (..., 3) spread to (...): log-likelihood loss, linear beyond 3 sd."""
    covariance = covariance_of(spread)
    xx, yy, xy = covariance[..., 0, 0], covariance[..., 1, 1], covariance[..., 0, 1]
    det = xx * yy - xy * xy
    dx, dy = error[..., 0], error[..., 1]
    square = (yy * dx * dx - 2 * xy * dx * dy + xx * dy * dy) / det
    tail = 3.0 * torch.sqrt(square.clamp(min=1e-6)) - 4.5
    return 0.5 * torch.log(det) + torch.where(square < 9.0, 0.5 * square, tail)


def angle_loss(error: Tensor, log_sd: Tensor) -> Tensor:
    """Log-likelihood loss of angles, linear beyond 3 sd; units of `ANGLE_SCALE` degrees."""
    z = error.abs() * torch.exp(-log_sd)
    return log_sd + torch.where(z < 3.0, 0.5 * z * z, 3.0 * z - 4.5)


def _mean(value: Tensor, weight: Tensor) -> Tensor:
    return (value * weight).sum() / weight.sum().clamp(min=1.0)


@cache
def _constants(device: torch.device) -> tuple[Tensor, Tensor, Tensor]:
    """`SWAPPED`, `PAIRED` and the signs of exchanged angles: sent once, since sending waits."""
    return (
        torch.as_tensor(SWAPPED, device=device),
        torch.as_tensor(PAIRED, device=device).float(),
        torch.tensor([-1.0, -1.0, 1.0], device=device),
    )


def keypoint_loss(
    out: KeypointOutput, batch: dict[str, Tensor], crop: int, settled: float
) -> tuple[Tensor, dict[str, Tensor]]:
    """Total and its parts.

    Args:
        out: of B crops.
        batch: xy (B, 52, 2) crop pixels, known, seen (B, 52), view (B,), flipped (B,),
            angles (B, 3) degrees, posed (B,), found (B, 2).
        crop: side of the crop, pixels.
        settled: 0..1, how far names on laterals may be exchanged.
    """
    xy, known, view = batch["xy"], batch["known"], batch["view"]
    inside = ((xy > -0.5 - EDGE) & (xy < crop - 0.5 + EDGE)).all(dim=-1).float()
    near = known * ((xy > -0.5 * crop) & (xy < 1.5 * crop)).all(dim=-1).float()
    weight = known * inside * (HIDDEN_WEIGHT + (1.0 - HIDDEN_WEIGHT) * batch["seen"])
    seen = batch["seen"] * inside

    order, paired, sign = _constants(xy.device)
    lateral = (view == LATERAL).float()
    target = torch.where(known[..., None] > 0, xy, torch.zeros_like(xy))
    other = target[:, order]

    # which way round: compare what the two explanations would cost
    at = out.xy.detach()
    cost_as_named = mahalanobis_loss(at - target, out.spread)
    cost_swapped = mahalanobis_loss(at - other, out.spread)
    share = paired * weight * weight[:, order]
    total = share.sum(dim=1).clamp(min=1.0)
    gap = 2.0 * ((cost_swapped - cost_as_named) * share).sum(dim=1) / total
    want = batch["angles"] / ANGLE_SCALE
    angles = torch.where((lateral > 0)[:, None], out.angles[:, 1], out.angles[:, 0])
    log_sd = torch.where((lateral > 0)[:, None], out.angle_spread[:, 1], out.angle_spread[:, 0])
    pose_as_named = angle_loss(angles - want, log_sd).sum(dim=1)
    pose_swapped = angle_loss(angles - want * sign, log_sd).sum(dim=1)
    posed = batch["posed"]
    evidence = gap.detach() + (pose_swapped - pose_as_named) * posed
    named = F.logsigmoid(-out.swapped)
    swapped = F.logsigmoid(out.swapped) - evidence
    mixture = pose_as_named * posed - torch.logaddexp(named, swapped)
    alone = pose_as_named * posed
    exchange = torch.sigmoid(swapped - named).detach() * lateral * settled
    has_pose = posed * (view < 2).float()
    pose = _mean(
        torch.where(lateral > 0, settled * mixture + (1 - settled) * alone, alone), has_pose
    )
    # before names may be exchanged, the chance of exchange learns nothing
    rate = (exchange[:, None] * paired)[..., None]

    as_named = cross_entropy(out.maps, target, MAP_STRIDE)
    exchanged = cross_entropy(out.maps, other, MAP_STRIDE)
    heat = _mean(as_named + (exchanged - as_named) * rate[..., 0], weight)
    distance = (1 - rate[..., 0]) * F.smooth_l1_loss(
        out.xy, target, reduction="none", beta=2.0
    ).sum(dim=-1) + rate[..., 0] * F.smooth_l1_loss(out.xy, other, reduction="none", beta=2.0).sum(
        dim=-1
    )
    place = _mean(distance.clamp(max=200.0), weight)
    spread = _mean(cost_as_named * (1 - rate[..., 0]) + cost_swapped * rate[..., 0], near)

    is_knee = (view != NONE).float()
    see = _mean(F.binary_cross_entropy_with_logits(out.seen, seen, reduction="none"), known)
    look = F.cross_entropy(out.view, view, label_smoothing=0.01)
    flip = _mean(
        F.binary_cross_entropy_with_logits(out.flipped, batch["flipped"], reduction="none"),
        is_knee,
    )
    has = F.binary_cross_entropy_with_logits(out.found, batch["found"], reduction="none")
    has_what = _mean(has.mean(dim=1), is_knee)
    parts = {
        "heat": heat,
        "place": place,
        "spread": spread,
        "seen": see,
        "view": look,
        "flip": flip,
        "pose": pose,
        "has": has_what,
    }
    loss = heat + 0.2 * place + 0.1 * spread + 0.15 * pose
    loss = loss + 0.2 * see + 0.4 * look + 0.2 * flip + 0.2 * has_what
    tip, tip_place = tip_loss(out.tips, batch["tips"], batch["view"] != NONE)
    parts |= {"tip": tip, "tip_place": tip_place}
    loss = loss + 0.3 * tip + 0.3 * tip_place
    return loss, {name: part.detach() for name, part in parts.items()}


def focal_loss(heat: Tensor, target: Tensor) -> Tensor:
    """Penalty-reduced focal loss of CornerNet (Law & Deng 2018, eq. 1), from memory; logits."""
    p = torch.sigmoid(heat).clamp(1e-5, 1 - 1e-5)
    peak = (target > 0.999).float()
    hit = -peak * (1 - p) ** 2 * torch.log(p)
    miss = -(1 - peak) * (1 - target) ** 4 * p**2 * torch.log(1 - p)
    return (hit + miss).sum() / peak.sum().clamp(min=1.0)


def tip_loss(out: Tensor, tips: Tensor, is_knee: Tensor) -> tuple[Tensor, Tensor]:
    """Heat and place of instruments' tips: (B, 3, h, h) against (B, T, 2) crop pixels."""
    cells = out.shape[-1]
    grid = torch.arange(cells, device=out.device, dtype=torch.float32)
    at = (tips + 0.5) / MAP_STRIDE - 0.5
    valid = ((at > -0.5) & (at < cells - 0.5)).all(dim=-1).float() * is_knee[:, None].float()
    cell = at.round().clamp(0, cells - 1)

    def square(centre: Tensor) -> Tensor:
        x = (grid - centre[..., 0, None]) ** 2
        y = (grid - centre[..., 1, None]) ** 2
        return y[..., :, None] + x[..., None, :]

    heat = (torch.exp(-0.5 * square(cell) / 1.2**2) * valid[..., None, None]).amax(dim=1)
    distance = torch.where(valid[..., None, None] > 0, square(at), torch.full_like(grid, 1e6)[0])
    nearest, which = distance.min(dim=1)
    index = which.flatten(1)[..., None].expand(-1, -1, 2)
    want = torch.gather(at, 1, index).reshape(*which.shape, 2).permute(0, 3, 1, 2)
    here = torch.stack(torch.broadcast_tensors(grid[None, :], grid[:, None]))
    error = (out[:, 1:] - (want - here)).abs().sum(dim=1)
    return focal_loss(out[:, 0], heat), _mean(error, (nearest < 2.5).float())


def locator_targets(knees: Tensor, cells: int) -> tuple[Tensor, Tensor, Tensor]:
    """From (B, M, 8) knees: heat (B, h, h), nearest knee (B, h, h, 8), weight (B, h, h).

    The heat is 1 at the cell that holds the centre and falls off with the knee's size; the
    weight is 1 within one and a half cells of a centre, where the other outputs are asked for.
    """
    grid = torch.arange(cells, device=knees.device, dtype=torch.float32)
    at = (knees[..., :2] + 0.5) / GRID_STRIDE - 0.5
    valid = knees[..., 7]
    sigma = (0.08 * knees[..., 2] / GRID_STRIDE).clamp(0.7, 2.0)[..., None, None]
    cell = at.round().clamp(0, cells - 1)
    from_cell = (grid[None, None, None, :] - cell[..., 0, None, None]) ** 2
    from_cell = from_cell + (grid[None, None, :, None] - cell[..., 1, None, None]) ** 2
    heat = torch.exp(-0.5 * from_cell / sigma**2) * valid[..., None, None]
    exact = (grid[None, None, None, :] - at[..., 0, None, None]) ** 2
    exact = exact + (grid[None, None, :, None] - at[..., 1, None, None]) ** 2
    exact = torch.where(valid[..., None, None] > 0, exact, torch.full_like(exact, 1e6))
    distance, which = exact.min(dim=1)
    index = which.flatten(1)[..., None].expand(-1, -1, knees.shape[-1])
    nearest = torch.gather(knees, 1, index).reshape(*which.shape, knees.shape[-1])
    return heat.amax(dim=1), nearest, (distance < 2.25).float()


def locator_loss(out: LocatorOutput, knees: Tensor) -> tuple[Tensor, dict[str, Tensor]]:
    """Total and its parts."""
    cells = out.heat.shape[-1]
    heat, nearest, weight = locator_targets(knees, cells)
    found = focal_loss(out.heat, heat)
    grid = torch.arange(cells, device=knees.device, dtype=torch.float32)
    at = torch.stack(torch.broadcast_tensors(grid[None, :], grid[:, None]))
    offset = (nearest[..., :2].permute(0, 3, 1, 2) + 0.5) / GRID_STRIDE - 0.5 - at
    place = _mean((out.offset - offset).abs().sum(dim=1), weight)
    size = _mean((out.log_width - torch.log(nearest[..., 2].clamp(min=1.0))).abs(), weight)
    turn = _mean((out.up - nearest[..., 3:5].permute(0, 3, 1, 2)).abs().sum(dim=1), weight)
    view = _mean(F.cross_entropy(out.view, nearest[..., 5].long(), reduction="none"), weight)
    side = _mean(
        F.binary_cross_entropy_with_logits(out.lateral_to_right, nearest[..., 6], reduction="none"),
        weight,
    )
    parts = {
        "found": found,
        "centre": place,
        "size": size,
        "turn": turn,
        "which_view": view,
        "side": side,
    }
    loss = found + place + 2.0 * size + 2.0 * turn + 0.5 * view + 0.5 * side
    return loss, {name: part.detach() for name, part in parts.items()}
