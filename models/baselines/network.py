"""A keypoint network of torchvision's parts, trained as ours was (`models.backbone_net`)."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from models.onnx_detector import OnnxDetector

SHIPPED = Path(__file__).with_name("network")


@dataclass
class BackboneDetector(OnnxDetector):
    """The same reading as `onnx`, with the baseline's weights and the locator that ships.

    Attributes:
        folder: where its keypoints.onnx lies; empty = `network` beside this file.
    """

    @property
    def _folder(self) -> Path:
        return Path(self.folder) if self.folder else SHIPPED
