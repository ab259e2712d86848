"""Alignment angles of a knee in a beam, in degrees (docs/explanation/conventions.md)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.knee.camera import Camera, unit
from pipeline.knee.frames import Frames
from pipeline.knee.landmarks import View

Array = NDArray[np.float64]
ANGLES = ("rotation", "tilt")
"""The two angles by which a film is square on or not."""


@dataclass(frozen=True)
class Angles:
    """Degrees.

    Attributes:
        rotation, tilt: misalignment, obliquity of the ray included.
        roll: of the femoral shaft on the film, + = proximal end clockwise.
        flexion: of the knee.
        off_centre: (rotation, tilt) share that the ray's obliquity adds.
    """

    rotation: float
    tilt: float
    roll: float
    flexion: float
    off_centre: tuple[float, float]


def near_end(direction: Array, frames: Frames, view: View) -> Array:
    """(3,) `direction` or its opposite: the one toward the near end of the view.

    The near end is the one in front of the knee (AP) or on its lateral side (lateral), whether
    the source or the receptor stands there.
    """
    toward = frames.femur.x if view == "AP" else frames.femur.z
    return direction if direction @ toward >= 0 else -direction


def rotation_of(e: Array, frames: Frames, view: View) -> float:
    """Rotation in degrees for `e`, (3,) unit toward the near end, in the axes of `frames`."""
    f = frames.femur
    if view == "AP":
        return float(np.degrees(np.arctan2(e @ f.z, e @ f.x)))
    return float(np.degrees(np.arctan2(e @ f.x, e @ f.z)))


def tilt_of(e: Array, frames: Frames, view: View) -> float:
    """Tilt in degrees for `e`, (3,) unit toward the near end, in the axes of `frames`."""
    axis = frames.tibia.normal if view == "AP" else frames.femur.y
    return float(np.degrees(np.arcsin(np.clip(e @ axis, -1, 1))))


def angles_of(frames: Frames, camera: Camera, view: View) -> Angles:
    """The angles of a knee seen by `camera`."""
    f = frames.femur
    e_femur = near_end(camera.ray(f.origin), frames, view)
    tilt_point = frames.tibia.centre if view == "AP" else f.origin
    e_tilt = near_end(camera.ray(tilt_point), frames, view)
    e_central = near_end(camera.normal, frames, view)
    rotation = rotation_of(e_femur, frames, view)
    tilt = tilt_of(e_tilt, frames, view)
    shaft = camera.project(np.stack([f.shaft_point, f.shaft_point + 40.0 * f.shaft]))
    return Angles(
        rotation=rotation,
        tilt=tilt,
        roll=roll_of(shaft[1] - shaft[0]),
        flexion=frames.flexion_deg,
        off_centre=(
            rotation - rotation_of(e_central, frames, view),
            tilt - tilt_of(e_central, frames, view),
        ),
    )


def roll_of(up: Array) -> float:
    """Degrees by which a film direction (2,) is turned clockwise from straight up."""
    return float(np.degrees(np.arctan2(up[0], -up[1])))


def up_on_film(frames: Frames, camera: Camera) -> Array:
    """(2,) unit vector on the film along the projected Y_f, pointing proximally.

    Y_f stands at right angles to the condylar axis; on an AP film the shaft leans some 9 degrees
    against it.
    """
    f = frames.femur
    ends = camera.project(np.stack([f.origin, f.origin + 20.0 * f.y]))
    return unit(ends[1] - ends[0])
