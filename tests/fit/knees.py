"""Knees in a beam, seen by a detector that is as good as one wants."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial.transform import Rotation

from pipeline.contracts import AnatomyRequest
from pipeline.knee.anatomy import Knee
from pipeline.knee.angles import Angles, angles_of
from pipeline.knee.camera import Camera
from pipeline.knee.detection import Detection, DirectPose
from pipeline.knee.film import Film, HeaderHints, Scale
from pipeline.knee.frames import Frames, frames_of
from pipeline.knee.landmarks import View
from pipeline.knee.outline import project_landmarks
from synthetic_data.anatomy.source import ShapeModelSource

ROWS, COLUMNS = 600, 500


@dataclass(frozen=True)
class Shot:
    """One film of one knee: the truth and the camera."""

    knee: Knee
    frames: Frames
    camera: Camera
    view: View
    angles: Angles
    film: Film
    detection: Detection


def knee_at(flexion: float, rng: np.random.Generator) -> tuple[Knee, Frames]:
    knee = ShapeModelSource().sample(rng, AnatomyRequest(flexion_deg=flexion))
    return knee, frames_of(knee.bones)


def shoot(
    knee: Knee,
    frames: Frames,
    view: View,
    rng: np.random.Generator,
    *,
    rotation: float = 0.0,
    tilt: float = 0.0,
    roll: float = 0.0,
    tube_near: bool = True,
    sod: float = 1000.0,
    sid: float = 1100.0,
    mm_per_px: float = 0.7,
    off: tuple[float, float] = (0.0, 0.0),
    noise_px: float = 1.0,
    mirrored: bool = False,
    scale_known: bool = True,
    header: bool = False,
    direct: DirectPose | None = None,
) -> Shot:
    """A film whose central ray misses zero by about `rotation` and `tilt`.

    Args:
        tube_near: the source stands at the near end of the view (front, lateral side).
        off: mm by which the central ray passes the femur's origin, along the film's x and y.
        mirrored: the film shows the knee the other way round.
    """
    f = frames.femur
    r, t = np.radians([rotation, tilt])
    if view == "AP":
        # Tilt counts against the plateau: start from its edge-on direction.
        front = np.cross(frames.tibia.normal, f.z)
        front = front / np.linalg.norm(front)
        front = front if front @ f.x > 0 else -front
        side, up = f.z, np.cross(f.z, front)
    else:
        front, side, up = f.z, f.x, f.y
    near = np.cos(t) * (np.cos(r) * front + np.sin(r) * side) + np.sin(t) * up
    toward = -near if tube_near else near
    upward = Rotation.from_rotvec(np.radians(-roll) * near).apply(f.y)
    right = np.cross(toward, upward) / np.linalg.norm(np.cross(toward, upward))
    above = np.cross(right, toward)
    source = f.origin - sod * toward + off[0] * right + off[1] * above
    camera = Camera.looking(
        source=source,
        toward=toward,
        up=upward,
        sid=sid,
        spacing=mm_per_px * sid / sod,
        rows=ROWS,
        columns=COLUMNS,
    )
    # Canonical: lateral side (AP) or patella (lateral film) toward smaller x.
    probe = camera.project(np.stack([f.origin, f.origin + 10 * (f.z if view == "AP" else f.x)]))
    if (probe[1, 0] > probe[0, 0]) != mirrored:
        camera = camera.mirrored()
    found = project_landmarks(knee.bones, knee.points, frames, camera, view)
    xy = found.xy + rng.normal(0, noise_px, found.xy.shape)
    film = Film(
        np.zeros((ROWS, COLUMNS), np.float32),
        "invented",
        "0" * 64,
        scale=Scale(mm_per_px * sid / sod, mm_per_px, "invented") if scale_known else Scale(),
        header=HeaderHints(
            sid_mm=sid,
            sod_mm=sod,
            central_ray=(float(camera.principal[0]), float(camera.principal[1])),
        )
        if header
        else HeaderHints(),
    )
    detection = Detection(
        box=(0, 0, COLUMNS, ROWS),
        view=view,
        view_probability=1.0,
        lateral_to_right=mirrored,
        lateral_to_right_probability=1.0,
        side="right",
        side_probability=1.0,
        names=found.names,
        xy=xy,
        covariance=np.repeat(np.eye(2)[None] * max(noise_px, 0.3) ** 2, len(xy), axis=0),
        seen=np.ones(len(xy)),
        direct=direct,
    )
    return Shot(knee, frames, camera, view, angles_of(frames, camera, view), film, detection)
