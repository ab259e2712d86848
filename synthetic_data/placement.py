"""Where the beam stands: camera placement around a right knee, and the truth it makes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from pipeline.contracts import Aim
from pipeline.knee.anatomy import Knee
from pipeline.knee.angles import angles_of, roll_of, up_on_film
from pipeline.knee.camera import Camera, unit
from pipeline.knee.frames import Frames
from pipeline.knee.landmarks import View
from pipeline.knee.outline import project_landmarks
from pipeline.knee.tips import tips_of
from pipeline.knee.truth import KneeTruth
from synthetic_data.film_formation.distortion import Distortion

Array = NDArray[np.float64]
ViewOrOther = Literal["AP", "lateral", "other"]


@dataclass(frozen=True)
class Placement:
    """How one film was taken; angles in degrees, lengths in mm.

    Attributes:
        rotation, tilt: asked of the ray through the femur's origin.
        roll: of the projected Y_f on the film, + = proximal end clockwise.
        source_at_near_end: the tube stands in front (AP) or on the lateral side (lateral).
        lateral_to_right: the lateral side (on laterals the patella) lies to the right of the way
            up the femur; on an upright film, toward larger x.
        sid, sod: source to receptor, source to the femur's origin.
        off_centre: (2,) mm at the knee, how far the knee lies from the central ray.
        field_mm: (width, height) of the film at the knee.
        knee_at: (x, y) share of the film at which the knee's origin falls; None for an
            uncropped film, whose middle the central ray hits.
        pixel_mm: pixel size at the knee.
    """

    view: View
    rotation: float
    tilt: float
    roll: float
    source_at_near_end: bool
    lateral_to_right: bool
    sid: float
    sod: float
    off_centre: tuple[float, float]
    field_mm: tuple[float, float]
    knee_at: tuple[float, float] | None
    pixel_mm: float


def place(frames: Frames, placement: Placement) -> Camera:
    """The camera that sees a right knee as `placement` asks."""
    f, p = frames.femur, placement
    e = toward_near_end(frames, p.view, p.rotation, p.tilt)
    source = f.origin + (p.sod if p.source_at_near_end else -p.sod) * e
    ray = unit(f.origin - source)
    side = unit(np.cross(ray, f.y))
    over = np.cross(side, ray)
    turn = np.radians(p.roll)
    # The central ray leaves the knee's ray by the knee's distance from it.
    central = unit(ray - (p.off_centre[0] * side + p.off_centre[1] * over) / p.sod)
    columns = max(64, round(p.field_mm[0] / p.pixel_mm))
    rows = max(64, round(p.field_mm[1] / p.pixel_mm))
    spacing = p.pixel_mm * p.sid / p.sod
    camera = Camera.looking(
        source=source,
        toward=central,
        up=np.cos(turn) * over - np.sin(turn) * side,
        sid=p.sid,
        spacing=spacing,
        rows=rows,
        columns=columns,
    )
    camera = _faced(camera, frames, p.view, p.lateral_to_right, p.roll)
    if p.knee_at is None:
        return camera
    at = camera.project(f.origin)
    want = np.array([p.knee_at[0] * (columns - 1), p.knee_at[1] * (rows - 1)])
    shift = at - want
    return camera.cropped(float(shift[0]), float(shift[1]), rows, columns)


def toward_near_end(frames: Frames, view: View, rotation_deg: float, tilt_deg: float) -> Array:
    """(3,) unit vector along a ray, toward the near end, for angles asked of its direction."""
    f = frames.femur
    rotation, tilt = np.radians(rotation_deg), np.radians(tilt_deg)
    if view == "lateral":
        level = np.cos(rotation) * f.z + np.sin(rotation) * f.x
        return np.asarray(np.cos(tilt) * level + np.sin(tilt) * f.y)
    level = np.cos(rotation) * f.x + np.sin(rotation) * f.z
    # The tilt is asked of the tibia's rim plane, the rotation of the femur's axes: solve
    # e = cos(a) level + sin(a) y for e . n_t = sin(tilt).
    a, b = level @ frames.tibia.normal, f.y @ frames.tibia.normal
    size = float(np.hypot(a, b))
    rise = np.arcsin(np.clip(np.sin(tilt) / size, -1, 1)) - np.arctan2(a, b)
    rise = rise if abs(rise) <= np.pi / 2 else rise - np.sign(rise) * np.pi
    return np.asarray(np.cos(rise) * level + np.sin(rise) * f.y)


def stand(frames: Frames, aim: Aim, lateral_to_right: bool) -> Camera:
    """The camera that sees a right knee as `aim` says."""
    f = frames.femur
    e = unit(np.stack([f.x, f.y, f.z], axis=1) @ np.asarray(aim.toward, dtype=np.float64))
    across = f.z if aim.view == "AP" else f.x
    over = unit(f.y - (f.y @ e) * e)
    side = np.cross(over, e)
    side = side if side @ across > 0 else -side
    middle = f.origin - aim.off_centre_mm[0] * side - aim.off_centre_mm[1] * over
    ray = -e if aim.source_at_near_end else e
    turn = np.radians(aim.roll_deg)
    camera = Camera.looking(
        source=middle - aim.sod_mm * ray,
        toward=ray,
        up=np.cos(turn) * over - np.sin(turn) * np.cross(ray, over),
        sid=aim.sid_mm,
        spacing=aim.field_mm / aim.pixels * aim.sid_mm / aim.sod_mm,
        rows=aim.pixels,
        columns=aim.pixels,
    )
    return _faced(camera, frames, aim.view, lateral_to_right, aim.roll_deg)


def _faced(
    camera: Camera, frames: Frames, view: View, lateral_to_right: bool, roll_deg: float
) -> Camera:
    """The picture as seen from the source, or its mirror image: whichever is wanted."""
    f = frames.femur
    across = f.z if view == "AP" else f.x
    ends = camera.project(np.stack([f.origin, f.origin + 20 * across]))
    rolled = up_on_film(frames, camera)
    rightward = np.array([-rolled[1], rolled[0]])
    if bool((ends[1] - ends[0]) @ rightward > 0) == lateral_to_right:
        return camera
    # A mirror turns the roll the other way: turn the film, not the beam.
    return _turned(camera.mirrored(), 2 * roll_deg)


def _turned(camera: Camera, degrees: float) -> Camera:
    """The same receptor plane, the film turned so that its content turns clockwise."""
    c, s = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    step_x = c * camera.step_x - s * camera.step_y
    step_y = s * camera.step_x + c * camera.step_y
    middle = np.array([(camera.columns - 1) / 2, (camera.rows - 1) / 2])
    centre = camera.pixel(middle)
    origin = centre - middle[0] * step_x - middle[1] * step_y
    return Camera(camera.source, origin, step_x, step_y, camera.rows, camera.columns)


def truth_of(
    knee: Knee,
    frames: Frames,
    camera: Camera,
    view: ViewOrOther,
    *,
    side: str,
    facts: dict[str, float | str],
    distortion: Distortion | None = None,
) -> KneeTruth:
    """Everything that is exactly true of one knee on one film.

    With a `distortion` every place and direction on the film goes through its map: landmarks
    are where the undistorted film's landmarks fall. Rotation and tilt are the beam's own.
    """
    basis: View = "lateral" if view == "lateral" else "AP"
    angles = angles_of(frames, camera, basis)
    f = frames.femur

    def film(points: Array) -> Array:
        """Where points fall on the film as it is shown."""
        xy = camera.project(points)
        return xy if distortion is None else distortion.forward(xy)

    plain_centre = camera.project(f.origin)
    centre = film(f.origin)
    sideways = f.x if view == "lateral" else f.z
    ends = film(np.stack([f.origin, f.origin + 20 * sideways]))
    up, roll = up_on_film(frames, camera), angles.roll
    step = 1.0
    # Pixels per mm at the femur's origin, across the ray.
    near = film(f.origin + step * unit(np.cross(camera.ray(f.origin), f.y)))
    mm_per_px = step / float(np.linalg.norm(near - centre))
    if view == "other":
        names: tuple[str, ...] = ()
        xy, normal = np.zeros((0, 2)), np.zeros((0, 2))
    else:
        marks = project_landmarks(knee.surfaces, knee.points, frames, camera, view)
        names, xy, normal = marks.names, marks.xy, marks.normal
    if distortion is not None:
        up = distortion.directions(plain_centre, up)
        shaft = film(np.stack([f.shaft_point, f.shaft_point + 40.0 * f.shaft]))
        roll = roll_of(shaft[1] - shaft[0])
        normal, xy = distortion.normals(xy, normal), distortion.forward(xy)
    at = {name: xy[i] for i, name in enumerate(names)}
    if view == "other":
        width_px = f.width / mm_per_px
    elif view == "AP":
        width_px = float(np.linalg.norm(at["lateral_epicondyle"] - at["medial_epicondyle"]))
    else:
        front = unit(ends[1] - ends[0])
        back = min(at["medial_condyle_posterior"] @ front, at["lateral_condyle_posterior"] @ front)
        width_px = float(at["trochlea_anterior"] @ front - back)
    seen = (
        (xy[:, 0] >= 0)
        & (xy[:, 0] <= camera.columns - 1)
        & (xy[:, 1] >= 0)
        & (xy[:, 1] <= camera.rows - 1)
        & np.array([name not in knee.hidden for name in names], dtype=bool)
    )
    kinds = {solid.kind for solid in knee.solids.values()}
    return KneeTruth(
        view=view,
        side=side,
        lateral_to_right=bool(ends[1, 0] > ends[0, 0]),
        names=names,
        xy=xy,
        normal=normal,
        seen=seen,
        rotation_deg=angles.rotation,
        tilt_deg=angles.tilt,
        roll_deg=roll,
        flexion_deg=angles.flexion,
        off_centre_deg=angles.off_centre,
        width_px=width_px,
        width_mm=f.width,
        centre=centre,
        up=up,
        mm_per_px_knee=mm_per_px,
        facts=facts,
        tips=film(knee.tips),
        tips_truth=tips_of(knee.tips, knee.shafts, knee.surfaces, frames, camera, view),
        found={kind: float(kind in kinds) for kind in ("implant", "hardware")},
    )


STYLES = ("radiography", "c_arm", "scanned_film")


def draw_placement(rng: np.random.Generator, view: View, style: str, max_px: int) -> Placement:
    """A placement as practice makes it, misaligned more often and further than it is square.

    Distances: general radiography 1000 to 1200 mm from source to receptor with the receptor 40
    to 130 mm behind the knee's middle; mobile C-arms 900 to 1050 mm with the knee 200 to 400 mm
    from the receptor (common practice, no source).
    """
    wide = rng.random() < 0.45
    if view == "AP":
        rotation = rng.uniform(-22, 22) if wide else rng.normal(0, 5)
        tilt = rng.uniform(-16, 16) if wide else rng.normal(0, 5)
    else:
        rotation = rng.uniform(-18, 18) if wide else rng.normal(0, 5)
        tilt = rng.uniform(-15, 15) if wide else rng.normal(0, 5)
    kind = rng.random()
    roll = rng.normal(0, 5) if kind < 0.75 else rng.uniform(-40, 40)
    if kind > 0.94:
        roll = rng.uniform(-180, 180)
    if style == "c_arm":
        sid = rng.uniform(900, 1050)
        sod = sid - rng.uniform(200, 400)
        width = rng.uniform(105, 230)
        height = width
    else:
        sid = rng.uniform(1000, 1200) if rng.random() < 0.9 else rng.uniform(1200, 1850)
        sod = sid - rng.uniform(40, 130)
        width = float(np.exp(rng.uniform(np.log(110), np.log(370))))
        height = min(width * rng.uniform(0.8, 1.7), 430.0)
    pixel = max(rng.uniform(0.33, 0.62), max(width, height) / max_px)
    # Archives hold films centred on the knee and films of half a limb with the knee anywhere.
    uncropped = rng.random() < 0.4
    off = rng.normal(0, 0.1 * min(width, height) if uncropped else 40.0, 2)
    at = np.clip(rng.normal(0.5, 0.14, 2), 0.15, 0.85)
    return Placement(
        view=view,
        rotation=float(rotation),
        tilt=float(tilt),
        roll=float(roll),
        source_at_near_end=bool(rng.random() < (0.25 if style == "c_arm" else 0.75)),
        lateral_to_right=bool(rng.random() < 0.5),
        sid=float(sid),
        sod=float(sod),
        off_centre=(float(off[0]), float(off[1])),
        field_mm=(float(width), float(height)),
        knee_at=None if uncropped else (float(at[0]), float(at[1])),
        pixel_mm=float(pixel),
    )


def draw_flexion(rng: np.random.Generator, view: View) -> float:
    """Degrees. AP films are taken near extension; laterals of practice average 51 degrees.

    The lateral figure is an audit of 665 clinical films; textbooks ask for 20 to 30.
    """
    if view == "AP":
        return float(
            np.clip(rng.normal(4, 5), -5, 20) if rng.random() < 0.75 else rng.uniform(0, 45)
        )
    return float(np.clip(rng.normal(53, 20), 0, 90) if rng.random() < 0.75 else rng.uniform(0, 90))
