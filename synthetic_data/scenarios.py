"""Scenarios: one film of one kind of practice, with its exact truth.

anatomy -> placement of the beam -> path lengths -> signal -> picture. Every number is drawn from
one generator seeded by the film's own seed, so a film can be made again anywhere.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from pipeline.contracts import (
    AnatomyRequest,
    AnatomySource,
    Developer,
    Finding,
    Renderer,
    Shot,
)
from pipeline.knee.anatomy import Knee, Mesh
from pipeline.knee.camera import Camera
from pipeline.knee.frames import Frames, frames_of
from pipeline.knee.landmarks import View
from pipeline.knee.truth import KneeTruth, LabelledFilm
from pipeline.registry import build
from synthetic_data.described import film_as_told
from synthetic_data.film_formation.formation import Formation, form
from synthetic_data.patient import KneePatient, tidied
from synthetic_data.physics.exposure import Technique, expose
from synthetic_data.physics.materials import Insert
from synthetic_data.physics.texture import BoneAxis, bone_axes
from synthetic_data.placement import (
    STYLES,
    Placement,
    ViewOrOther,
    draw_flexion,
    draw_placement,
    place,
    truth_of,
)
from synthetic_data.scenes import SubjectScene

Map = NDArray[np.float32]

DATA_VERSION = "3"
"""Raised whenever the same seed would give another film."""


@dataclass
class KneeFilms:
    """Films of adult knees.

    Attributes:
        styles: kinds of practice to draw from: radiography, c_arm, scanned_film.
        views: AP, lateral, or both.
        other_share: films of knees in another projection.
        no_knee_share: films that show another part of the limb.
        two_knees_share: of AP films, those with the other limb beside.
        max_px: longest side of the film, pixels.
        films_per_knee: so many consecutive seeds (a multiple of it and those that follow) show
            the same articulated knee under other beams. More makes more films a second.
        knee_seed: draws the anatomy, so that several films show the same knee; None: the film's
            own seed does.
        side: right or left; None: drawn.
        rotation_deg, tilt_deg: how far the beam is off; None: drawn.
        flexion_deg: (least, most) between which the flexion falls; None: as practice has it.
        off_centre_mm: distance of the knee from the central ray, in a random direction; None:
            drawn.
        field_mm: (least, most) width of the film at the knee, mm; None: drawn.
        bmi: body mass index, kg/m2, by which the limb is slim or stout; None: drawn.
        dose, scatter: factors on the number of quanta, and on scattered to primary signal.
        blur_px, noise: blur of the finished picture (standard deviation) and noise (of grey
            levels 0 to 1) over and above what was drawn.
        anatomy, renderer: plugins by name.
        findings: plugins by name, and the share of knees that have each; drawn one by one in
            this order.
        tidy: films of a `patient` come from a console in good order: well exposed, of the side
            marker alone, undamaged and uncompressed.
        threads: on which a `patient` is rendered; the films are the same.
    """

    styles: tuple[str, ...] = STYLES
    views: tuple[str, ...] = ("AP", "lateral")
    other_share: float = 0.04
    no_knee_share: float = 0.04
    two_knees_share: float = 0.12
    max_px: int = 640
    films_per_knee: int = 1
    knee_seed: int | None = None
    side: str | None = None
    rotation_deg: float | None = None
    tilt_deg: float | None = None
    flexion_deg: tuple[float, float] | None = None
    off_centre_mm: float | None = None
    field_mm: tuple[float, float] | None = None
    bmi: float | None = None
    dose: float = 1.0
    scatter: float = 1.0
    blur_px: float = 0.0
    noise: float = 0.0
    anatomy: str = "shape_model"
    renderer: str = "signed_depth"
    findings: dict[str, float] = field(default_factory=dict)
    tidy: bool = False
    threads: int = 1

    def __post_init__(self) -> None:
        self._last: tuple[int, tuple[View, bool, Knee, Frames]] | None = None

    @cached_property
    def _anatomy(self) -> AnatomySource:
        source: AnatomySource = build("anatomy", self.anatomy, {})
        return source

    @cached_property
    def _renderer(self) -> Renderer:
        renderer: Renderer = build("renderer", self.renderer, {})
        return renderer

    @cached_property
    def _findings(self) -> dict[str, Finding]:
        return {name: build("finding", name, {}) for name in self.findings}

    def make(self, seed: int) -> LabelledFilm:
        """The film of `seed` with its truth."""
        view, standing, knee, frames = self._subject(seed - seed % self.films_per_knee)
        rng = np.random.default_rng([seed, 1])
        style = str(rng.choice(self.styles))
        kind = rng.random()
        no_knee = kind < self.no_knee_share
        other = not no_knee and kind < self.no_knee_share + self.other_share
        placement = self._as_asked(draw_placement(rng, view, style, self.max_px), view, seed)
        if other:
            placement = _other_projection(rng, placement)
        beside = (
            view == "AP"
            and not other
            and not no_knee
            and style != "c_arm"
            and rng.random() < self.two_knees_share
        )
        if beside:
            placement = _room_for_two(rng, placement)
        camera = place(frames, placement)
        if no_knee:
            camera = _away_from_the_knee(rng, frames, placement, camera)
        shown: ViewOrOther = "other" if other else view
        people = [(knee, frames, camera)]
        if beside:
            people.append(self._other_limb(rng, frames, camera, knee, standing))
        paths, axes, inserts = self._look(people)
        technique = Technique.draw(rng, style, placement.pixel_mm * placement.sid / placement.sod)
        technique = replace(
            technique,
            dose_ugy=technique.dose_ugy * self.dose,
            scatter=technique.scatter * self.scatter,
        )
        signal = expose(paths, technique, rng, inserts=inserts, axes=axes)
        side = self._side_told(rng, view, placement)
        formation = Formation.draw(rng, style, side)
        formation = replace(
            formation,
            blur_px=float(np.hypot(formation.blur_px, self.blur_px)),
            noise=float(np.hypot(formation.noise, self.noise)),
        )
        distortion = formation.distortion((camera.rows, camera.columns))
        pixels = form(signal, formation, rng)
        facts: dict[str, float | str] = {
            "style": style,
            "seed": float(seed),
            "standing": float(standing),
            "sid": placement.sid,
            "sod": placement.sod,
            **{f"technique.{k}": v for k, v in technique.facts().items()},
            **{f"formation.{k}": v for k, v in formation.facts().items()},
        }
        knees: list[KneeTruth] = []
        for i, (who, their_frames, their_camera) in enumerate([] if no_knee else people):
            truth = truth_of(
                who,
                their_frames,
                their_camera,
                shown,
                side=side if i == 0 else _opposite(side),
                facts={**facts, **{f"anatomy.{k}": v for k, v in who.facts.items()}},
                distortion=distortion,
            )
            truth = replace(truth, tips_open=formation.shows(pixels.shape, truth.tips))
            if i == 0 or _inside(truth, camera):
                knees.append(truth)
        hit = camera.principal if distortion is None else distortion.forward(camera.principal)
        film = film_as_told(
            pixels, seed, style, view, side, placement, camera, hit, plain=not no_knee
        )
        return LabelledFilm(film, tuple(knees))

    def _as_asked(self, placement: Placement, view: View, seed: int) -> Placement:
        """The placement with what the options settle in place of what was drawn."""
        if self.rotation_deg is not None:
            placement = replace(placement, rotation=self.rotation_deg)
        if self.tilt_deg is not None:
            placement = replace(placement, tilt=self.tilt_deg)
        if self.off_centre_mm is not None:
            placement = replace(placement, off_centre=_around(seed, self.off_centre_mm))
        if self.field_mm is not None:
            placement = _wide(placement, float(_own(seed).uniform(*self.field_mm)))
        if self.side is not None and view == "AP":
            placement = replace(placement, lateral_to_right=self.side == "left")
        return placement

    def _side_told(self, rng: np.random.Generator, view: View, placement: Placement) -> str:
        """The side that header and marker tell: the one shown on AP films, but for a few; either
        on laterals, which hardly show it."""
        side = "left" if placement.lateral_to_right else "right"
        if view == "lateral" or (self.side is None and rng.random() < 0.02):
            side = str(rng.choice(("left", "right")))
        if view == "lateral" and self.side is not None:
            side = self.side
        return side

    def scene(self, seed: int, shots: int) -> SubjectScene:
        """The subject of `seed` under `shots` beams, for a `Developer`: one knee, no distortion."""
        view, _, knee, frames = self._subject(seed)
        taken, settings = [], []
        for number in range(shots):
            rng = np.random.default_rng([seed, 3, number])
            style = str(rng.choice(self.styles))
            placement = draw_placement(rng, view, style, self.max_px)
            other = rng.random() < self.other_share
            if other:
                placement = _other_projection(rng, placement)
            camera = place(frames, placement)
            shown: ViewOrOther = "other" if other else view
            truth = truth_of(knee, frames, camera, shown, side="right", facts={"style": style})
            taken.append(Shot(camera, truth))
            pitch = float(np.linalg.norm(camera.step_x))
            settings.append((Technique.draw(rng, style, pitch), Formation.draw(rng, style)))
        return SubjectScene(knee, tuple(taken), tuple(settings))

    def patient(self, seed: int) -> KneePatient:
        """The subject of `seed`, to be filmed under any beam; one knee, as on film `seed`."""
        _, _, knee, frames = self._subject(seed - seed % self.films_per_knee)
        rng = np.random.default_rng([seed, 4])
        style = str(rng.choice(self.styles))
        side = self.side or str(rng.choice(("left", "right")))
        technique = Technique.draw(rng, style, 0.3)
        technique = replace(
            technique,
            dose_ugy=technique.dose_ugy * self.dose,
            scatter=technique.scatter * self.scatter,
        )
        formation = Formation.draw(rng, style, side)
        return KneePatient(
            knee=knee,
            frames=frames,
            seed=seed,
            style=style,
            side=side,
            patella_to_right=bool(rng.random() < 0.5),
            technique=replace(technique, motion_mm=0.0) if self.tidy else technique,
            formation=tidied(formation) if self.tidy else formation,
            renderer=self._renderer,
            threads=self.threads,
        )

    def developer(self, device: str) -> Developer:
        """Needs torch, CuPy and a CUDA device."""
        from synthetic_data.render.develop import CudaDeveloper

        return CudaDeveloper(device)

    def _person(self, rng: np.random.Generator, request: AnatomyRequest) -> Knee:
        """An articulated knee with whatever it has."""
        knee = self._anatomy.sample(rng, request)
        for name, share in self.findings.items():
            if rng.random() < share:
                knee = self._findings[name].apply(knee, rng)
        return knee

    def _subject(self, number: int) -> tuple[View, bool, Knee, Frames]:
        """View, standing or not, and the articulated knee of one subject; the last is kept.

        A subject's number is the first seed that shows it, so that ranges of seeds that do not
        meet never share a subject, however many films each knee has.
        """
        if self._last is None or self._last[0] != number:
            rng = np.random.default_rng([number, 0])
            view: View = "AP" if rng.choice(self.views) == "AP" else "lateral"
            standing = bool(rng.random() < 0.4)
            flexion = draw_flexion(rng, view)
            if self.flexion_deg is not None:
                # From a generator of its own, so that all else is as without this option.
                flexion = float(np.random.default_rng([number, 2]).uniform(*self.flexion_deg))
            request = AnatomyRequest(flexion_deg=flexion, weight_bearing=standing, bmi=self.bmi)
            # The same knee on another film: only the beam and the flexion are drawn anew.
            own = rng if self.knee_seed is None else np.random.default_rng(self.knee_seed)
            knee = self._person(own, request)
            self._last = (number, (view, standing, knee, frames_of(knee.surfaces)))
        return self._last[1]

    def _other_limb(
        self,
        rng: np.random.Generator,
        frames: Frames,
        camera: Camera,
        first: Knee,
        standing: bool,
    ) -> tuple[Knee, Frames, Camera]:
        """The other knee of a pair: another right knee seen in a mirror beside the first."""
        knee = self._person(
            rng,
            AnatomyRequest(flexion_deg=first.flexion_deg, weight_bearing=standing, bmi=self.bmi),
        )
        theirs = frames_of(knee.surfaces)
        # Mirror plane between the limbs, in the first knee's own axes.
        gap = rng.uniform(75, 115)
        plane = frames.femur.origin - gap * frames.femur.z
        normal = frames.femur.z
        turn = rng.uniform(-0.2, 0.2)

        def mirrored(points: NDArray[np.float64]) -> NDArray[np.float64]:
            away = (points - plane) @ normal
            return points - 2 * away[..., None] * normal

        def vector(v: NDArray[np.float64]) -> NDArray[np.float64]:
            return v - 2 * (v @ normal) * normal

        # Not quite symmetric: turned a little about its own shaft.
        y = theirs.femur.y
        c, s = np.cos(turn), np.sin(turn)

        def spun(v: NDArray[np.float64]) -> NDArray[np.float64]:
            return c * v + s * np.cross(y, v) + (1 - c) * (v @ y) * y

        def point(p: NDArray[np.float64]) -> NDArray[np.float64]:
            return theirs.femur.origin + spun(mirrored(p) - theirs.femur.origin)

        seen_by = Camera(
            point(camera.source),
            point(camera.origin),
            spun(vector(camera.step_x)),
            spun(vector(camera.step_y)),
            camera.rows,
            camera.columns,
        )
        return knee, theirs, seen_by

    def _look(
        self, people: Sequence[tuple[Knee, Frames, Camera]]
    ) -> tuple[dict[str, Map], dict[str, BoneAxis], dict[str, Insert]]:
        """Path lengths by surface name, the bones' axes on the film, what solids are made of."""
        paths: dict[str, Map] = {}
        inserts: dict[str, Insert] = {}
        axes: dict[str, BoneAxis] = {}
        for i, (knee, _, camera) in enumerate(people):
            meshes: dict[str, Mesh] = {**knee.soft}
            tag = "" if i == 0 else f"_{i}"
            for bone, mesh in knee.bones.items():
                meshes[f"{bone}{tag}"] = mesh
                if bone in knee.marrow:
                    meshes[f"{bone}{tag}_marrow"] = knee.marrow[bone]
            for name, solid in knee.solids.items():
                meshes[f"{name}{tag}"] = solid.mesh
                inner = solid.within is not None and solid.within not in ("skin", "muscle")
                within = _tagged(solid.within, tag) if inner and solid.within else solid.within
                inserts[f"{name}{tag}"] = Insert(solid.material, within)
            lengths = self._renderer.path_lengths(list(meshes.values()), camera)
            for name, length in zip(meshes, lengths, strict=True):
                # Soft tissue of two limbs side by side adds up.
                paths[name] = paths[name] + length if name in paths else length
            axes.update({f"{b}{tag}": axis for b, axis in bone_axes(knee, camera).items()})
        return paths, axes, inserts


def _around(seed: int, distance: float) -> tuple[float, float]:
    """A point that far from the origin, in a direction drawn from the film's own seed."""
    angle = np.random.default_rng([seed, 2]).uniform(0, 2 * np.pi)
    return float(distance * np.cos(angle)), float(distance * np.sin(angle))


def _own(seed: int) -> np.random.Generator:
    """A generator beside the film's own, so that all else is as without the option."""
    return np.random.default_rng([seed, 4])


def _wide(placement: Placement, width: float) -> Placement:
    """The same film, `width` mm wide at the knee, no higher than that, pixels as they were."""
    return replace(placement, field_mm=(width, min(placement.field_mm[1], width)))


def _tagged(surface: str, tag: str) -> str:
    """The name of a surface of the other limb: the tag goes before `_marrow`."""
    bone = surface.removesuffix("_marrow")
    return f"{bone}{tag}{surface[len(bone) :]}"


def _opposite(side: str) -> str:
    return "left" if side == "right" else "right"


def _inside(truth: KneeTruth, camera: Camera) -> bool:
    """Whether enough of a second knee is on the film to be found."""
    x, y = truth.centre
    return bool(0 < x < camera.columns - 1 and 0 < y < camera.rows - 1)


def _other_projection(rng: np.random.Generator, placement: Placement) -> Placement:
    """Obliques beyond 30 degrees and views along the limb."""
    if rng.random() < 0.7:
        rotation = float(rng.choice((-1, 1)) * rng.uniform(32, 58))
        return replace(placement, rotation=rotation)
    return replace(placement, tilt=float(rng.choice((-1, 1)) * rng.uniform(45, 75)))


def _room_for_two(rng: np.random.Generator, placement: Placement) -> Placement:
    """A wide film with the first knee to the side on which its lateral aspect lies."""
    width = float(rng.uniform(300, 420))
    height = float(min(placement.field_mm[1] * 1.2, rng.uniform(220, 430)))
    at = 0.5 + (1 if placement.lateral_to_right else -1) * rng.uniform(0.12, 0.3)
    pixel = max(placement.pixel_mm, max(width, height) / 640)
    return replace(
        placement,
        roll=float(rng.normal(0, 4)),
        field_mm=(width, height),
        knee_at=(float(at), float(np.clip(rng.normal(0.5, 0.08), 0.25, 0.75))),
        pixel_mm=pixel,
    )


def _away_from_the_knee(
    rng: np.random.Generator, frames: Frames, placement: Placement, camera: Camera
) -> Camera:
    """The same beam over the thigh or the leg, so that no part of the joint is on the film."""
    f = frames.femur
    up = camera.project(f.origin + 20 * f.y) - camera.project(f.origin)
    up /= np.linalg.norm(up)
    half = abs(up[0]) * camera.columns / 2 + abs(up[1]) * camera.rows / 2
    clear = (110.0 / placement.pixel_mm + half) * rng.uniform(1.0, 1.2)
    shift = (1 if rng.random() < 0.5 else -1) * clear * up
    centre = camera.project(f.origin)
    at = centre + shift - np.array([camera.columns, camera.rows]) / 2
    return camera.cropped(float(at[0]), float(at[1]), camera.rows, camera.columns)
