"""Small building blocks of both networks: plain convolutions that fold and fuse well on a CPU."""

from __future__ import annotations

import torch
from torch import Tensor, nn


class ConvUnit(nn.Sequential):
    """Convolution, batch norm (folded away in the exported graph), ReLU."""

    def __init__(self, inputs: int, outputs: int, kernel: int = 3, stride: int = 1) -> None:
        super().__init__(
            nn.Conv2d(inputs, outputs, kernel, stride, kernel // 2, bias=False),
            nn.BatchNorm2d(outputs, momentum=0.05),
            nn.ReLU(inplace=True),
        )


class Residual(nn.Module):
    """Two 3 x 3 convolutions and a shortcut."""

    def __init__(self, width: int) -> None:
        super().__init__()
        self.first = ConvUnit(width, width)
        self.second = nn.Conv2d(width, width, 3, 1, 1, bias=False)
        self.norm = nn.BatchNorm2d(width, momentum=0.05)
        self.act = nn.ReLU(inplace=True)
        nn.init.zeros_(self.norm.weight)

    def forward(self, x: Tensor) -> Tensor:
        y: Tensor = self.act(x + self.norm(self.second(self.first(x))))
        return y


class Gate(nn.Module):
    """Scales channels by what the whole picture shows: a receptive field without limit."""

    def __init__(self, width: int) -> None:
        super().__init__()
        self.squeeze = nn.Linear(width, width // 4)
        self.excite = nn.Linear(width // 4, width)

    def forward(self, x: Tensor) -> Tensor:
        pooled = x.mean(dim=(2, 3))
        gate = torch.sigmoid(self.excite(torch.relu(self.squeeze(pooled))))
        return x * gate[:, :, None, None]


class Stage(nn.Sequential):
    """Halves the resolution, then `depth` residual blocks."""

    def __init__(self, inputs: int, outputs: int, depth: int) -> None:
        super().__init__(
            ConvUnit(inputs, outputs, 3, 2), *[Residual(outputs) for _ in range(depth)]
        )


class Merge(nn.Module):
    """Brings a coarse map to the resolution of a fine one, adds both, looks once more."""

    def __init__(self, coarse: int, fine: int, outputs: int) -> None:
        super().__init__()
        self.down = ConvUnit(coarse, outputs, 1)
        self.across = ConvUnit(fine, outputs, 1)
        self.look = ConvUnit(outputs, outputs)

    def forward(self, coarse: Tensor, fine: Tensor) -> Tensor:
        raised = nn.functional.interpolate(self.down(coarse), scale_factor=2.0, mode="nearest")
        y: Tensor = self.look(raised + self.across(fine))
        return y


def parameters_of(module: nn.Module) -> int:
    """Number of learned numbers."""
    return sum(p.numel() for p in module.parameters())
