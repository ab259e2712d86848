"""A keypoint network of torchvision's parts, trained as ours was (`models.backbone_net`)."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from models.onnx_detector import OnnxDetector
from pipeline.knee.errors import Problem

SHIPPED = Path(__file__).with_name("network")


@dataclass
class BackboneDetector(OnnxDetector):
    """The same reading as `onnx`, with the baseline's weights and the locator that ships.

    Attributes:
        folder: where its keypoints.onnx lies; empty = the one beside this file.
    """

    def __post_init__(self) -> None:
        super().__post_init__()
        if not self.folder:
            if not (SHIPPED / "keypoints.onnx").exists():
                raise Problem(
                    "the baseline network",
                    "its weights are not here",
                    "train them (squareon train profile=baseline) and name their folder",
                )
            self.folder = str(SHIPPED)
