"""The locator network: a whole film in, where each knee lies and how, out."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import torch
from torch import Tensor, nn

from models.blocks import ConvUnit, Gate, Merge, Stage

STRIDE = 8


class LocatorOutput(NamedTuple):
    """Per cell of the (S / 8, S / 8) grid; float32.

    Attributes:
        heat: (B, h, h) logit that a knee's centre lies here.
        offset: (B, 2, h, h) from the cell's centre to the knee's, in cells.
        log_width: (B, h, h) log of W in picture pixels.
        up: (B, 2, h, h) direction of the femoral shaft, proximal, not normalised.
        view: (B, 3, h, h) logits: AP, lateral, other.
        lateral_to_right: (B, h, h) logit.
    """

    heat: Tensor
    offset: Tensor
    log_width: Tensor
    up: Tensor
    view: Tensor
    lateral_to_right: Tensor


@dataclass(frozen=True)
class LocatorShape:
    """Size of the network: picture side in pixels (a multiple of 32), base width."""

    picture: int = 256
    width: int = 16


class LocatorNet(nn.Module):
    """Encoder to 1/32, back to 1/8 with skips, one head of ten channels."""

    def __init__(self, shape: LocatorShape) -> None:
        super().__init__()
        self.shape = shape
        w = shape.width
        self.stem = ConvUnit(1, w, 3, 2)
        self.stage4 = Stage(w, 2 * w, 1)
        self.stage8 = Stage(2 * w, 3 * w, 1)
        self.stage16 = Stage(3 * w, 4 * w, 1)
        self.stage32 = nn.Sequential(Stage(4 * w, 4 * w, 1), Gate(4 * w))
        self.merge16 = Merge(4 * w, 4 * w, 3 * w)
        self.merge8 = Merge(3 * w, 3 * w, 3 * w)
        self.look = ConvUnit(3 * w, 3 * w)
        self.head = nn.Conv2d(3 * w, 10, 1)
        with torch.no_grad():
            assert self.head.bias is not None
            self.head.bias[0] = -4.0
            self.head.bias[3] = 3.7

    def forward(self, picture: Tensor) -> LocatorOutput:
        """(B, 1, S, S), 0 to 1."""
        x8 = self.stage8(self.stage4(self.stem((picture - 0.4) * 3.0)))
        x16 = self.stage16(x8)
        y16 = self.merge16(self.stage32(x16), x16)
        y = self.head(self.look(self.merge8(y16, x8))).float()
        return LocatorOutput(
            heat=y[:, 0],
            offset=y[:, 1:3],
            log_width=y[:, 3],
            up=y[:, 4:6],
            view=y[:, 6:9],
            lateral_to_right=y[:, 9],
        )


class LocatorGraph(nn.Module):
    """What is exported: the grid with probabilities, picture pixels and unit directions."""

    names = ("heat", "centre", "width", "up", "view", "lateral_to_right")

    def __init__(self, net: LocatorNet) -> None:
        super().__init__()
        self.net = net

    def forward(self, picture: Tensor) -> tuple[Tensor, ...]:
        """heat (B, h, h) 0 to 1; centre (B, 2, h, h) and width (B, h, h) picture pixels."""
        out = self.net(picture)
        cells = self.net.shape.picture // STRIDE
        grid = torch.arange(cells, device=picture.device, dtype=torch.float32)
        at = torch.stack([grid.expand(cells, cells), grid[:, None].expand(cells, cells)])
        up = out.up / torch.sqrt((out.up**2).sum(dim=1, keepdim=True) + 1e-9)
        return (
            torch.sigmoid(out.heat),
            (at + out.offset + 0.5) * STRIDE - 0.5,
            torch.exp(out.log_width.clamp(0.0, 7.0)),
            up,
            torch.softmax(out.view, dim=1),
            torch.sigmoid(out.lateral_to_right),
        )
