"""The keypoint network: an oriented crop in, landmarks with covariances and angles out."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import torch
from torch import Tensor, nn

from models.blocks import ConvUnit, Gate, Merge, Residual, Stage
from models.channels import ANGLES, CHANNELS, FOUND, VIEWS
from models.codec_torch import read_maps

STRIDE = 4
FREE = 24
"""Points that the network places for itself, wherever they tell it most about the angles."""

MAX_PEAKS = 6
"""Instruments' tips that a crop can show."""


class KeypointOutput(NamedTuple):
    """What the network says; everything float32, B crops, 52 channels (`channels.CHANNELS`).

    Attributes:
        maps: (B, 52, S / 4, S / 4) unnormalised log-probabilities.
        xy: (B, 52, 2) crop pixels.
        spread: (B, 52, 3) log sd along x, log sd along y (pixels), correlation before tanh.
        seen: (B, 52) logits.
        view: (B, 4) logits in the order of `channels.VIEWS`.
        flipped: (B,) logit that the crop is the mirror image of the canonical form.
        angles: (B, 2, 3) rotation, tilt, flexion in units of `ANGLE_SCALE` degrees; AP, lateral.
        angle_spread: (B, 2, 3) log sd of those.
        swapped: (B,) logit that medial and lateral are the other way round (lateral films).
        found: (B, 2) logits that the knee has what `channels.FOUND` names.
        tips: (B, 3, S / 4, S / 4): logit that an instrument's tip lies in the cell, and its
            distance from the cell's centre, x and y in cells.
    """

    maps: Tensor
    xy: Tensor
    spread: Tensor
    seen: Tensor
    view: Tensor
    flipped: Tensor
    angles: Tensor
    angle_spread: Tensor
    swapped: Tensor
    found: Tensor
    tips: Tensor


@dataclass(frozen=True)
class KeypointShape:
    """Kind and size of the network.

    Attributes:
        crop: side of the crop, pixels, a multiple of 32.
        width, depth: base width and residual blocks a stage; of a network on a backbone the width
            of its decoder alone.
        backbone: empty for `KeypointNet`, else one of `models.backbone_net.BACKBONES`.
    """

    crop: int = 320
    width: int = 48
    depth: int = 2
    backbone: str = ""


class MapNet(nn.Module):
    """What every keypoint network has: a shape, and where landmarks usually lie in a crop.

    Every map starts from a broad Gaussian there (`set_prior`), so that an untrained network
    predicts the mean shape.
    """

    prior: Tensor

    def __init__(self, shape: KeypointShape) -> None:
        super().__init__()
        self.shape = shape
        # usual place in crop sides (x, y) and its spread: flat until set
        flat = torch.tensor([0.5, 0.5, 10.0, 10.0])
        self.register_buffer("prior", flat.repeat(len(CHANNELS), 1))

    @torch.no_grad()
    def set_prior(self, xy: Tensor, known: Tensor) -> None:
        """From (N, 52, 2) crop pixels of training crops and (N, 52) whether they are the truth.

        The spread is twice the one found, so that an odd crop costs a landmark little.
        """
        count = known.sum(dim=0).clamp(min=1.0)[:, None]
        at = torch.where(known[..., None] > 0, (xy + 0.5) / self.shape.crop, 0.0)
        mean = at.sum(dim=0) / count
        spread = (((at - mean) ** 2 * known[..., None]).sum(dim=0) / count).sqrt() * 2.0
        told = known.sum(dim=0) > 8
        fresh = torch.cat([mean.clamp(-0.2, 1.2), spread.clamp(0.05, 1.0)], dim=1)
        self.prior[told] = fresh[told]

    def prior_maps(self) -> Tensor:
        """(52, S / 4, S / 4) log-probabilities, not normalised."""
        cells = self.shape.crop // STRIDE
        at = (torch.arange(cells, device=self.prior.device) + 0.5) / cells
        x = -0.5 * ((at - self.prior[:, 0:1]) / self.prior[:, 2:3]) ** 2
        y = -0.5 * ((at - self.prior[:, 1:2]) / self.prior[:, 3:4]) ** 2
        return y[:, :, None] + x[:, None, :]


class KeypointNet(MapNet):
    """Encoder to 1/32, decoder to 1/4 with skips, maps there; heads for the rest.

    A landmark's covariance and `seen` are read from the features under its own map and from the
    map's own spread. The
    angles are read from the coarsest features, the features under all landmarks and their
    places, and the same of `FREE` points that no landmark is asked of; no gradient flows from
    the angles into the landmarks' places.
    """

    def __init__(self, shape: KeypointShape) -> None:
        super().__init__(shape)
        w, d, count = shape.width, shape.depth, len(CHANNELS)
        fine = w + w // 3
        self.stem = ConvUnit(1, w // 2, 3, 2)
        self.stage4 = Stage(w // 2, w, d)
        self.stage8 = Stage(w, 2 * w, d)
        self.stage16 = Stage(2 * w, 3 * w, d)
        self.stage32 = nn.Sequential(Stage(3 * w, 3 * w, d), Gate(3 * w))
        self.merge16 = Merge(3 * w, 3 * w, 2 * w)
        self.merge8 = Merge(2 * w, 2 * w, 2 * w)
        self.merge4 = Merge(2 * w, w, fine)
        self.look = Residual(fine)
        self.tips = nn.Conv2d(fine, 3, 1)
        self.maps = nn.Conv2d(fine, count, 1)
        nn.init.normal_(self.maps.weight, std=0.01)
        with torch.no_grad():
            assert self.tips.bias is not None
            self.tips.bias[0] = -5.0
        self.point_weight = nn.Parameter(torch.randn(count, fine + 3, 4) * 0.02)
        self.point_bias = nn.Parameter(torch.tensor([1.5, 1.5, 0.0, 1.0]).repeat(count, 1))
        self.summary = nn.Linear(fine, 8)
        self.free = nn.Conv2d(fine, FREE, 1)
        self.free_summary = nn.Linear(fine, 8)
        self.crop_head = nn.Sequential(
            nn.Linear(3 * w, 64), nn.ReLU(), nn.Linear(64, len(VIEWS) + 1 + len(FOUND))
        )
        self.pose_head = nn.Sequential(
            nn.Linear(3 * w + 2 * w + (count + FREE) * 10, 256),
            nn.ReLU(),
            nn.Linear(256, 128),
            nn.ReLU(),
            nn.Linear(128, 2 * 2 * len(ANGLES) + 1),
        )

    def forward(self, picture: Tensor) -> KeypointOutput:
        """(B, 1, S, S), 0 to 1."""
        x4 = self.stage4(self.stem((picture - 0.4) * 3.0))
        x8 = self.stage8(x4)
        x16 = self.stage16(x8)
        x32 = self.stage32(x16)
        y16 = self.merge16(x32, x16)
        y4 = self.look(self.merge4(self.merge8(y16, x8), x4))
        with torch.autocast(picture.device.type, enabled=False):
            maps = self.maps(y4.float()) + self.prior_maps()
            return self._heads(maps, y4.float(), y16.float(), x32.float())

    def _heads(self, maps: Tensor, y4: Tensor, y16: Tensor, x32: Tensor) -> KeypointOutput:
        xy, p, own = read_maps(maps, STRIDE)
        under = torch.bmm(p.detach(), y4.flatten(2).transpose(1, 2))
        point = torch.cat([under, own], dim=-1)
        read = torch.einsum("bkc,kco->bko", point, self.point_weight) + self.point_bias
        spread = torch.cat([read[..., :2].clamp(-3.0, 6.0), read[..., 2:3]], dim=-1)
        whole = x32.mean(dim=(2, 3))
        crop = self.crop_head(whole)
        places = (xy.detach() / self.shape.crop - 0.5) * 4.0
        pose = self.pose_head(
            torch.cat(
                [
                    whole,
                    y16.mean(dim=(2, 3)),
                    torch.relu(self.summary(under)).flatten(1),
                    places.flatten(1),
                    *self._free_points(y4),
                ],
                dim=1,
            )
        )
        angles = pose[:, :12].reshape(-1, 2, 2, len(ANGLES))
        return KeypointOutput(
            maps=maps,
            xy=xy,
            spread=spread,
            seen=read[..., 3],
            view=crop[:, : len(VIEWS)],
            flipped=crop[:, len(VIEWS)],
            angles=angles[:, :, 0],
            angle_spread=angles[:, :, 1].clamp(-4.0, 2.0),
            swapped=pose[:, 12],
            found=crop[:, len(VIEWS) + 1 :],
            tips=self.tips(y4),
        )

    def _free_points(self, y4: Tensor) -> tuple[Tensor, Tensor]:
        """Features under the free points, and their places from -1 to 1; both (B, FREE * n)."""
        cells = y4.shape[-1]
        p = torch.softmax(self.free(y4).flatten(2), dim=-1)
        under = torch.bmm(p, y4.flatten(2).transpose(1, 2))
        at = (torch.arange(cells, device=y4.device, dtype=y4.dtype) + 0.5) * (2.0 / cells) - 1.0
        maps = p.reshape(-1, FREE, cells, cells)
        x, y = maps.sum(dim=2) @ at, maps.sum(dim=3) @ at
        places = torch.cat([x, y], dim=1) * 2.0
        return torch.relu(self.free_summary(under)).flatten(1), places


class KeypointGraph(nn.Module):
    """What is exported: the network with everything decoded inside the graph."""

    names = (
        "xy",
        "covariance",
        "seen",
        "view",
        "flipped",
        "angles_deg",
        "angles_sd_deg",
        "swapped",
        "found",
        "tips",
        "tips_found",
    )

    def __init__(self, net: MapNet, angle_scale: float) -> None:
        super().__init__()
        self.net = net
        self.angle_scale = angle_scale

    def forward(self, picture: Tensor) -> tuple[Tensor, ...]:
        out = self.net(picture)
        return (
            out.xy,
            covariance_of(out.spread),
            torch.sigmoid(out.seen),
            torch.softmax(out.view, dim=-1),
            torch.sigmoid(out.flipped),
            out.angles * self.angle_scale,
            torch.exp(out.angle_spread) * self.angle_scale,
            torch.sigmoid(out.swapped),
            torch.sigmoid(out.found),
            *peaks(out.tips),
        )


def peaks(tips: Tensor) -> tuple[Tensor, Tensor]:
    """(B, 3, h, h) of `KeypointOutput.tips` to (B, MAX_PEAKS, 2) crop pixels and probabilities.

    A peak is a cell more likely than the others within two cells of it.
    """
    heat = torch.sigmoid(tips[:, :1])
    top = nn.functional.max_pool2d(heat, 5, 1, 2)
    alone = torch.where(heat >= top, heat, torch.zeros_like(heat)).flatten(1)
    found, place = torch.topk(alone, MAX_PEAKS, dim=1)
    side = tips.shape[-1]
    offset = torch.gather(tips[:, 1:].flatten(2), 2, place[:, None].expand(-1, 2, -1))
    column, row = place % side, torch.div(place, side, rounding_mode="floor")
    cell = torch.stack([column, row], dim=1).to(offset.dtype)
    return ((cell + 0.5 + offset) * STRIDE - 0.5).transpose(1, 2), found


def covariance_of(spread: Tensor) -> Tensor:
    """(..., 3) log sd x, log sd y, correlation before tanh, to (..., 2, 2) square pixels."""
    sx, sy = torch.exp(spread[..., 0]), torch.exp(spread[..., 1])
    cross = 0.98 * torch.tanh(spread[..., 2]) * sx * sy
    return torch.stack(
        [torch.stack([sx * sx, cross], dim=-1), torch.stack([cross, sy * sy], dim=-1)], dim=-2
    )
