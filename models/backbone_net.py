"""A keypoint network of standard parts, to be measured against: a general-purpose backbone, three
transposed convolutions, one map a landmark, and the rest from the pooled features.

After Xiao, Wu & Wei 2018 (Simple baselines for human pose estimation and tracking, ECCV). The
backbones are torchvision's classifiers without their heads and without trained weights, so that
it learns from the same films as `KeypointNet` and from nothing else.
"""

from __future__ import annotations

from typing import Any

import torch
from torch import Tensor, nn

from models.channels import ANGLES, CHANNELS, FOUND, VIEWS
from models.codec_torch import read_maps
from models.keypoints import STRIDE, KeypointNet, KeypointOutput, KeypointShape, MapNet
from pipeline.knee.errors import Problem

BACKBONES: dict[str, int] = {
    "mobilenet_v3_small": 96,
    "mobilenet_v3_large": 160,
    "resnet18": 512,
}
"""torchvision's name and the channels at 1/32."""


def keypoint_net(shape: KeypointShape) -> MapNet:
    """The untrained network of that shape. Raises `Problem` for a backbone that cannot be had."""
    return BackboneNet(shape) if shape.backbone else KeypointNet(shape)


def _features(name: str) -> Any:
    """(B, 3, S, S) to (B, channels, S / 32, S / 32)."""
    try:
        from torchvision import models
    except (ImportError, RuntimeError) as error:  # RuntimeError: built for another torch
        raise Problem(
            f"keypoints.backbone={name}",
            f"torchvision cannot be imported ({error})",
            "install the torchvision that belongs to the torch in use",
        ) from error
    if name == "resnet18":
        return nn.Sequential(*list(models.resnet18(weights=None).children())[:-2])
    if name in BACKBONES:
        # without the last convolution, which only widens the features for a classifier
        return getattr(models, name)(weights=None).features[:-1]
    raise Problem("keypoints.backbone", f"{name} is none", f"choose one of {sorted(BACKBONES)}")


class BackboneNet(MapNet):
    """Takes and gives what `KeypointNet` does."""

    def __init__(self, shape: KeypointShape) -> None:
        super().__init__(shape)
        self.features = _features(shape.backbone)
        deep, w, count = BACKBONES[shape.backbone], shape.width, len(CHANNELS)
        steps: list[nn.Module] = []
        for inputs in (deep, w, w):
            steps += [
                nn.ConvTranspose2d(inputs, w, 4, 2, 1, bias=False),
                nn.BatchNorm2d(w),
                nn.ReLU(inplace=True),
            ]
        self.decoder = nn.Sequential(*steps)
        self.maps = nn.Conv2d(w, count, 1)
        self.tips = nn.Conv2d(w, 3, 1)
        nn.init.normal_(self.maps.weight, std=0.01)
        with torch.no_grad():
            assert self.tips.bias is not None
            self.tips.bias[0] = -5.0
        # a landmark's spread and `seen`, from the spread of its own map
        self.point_weight = nn.Parameter(torch.zeros(count, 3, 4))
        self.point_bias = nn.Parameter(torch.tensor([1.5, 1.5, 0.0, 1.0]).repeat(count, 1))
        self.crop_head = nn.Linear(deep, len(VIEWS) + 1 + len(FOUND))
        self.pose_head = nn.Linear(deep, 2 * 2 * len(ANGLES) + 1)

    def forward(self, picture: Tensor) -> KeypointOutput:
        """(B, 1, S, S), 0 to 1."""
        deep = self.features(((picture - 0.4) * 3.0).expand(-1, 3, -1, -1))
        fine = self.decoder(deep)
        with torch.autocast(picture.device.type, enabled=False):
            fine, whole = fine.float(), deep.float().mean(dim=(2, 3))
            maps = self.maps(fine) + self.prior_maps()
            xy, _, own = read_maps(maps, STRIDE)
            read = torch.einsum("bkc,kco->bko", own, self.point_weight) + self.point_bias
            crop, pose = self.crop_head(whole), self.pose_head(whole)
            angles = pose[:, :12].reshape(-1, 2, 2, len(ANGLES))
            return KeypointOutput(
                maps=maps,
                xy=xy,
                spread=torch.cat([read[..., :2].clamp(-3.0, 6.0), read[..., 2:3]], dim=-1),
                seen=read[..., 3],
                view=crop[:, : len(VIEWS)],
                flipped=crop[:, len(VIEWS)],
                angles=angles[:, :, 0],
                angle_spread=angles[:, :, 1].clamp(-4.0, 2.0),
                swapped=pose[:, 12],
                found=crop[:, len(VIEWS) + 1 :],
                tips=self.tips(fine),
            )
