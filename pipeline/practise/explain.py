"""What a film showed, in words, outlines and a scene in three dimensions; all from the truth."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.contracts import Patient
from pipeline.knee.anatomy import Mesh
from pipeline.knee.angles import ANGLES
from pipeline.knee.camera import Camera
from pipeline.knee.frames import DISTAL_FEMUR_MM, Frames
from pipeline.language import Speech, mark, mark_within
from pipeline.practise.rounds import OFF_MM, Exposure, Round, is_square, judged, off_centre
from pipeline.practise.table import Moves, choices

Array = NDArray[np.float64]

FAULTS: dict[tuple[str, str], tuple[str, str, str]] = {
    ("AP", "rotation"): (
        mark("limb turned inward: front end too far lateral"),
        mark("limb turned outward: front end too far medial"),
        mark(
            "The patella stands off the midline between the condyles, {side}; the condyles look "
            "unequal and the fibular head is more or less covered."
        ),
    ),
    ("AP", "tilt"): (
        mark("front end too far toward the head"),
        mark("front end too far toward the feet"),
        mark(
            "The front rim of the plateau is thrown {side} its back rim, so the joint space is not "
            "seen edge-on."
        ),
    ),
    ("lateral", "rotation"): (
        mark("lateral end too far forward"),
        mark("lateral end too far back"),
        mark("The lateral condyle lies {side} the medial one."),
    ),
    ("lateral", "tilt"): (
        mark("lateral end too far toward the head"),
        mark("lateral end too far toward the foot"),
        mark("The lateral condyle lies {side} the medial one."),
    ),
}
"""Per view and angle: the fault in words, positive and negative, and what it does to the film."""

BELOW_ABOVE = mark_within("cue", "below"), mark_within("cue", "above")
SIDES = {
    ("AP", "rotation"): (mark_within("cue", "medial"), mark_within("cue", "lateral")),
    ("AP", "tilt"): BELOW_ABOVE,
    ("lateral", "rotation"): (mark_within("cue", "behind"), mark_within("cue", "in front of")),
    ("lateral", "tilt"): BELOW_ABOVE,
}
TITLES = {"rotation": mark("Rotation"), "tilt": mark("Tilt")}


def questions(t: Speech, view: str) -> list[dict[str, str]]:
    """What a learner is asked of every film: per angle the two faults in words."""
    return [
        {"name": name, "title": t(TITLES[name]), "plus": t(plus), "minus": t(minus)}
        for name in ANGLES
        for plus, minus, _ in (FAULTS[view, name],)
    ]


def explained(t: Speech, played: Round, number: int) -> dict[str, Any]:
    """Everything the page shows of one film once it may be explained."""
    exposure = played.exposures[number]
    view, tolerance = played.exercise.view, played.rules.tolerance_deg
    needs = played.needed(exposure)
    truth, camera = exposure.truth, played.patient.camera(exposure.aim)
    return {
        "number": number,
        "rotation_deg": truth.rotation_deg,
        "tilt_deg": truth.tilt_deg,
        "flexion_deg": truth.flexion_deg,
        "off_centre_mm": list(exposure.aim.off_centre_mm),
        "off_centre_deg": list(truth.off_centre_deg),
        "square": is_square(exposure, tolerance),
        "judged": None
        if exposure.answer is None or not exposure.answer.said
        else judged(exposure.answer, exposure, tolerance),
        "words": _words(t, view, exposure, tolerance),
        "made": None if exposure.moves is None else told(t, view, exposure.moves),
        "needed": told(t, view, needs, least=0.5),
        "outlines": [
            {**each, "label": t(each["name"])} for each in outlines(played.patient, camera, view)
        ],
        "scene": scene(camera, played.patient.frames, played.square_direction()),
    }


def _words(t: Speech, view: str, exposure: Exposure, tolerance_deg: float) -> list[str]:
    found = []
    for name in ANGLES:
        value = float(getattr(exposure.truth, f"{name}_deg"))
        plus, minus, cue = FAULTS[view, name]
        shown = {"angle": t(TITLES[name]), "value": t.number(value, 1, signed=True) + "\u00b0"}
        if abs(value) <= tolerance_deg:
            found.append(t("{angle} {value}: within {n}°.", n=_short(t, tolerance_deg), **shown))
            continue
        fault = t(plus if value > 0 else minus)
        seen = t(cue, side=t.within("cue", SIDES[view, name][0 if value > 0 else 1]))
        found.append(t("{angle} {value}: {fault}. {seen}", fault=fault, seen=seen, **shown))
    away = off_centre(exposure)
    share = exposure.truth.off_centre_deg
    if away > OFF_MM:
        found.append(
            t(
                "The knee lies {away} mm from the central ray; its ray comes obliquely, which "
                "makes {rotation}° of the rotation and {tilt}° of the tilt. Centre the knee first.",
                away=t.number(away, 0),
                rotation=t.number(abs(share[0]), 1),
                tilt=t.number(abs(share[1]), 1),
            )
        )
    return found


def _short(t: Speech, value: float) -> str:
    """A size to a tenth; whole ones without it."""
    return t.number(value, 0 if round(value, 1) == round(value) else 1)


def told(t: Speech, view: str, moves: Moves, least: float = 0.0) -> list[str]:
    """Moves in words; those not above `least` (degrees, mm) are left out."""
    found = []
    for choice in choices(t, view):
        value = getattr(moves, choice["name"])
        if abs(value) <= max(least, 1e-9):
            continue
        way = choice["plus"] if value > 0 else choice["minus"]
        unit = "°" if choice["unit"] == "degrees" else " mm"
        found.append(f"{choice['what']} {_short(t, abs(value))}{unit}: {way}")
    return found


ENDINGS = {
    "square": mark("Square on"),
    "stopped": mark("Ended by you"),
    "time": mark("The time is up"),
    "films": mark("No films left"),
}


def ending(t: Speech, record: Mapping[str, Any]) -> dict[str, Any]:
    """How a round that is over went: a title and lines."""
    films = record["films"]
    if record["solved"]:
        lines = [
            t.plural(
                "{n} film; fewest possible {m}.",
                "{n} films; fewest possible {m}.",
                films,
                m=record["fewest"],
            )
        ]
    else:
        lines = [t.plural("{n} film taken.", "{n} films taken.", films)]
        if max(map(abs, record["angles"][-1])) <= record["tolerance_deg"]:
            lines.append(t("The last film was square on; it was not said."))
    named = {"n": record["named_right"], "m": record["named"]}
    lines.append(t("Named right: {n} of {m}.", **named) if named["m"] else t("Nothing was named."))
    if record["wrong_claims"]:
        lines.append(t("Called square too early: {n}.", n=record["wrong_claims"]))
    if record["seconds"] is not None:
        lines.append(t("{n} seconds.", n=t.number(record["seconds"], 0)))
    return {"title": t(ENDINGS[record["ended"]]), "lines": lines}


# ---- outlines on the film ----------------------------------------------------------------------

FINE = 4
"""cv2 takes places in sixteenths of a pixel."""
CONDYLES = {"medial": mark("medial condyle"), "lateral": mark("lateral condyle")}


def outlines(patient: Patient, camera: Camera, view: str) -> list[dict[str, Any]]:
    """Outlines of what the eye should compare: name, whether closed, (N, 2) points.

    The condyles are the distal 45 mm of the femur, split at the middle of its width; edges that
    only the cut makes are left open. On AP also the patella and the two rims of the plateau.
    """
    frames, surfaces = patient.frames, patient.knee.surfaces
    femur, found = surfaces["femur"], []
    for side, name in CONDYLES.items():
        # What lies deep inside this shadow is no edge of the bone.
        wider = condyle(femur, frames, side if view == "lateral" else None, DISTAL_FEMUR_MM + 25)
        line = edges(condyle(femur, frames, side), wider, camera)
        found.append(_outline(name, line, closed=False))
    if view == "AP":
        line = silhouette(surfaces["patella"], camera)
        found.append(_outline(mark("patella"), line, closed=True))
        rim = camera.project(frames.tibia.rim)
        found.append(_outline(mark("front rim of the plateau"), rim[[0, 2]], closed=False))
        found.append(_outline(mark("back rim of the plateau"), rim[[1, 3]], closed=False))
    return [each for each in found if each is not None]


def _outline(name: str, line: Array, *, closed: bool) -> dict[str, Any] | None:
    if len(line) < 2:
        return None
    return {
        "name": name,
        "closed": closed,
        "points": [[round(float(x), 1), round(float(y), 1)] for x, y in line],
    }


def condyle(
    femur: Mesh, frames: Frames, side: str | None, reach_mm: float = DISTAL_FEMUR_MM
) -> Mesh:
    """The faces of one condyle, or of both (None): distal `reach_mm`. An open surface."""
    vertices = np.asarray(femur.vertices)
    kept = _distal(vertices, frames, reach_mm)
    if side is not None:
        own = vertices @ frames.femur.z - _middle(vertices, frames)
        kept &= (own >= 0) if side == "lateral" else (own <= 0)
    return Mesh(femur.vertices, femur.faces[kept[femur.faces].all(axis=1)])


def _distal(
    vertices: Array, frames: Frames, reach_mm: float = DISTAL_FEMUR_MM
) -> NDArray[np.bool_]:
    rise = vertices @ frames.femur.y
    return np.asarray(rise < rise.min() + reach_mm)


def _middle(vertices: Array, frames: Frames) -> float:
    across = vertices[_distal(vertices, frames)] @ frames.femur.z
    return float(across.max() + across.min()) / 2


def shadow(mesh: Mesh, camera: Camera) -> NDArray[np.uint8]:
    """(rows, columns) 255 where a surface's faces fall, else 0."""
    xy = camera.project(mesh.vertices)
    mask = np.zeros((camera.rows, camera.columns), np.uint8)
    fixed = np.rint(np.clip(xy, -1e4, 1e4) * (1 << FINE)).astype(np.int32)
    for face in mesh.faces:
        cv2.fillConvexPoly(mask, fixed[face], 255, cv2.LINE_8, FINE)
    return mask


def silhouette(mesh: Mesh, camera: Camera) -> Array:
    """(N, 2) pixels: the longest outline of a surface's shadow; empty off the film."""
    return _simple(_contour(shadow(mesh, camera)), closed=True)


def edges(part: Mesh, whole: Mesh, camera: Camera) -> Array:
    """(N, 2) pixels: the longest run of a part's outline that lies at the whole's edge."""
    line = _contour(shadow(part, camera))
    if not len(line):
        return line
    deep = cv2.erode(shadow(whole, camera), np.ones((2 * EDGE_PX + 1,) * 2, np.uint8))
    at = line.astype(np.int64)
    outer = deep[at[:, 1], at[:, 0]] == 0
    if outer.all() or not outer.any():
        return _simple(line, closed=bool(outer.all()))
    # Begin right after an inner point, so that no run is cut in two.
    line, outer = (np.roll(each, -int(np.argmin(outer)), axis=0) for each in (line, outer))
    ends = np.flatnonzero(np.diff(np.concatenate([[0], outer.astype(int), [0]])))
    first, last = max(ends.reshape(-1, 2), key=lambda run: run[1] - run[0])
    return _simple(line[first:last], closed=False)


EDGE_PX = 4


def _contour(mask: NDArray[np.uint8]) -> Array:
    """(N, 2) every pixel of the largest outline."""
    lines, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    if not lines:
        return np.zeros((0, 2))
    return np.asarray(max(lines, key=cv2.contourArea)[:, 0, :], dtype=np.float64)


def _simple(line: Array, *, closed: bool) -> Array:
    """The same line through fewer points."""
    if len(line) < 3:
        return line
    kept = cv2.approxPolyDP(line.astype(np.float32)[:, None, :], 0.6, closed)
    return np.asarray(kept[:, 0, :], dtype=np.float64)


# ---- the scene ---------------------------------------------------------------------------------


def scene(camera: Camera, frames: Frames, square: Array) -> dict[str, Any]:
    """The beam in the knee's axes (mm): source, receptor's corners, the knee's own axes.

    `square` is the (3,) direction of a square film's ray, toward the near end.
    """
    size = np.array([camera.columns - 1, camera.rows - 1], dtype=np.float64)
    corners = camera.pixel(np.array([[0, 0], [1, 0], [1, 1], [0, 1]]) * size)
    f, t = frames.femur, frames.tibia
    half = 0.75 * f.width
    ray = camera.ray(f.origin)
    return {
        "source": _plain(camera.source),
        "corners": _plain(corners),
        "foot": _plain(camera.pixel(camera.principal)),
        "middle": _plain(f.origin),
        "ray": _plain(ray if ray @ square > 0 else -ray),
        "square": _plain(square),
        "condylar_axis": _plain(np.stack([f.origin - half * f.z, f.origin + half * f.z])),
        "rim": _plain(t.rim),
        "axes": _plain(np.stack([f.x, f.y, f.z])),
    }


def solids(patient: Patient) -> list[dict[str, Any]]:
    """Bones and metal as triangles for the page: flat lists, mm, in the knee's axes.

    `kinds` is one number a vertex: 0 bone, 1 medial condyle, 2 lateral condyle, 3 metal.
    """
    frames, found = patient.frames, []
    for name, mesh in patient.knee.bones.items():
        kinds = np.zeros(len(mesh.vertices), np.uint8)
        if name == "femur":
            vertices = np.asarray(mesh.vertices)
            lateral = vertices @ frames.femur.z > _middle(vertices, frames)
            kinds[_distal(vertices, frames)] = 1
            kinds[_distal(vertices, frames) & lateral] = 2
        found.append(_solid(name, mesh, kinds))
    for name, solid in patient.knee.solids.items():
        if solid.kind in ("implant", "hardware"):
            kinds = np.full(len(solid.mesh.vertices), 3, np.uint8)
            found.append(_solid(name, solid.mesh, kinds))
    return found


def _solid(name: str, mesh: Mesh, kinds: NDArray[np.uint8]) -> dict[str, Any]:
    return {
        "name": name,
        "vertices": np.round(np.asarray(mesh.vertices, np.float64), 1).ravel().tolist(),
        "faces": np.asarray(mesh.faces).ravel().tolist(),
        "kinds": kinds.tolist(),
    }


def _plain(values: Array) -> Any:
    return np.round(np.asarray(values, dtype=np.float64), 3).tolist()
