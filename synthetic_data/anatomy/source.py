"""Knees from a statistical shape model, widened to a published population."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.spatial import cKDTree

from pipeline.contracts import AnatomyRequest
from pipeline.knee.anatomy import Knee, Mesh
from pipeline.knee.errors import Problem
from synthetic_data.anatomy.articulation import (
    PatellaWish,
    Placed,
    TibiaWish,
    inward_rotation,
    seat_patella,
    seat_tibia,
)
from synthetic_data.anatomy.cortex import inner_surface, thickness
from synthetic_data.anatomy.geometry import neighbours, smooth_step, vertex_normals
from synthetic_data.anatomy.population import Person, draw_person
from synthetic_data.anatomy.shaping import (
    SmoothField,
    shape_femur,
    shape_leg,
    shape_patella,
)
from synthetic_data.anatomy.soft_tissue import Build, Limb, tubes
from synthetic_data.anatomy.template import MODES, Template, template

Array = NDArray[np.float64]

SIDES = ("medial", "lateral")
OUTWARD = 4.6
"""How far the plateau's axes lie turned outward of the femur's in the shape model's people, who
lay with straight knees; degrees (SD 3.6, measured on the 26). It puts the tuberosity as far
lateral of the groove as published (docs/reference/anatomy.md)."""


@cache
def _averages() -> dict[str, sparse.csr_matrix]:
    t = template()
    bones = {"femur": t.femur, "tibia": t.tibia, "fibula": t.fibula, "patella": t.patella}
    return {
        name: neighbours(bone.faces.astype(np.int64), len(bone.mean))
        for name, bone in bones.items()
    }


@dataclass(frozen=True)
class Skeleton:
    """The bones of one knee, brought together.

    Attributes:
        person: what was drawn for it.
        shapes: bone to (N, 3) mm, outer surfaces in the femur's frame.
        leg: from the tibia's own axes into that frame.
        points, facts: as in `Knee`.
    """

    person: Person
    shapes: dict[str, Array]
    leg: Placed
    points: dict[str, Array]
    facts: dict[str, float | str]

    @property
    def bones(self) -> dict[str, Mesh]:
        """Closed outer surfaces."""
        t = template()
        return {name: Mesh(v, getattr(t, name).faces) for name, v in self.shapes.items()}


@dataclass(frozen=True)
class ShapeModelSource:
    """Adult right knees: shape-model modes, published sizes, smooth variation, contact.

    Attributes:
        mode_sd: spread of the shape model's scores, in its own SDs; scores are cut at 2.5.
        variation_mm: SD of the smooth random deformation laid over the shape model.
        maltracking: share of patellae that stand clearly lateral and tilted.
    """

    mode_sd: float = 1.0
    variation_mm: float = 1.0
    maltracking: float = 0.1

    def sample(self, rng: np.random.Generator, request: AnatomyRequest) -> Knee:
        """A new knee in the femur's frame.

        Raises `Problem` for a flexion outside -10..90 degrees or an unknown sex, and where
        the shape model is not installed.
        """
        found = self.skeleton(rng, request)
        person, shapes, flexion = found.person, found.shapes, request.flexion_deg
        shell = float(np.clip(rng.normal(0.7, 0.17), 0.35, 1.2))
        bmi = person["bmi"] if request.bmi is None else request.bmi
        stout = float(np.clip(0.9 + 0.09 * (bmi - 22), 0.5, 2.8))
        build = Build(
            stout * rng.uniform(0.85, 1.15), rng.uniform(0.85, 1.15), 0.15 * rng.uniform(0, 1)
        )
        femur = shapes["femur"]
        limb = Limb(
            flexion,
            np.concatenate([v[::2] for v in shapes.values()]),
            20.0,
            float(-femur[template().distal, 0].min() + 20.0 + 0.1 * max(flexion, 0.0)),
        )
        found.facts.update(shell_mm=shell, fat=build.fat, lean=build.lean, fat_medial=build.uneven)
        return Knee(
            found.bones,
            _marrow(found, shell),
            tubes(limb, build, person["femur_width"]),
            found.points,
            flexion,
            found.facts,
        )

    def skeleton(self, rng: np.random.Generator, request: AnatomyRequest) -> Skeleton:
        """The bones of a new knee alone. Raises `Problem` as `sample` does."""
        flexion = request.flexion_deg
        if not -10 <= flexion <= 90:
            raise Problem(
                "anatomy", f"a flexion of {flexion:g} degrees is asked for", "ask for -10 to 90"
            )
        if request.sex not in (None, "male", "female"):
            raise Problem("anatomy", f"sex {request.sex!r} is unknown", "ask for male or female")
        t = template()
        person = draw_person(rng, request.sex)
        width = person["femur_width"]
        scores = np.clip(rng.normal(size=MODES) * self.mode_sd, -2.5, 2.5)
        fields = [SmoothField(rng, self.variation_mm) for _ in range(3)]
        femur = shape_femur(t, t.femur.shape(scores), person, fields[0])
        tibia, fibula = shape_leg(
            t, t.tibia.shape(scores), t.fibula.shape(scores), person, fields[1]
        )
        patella = shape_patella(t, t.patella.shape(scores), person, fields[2])
        fibula = _fit_fibula(t, tibia, fibula, person)

        wish = _tibia_wish(rng, request, person)
        leg, lean = seat_tibia(t, femur, tibia, width, wish)
        tibia, fibula = leg(tibia), leg(fibula)
        astray = rng.random() < self.maltracking
        kneecap = PatellaWish(
            person["insall_salvati"] * person["patella_height"],
            person["gap_patella"],
            float(rng.normal(1.0, 1.5) + (abs(rng.normal(0, 5)) if astray else 0)),
            float(rng.normal(5, 4) + (abs(rng.normal(0, 6)) if astray else 0)),
        )
        seated, own_flexion = seat_patella(
            t, femur, patella, tibia[t.places["tuberosity"]], width, kneecap
        )
        facts: dict[str, float | str] = {"sex": person.sex, **person.values}
        facts.update({f"mode_{k + 1}": float(x) for k, x in enumerate(scores)})
        facts.update(
            flexion_deg=flexion,
            inward_rotation_deg=wish.rotation_deg + OUTWARD,
            valgus_deg=lean,
            slide_anterior_mm=wish.slide_mm[0],
            slide_lateral_mm=wish.slide_mm[1],
            gap_medial_seated=wish.gaps_mm[0],
            gap_lateral_seated=wish.gaps_mm[1],
            patella_flexion_deg=own_flexion,
            patella_shift_mm=kneecap.shift_mm,
            patella_tilt_deg=kneecap.tilt_deg,
            tendon_mm=kneecap.tendon_mm,
            maltracking="yes" if astray else "no",
        )
        points = {
            "adductor_tubercle": femur[t.places["adductor_tubercle"]].copy(),
            **{f"{side}_spine": _tip(tibia, t.places[f"{side}_spine"], 3.5, leg) for side in SIDES},
            "fibular_head": _tip(fibula, t.places["fibular_head"], 12.0, leg),
        }
        shapes = {"femur": femur, "tibia": tibia, "fibula": fibula, "patella": seated(patella)}
        return Skeleton(person, shapes, leg, points, facts)


def _tip(vertices: Array, place: int, reach: float, leg: Placed) -> Array:
    """(3,) the highest vertex, up the tibia, within `reach` mm of a named one."""
    away = vertices - vertices[place]
    near = np.flatnonzero(np.einsum("ij,ij->i", away, away) < reach**2)
    return np.asarray(vertices[near[np.argmax(vertices[near] @ leg.rotation[:, 1])]].copy())


def _tibia_wish(rng: np.random.Generator, request: AnatomyRequest, person: Person) -> TibiaWish:
    """How this tibia stands: wider joint spaces lying down (design value), narrower bent."""
    flexion = request.flexion_deg
    ease = 0.0 if request.weight_bearing else float(rng.normal(0.4, 0.3))
    bent = 1 - 0.15 * abs(flexion) / 90
    medial, lateral = (
        float(np.clip(person[f"gap_{side}"] + ease * share, 2.0, 9.0)) * bent
        for side, share in (("medial", 0.5), ("lateral", 1.0))
    )
    rotation = inward_rotation(flexion) - OUTWARD + float(rng.normal(0, 4))
    slide = float(rng.normal(0, 1.5)), float(rng.normal(0, 1.0))
    return TibiaWish(flexion, rotation, slide, (medial, lateral))


def _fit_fibula(t: Template, tibia: Array, fibula: Array, person: Person) -> Array:
    """Fibula moved so that its tip is as far below the joint line as wanted and clear of the tibia.

    The femoral joint line lies about 9 mm above the middle of the tibia's axes.
    """
    tip = fibula[t.places["fibular_head"], 1]
    wanted = 9.0 - person["fibula_ratio"] * person["femur_width"]
    # Half of what is missing: a head drawn far up would have to leave its facet.
    rise = 0.5 * (wanted - tip)
    # Mostly a longer or shorter styloid behind the plateau's corner: the joint with the tibia
    # stays where its facet is.
    share = 0.15 + 0.85 * smooth_step(fibula[:, 1], tip - 26.0, tip - 2.0)
    out = fibula + (rise * share)[:, None] * np.array([-0.1, 1.0, 0.0])
    out += np.array([-person["fibula_back"], 0.0, person["fibula_out"]])
    keep = (tibia[:, 1] > -60) & (tibia[:, 1] < 5) & (tibia[:, 2] > 5) & (tibia[:, 0] < 10)
    near, normals = tibia[keep], vertex_normals(tibia, t.tibia.faces)[keep]
    tree = cKDTree(near)
    head = out[out[:, 1] > -50][::2]
    push = np.array([-0.55, -0.3, 0.7])
    moved = 0.0
    for _ in range(6):
        points = head + moved * push
        distance, index = tree.query(points, distance_upper_bound=15.0)
        hit = np.isfinite(distance)
        if not hit.any():
            break
        signed = np.einsum("ij,ij->i", points[hit] - near[index[hit]], normals[index[hit]])
        worst = signed.min()
        if abs(worst - 0.8) < 0.1:
            break
        moved += 0.8 - worst
    return np.asarray(out + moved * push)


def _marrow(found: Skeleton, shell: float) -> dict[str, Mesh]:
    """Inner faces of the cortex, worked out in each bone's own upright axes."""
    t, averages, leg, person = template(), _averages(), found.leg, found.person
    low = found.shapes["femur"][t.distal, 1].min()
    out = {}
    for name, vertices in found.shapes.items():
        bone = getattr(t, name)
        in_leg = name in ("tibia", "fibula")
        own = leg.back(vertices) if in_leg else vertices
        along = own[:, 1] - low if name == "femur" else -own[:, 1]
        thick = thickness(name, along, person["cortex_80"], person["cortex_140"], shell)
        inner = inner_surface(own, bone.faces, averages[name], thick, t.rooms[name], bone.levels)
        out[name] = Mesh(leg(inner) if in_leg else inner, bone.faces)
    return out
