"""A patient: one knee, one technique, one console, and films under any beam that is asked for.

What does not hang on the beam (meshes, what solids are made of, technique, console) is kept, so
that a film costs no more than its path lengths and its own formation.
"""

from __future__ import annotations

import time
from collections.abc import Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from pipeline.contracts import Aim, Renderer
from pipeline.knee.anatomy import Knee, Mesh
from pipeline.knee.angles import angles_of
from pipeline.knee.camera import Camera
from pipeline.knee.film import Film
from pipeline.knee.frames import Frames
from pipeline.knee.truth import KneeTruth
from synthetic_data.described import described
from synthetic_data.film_formation.formation import Formation, form
from synthetic_data.physics.exposure import Technique, expose
from synthetic_data.physics.materials import Insert
from synthetic_data.physics.texture import bone_axes
from synthetic_data.placement import stand, toward_near_end, truth_of

Map = NDArray[np.float32]

PAUSE_S = 0.3
ROUNDS = 6
"""Rounds of `aimed`: the angles of the rays change with the direction almost one to one."""


class Drawn:
    """Noise drawn before it is asked for: `physics.exposure.Normals` of one size."""

    def __init__(self, ready: list[Map]) -> None:
        self._ready = ready

    def standard_normal(self, size: tuple[int, int], dtype: type = np.float32) -> Map:
        """The next picture of noise."""
        made = self._ready.pop(0)
        if made.shape != size or made.dtype != dtype:
            raise ValueError(f"expected {made.shape} {made.dtype}, got {size} {dtype}")
        return made


@dataclass(frozen=True)
class KneePatient:
    """One subject of `KneeFilms`.

    Attributes:
        knee, frames: of a right knee.
        seed: draws fine structure and noise.
        style: radiography, c_arm or scanned_film.
        side: right or left, as the films say.
        patella_to_right: on lateral films.
        technique, formation: how films are taken and shown.
        renderer: measures path lengths.
        threads: on which it does.
    """

    knee: Knee
    frames: Frames
    seed: int
    style: str
    side: str
    patella_to_right: bool
    technique: Technique
    formation: Formation
    renderer: Renderer
    threads: int = 1

    @cached_property
    def _meshes(self) -> dict[str, Mesh]:
        knee = self.knee
        meshes = dict(knee.soft)
        for bone, mesh in knee.bones.items():
            meshes[bone] = mesh
            if bone in knee.marrow:
                meshes[f"{bone}_marrow"] = knee.marrow[bone]
        return meshes | {name: solid.mesh for name, solid in knee.solids.items()}

    @cached_property
    def _inserts(self) -> dict[str, Insert]:
        return {n: Insert(solid.material, solid.within) for n, solid in self.knee.solids.items()}

    @cached_property
    def _pool(self) -> ThreadPoolExecutor | None:
        return ThreadPoolExecutor(self.threads) if self.threads > 1 else None

    @cached_property
    def _ahead(self) -> ThreadPoolExecutor | None:
        return ThreadPoolExecutor(1) if self.threads > 1 else None

    @cached_property
    def _drawn(self) -> dict[tuple[int, tuple[int, int]], Future[Drawn]]:
        return {}

    def _draw(self, number: int, shape: tuple[int, int]) -> Drawn:
        rng = np.random.default_rng([self.seed, 6, number])
        return Drawn([rng.standard_normal(shape, dtype=np.float32) for _ in range(2)])

    def _draw_later(self, number: int, shape: tuple[int, int]) -> Drawn:
        """The next film's noise, drawn while somebody looks at this one; first it is shown."""
        time.sleep(PAUSE_S)
        return self._draw(number, shape)

    def _noise(self, number: int, shape: tuple[int, int]) -> Drawn:
        """The noise of one exposure, drawn by now or drawn at once."""
        ready = self._drawn.pop((number, shape), None)
        self._drawn.clear()
        if ready is None or not ready.done():
            return self._draw(number, shape)
        return ready.result()

    def aimed(self, aim: Aim, rotation_deg: float, tilt_deg: float) -> Aim:
        """`aim` turned so that its film shows just these angles, whatever its `toward`."""
        f = self.frames.femur
        axes = np.stack([f.x, f.y, f.z])
        asked = np.array([rotation_deg, tilt_deg], dtype=np.float64)
        wanted = asked.copy()
        for _ in range(ROUNDS):
            e = axes @ toward_near_end(self.frames, aim.view, *asked)
            aim = replace(aim, toward=(float(e[0]), float(e[1]), float(e[2])))
            # The angles are those of rays through points of the knee, not of the central ray.
            found = angles_of(self.frames, self.camera(aim), aim.view)
            asked += wanted - (found.rotation, found.tilt)
        return aim

    def camera(self, aim: Aim) -> Camera:
        """The beam and the pixels of such a film, in the knee's axes."""
        right = self.side == "left" if aim.view == "AP" else self.patella_to_right
        return stand(self.frames, aim, right)

    def film(self, aim: Aim, number: int = 0) -> Film:
        """The film; only its noise hangs on `number`."""
        camera = self.camera(aim)
        technique = replace(self.technique, mm_per_px=float(np.linalg.norm(camera.step_x)))
        grain = np.random.default_rng([self.seed, 5])
        shape = (camera.rows, camera.columns)
        signal = expose(
            self._paths(camera),
            technique,
            grain,
            inserts=self._inserts,
            axes=bone_axes(self.knee, camera),
            quanta=self._noise(number, shape),
            pool=self._pool,
        )
        rest = np.random.default_rng([self.seed, 7, number])
        pixels = form(signal, self.formation, rest)
        if self._ahead is not None:
            self._drawn[number + 1, shape] = self._ahead.submit(self._draw_later, number + 1, shape)
        distortion = self.formation.distortion(shape)
        hit = camera.principal
        return described(
            pixels,
            f"synthetic {self.style} film of patient {self.seed}",
            self.style,
            camera,
            view=aim.view,
            side=self.side,
            body_part="KNEE",
            sid_mm=aim.sid_mm,
            sod_mm=aim.sod_mm,
            central_ray=hit if distortion is None else distortion.forward(hit),
        )

    def truth(self, aim: Aim) -> KneeTruth:
        """What is exactly true on that film."""
        camera = self.camera(aim)
        return truth_of(
            self.knee,
            self.frames,
            camera,
            aim.view,
            side=self.side,
            facts={
                "style": self.style,
                "seed": float(self.seed),
                "sid": aim.sid_mm,
                "sod": aim.sod_mm,
                **{f"anatomy.{name}": value for name, value in self.knee.facts.items()},
            },
            distortion=self.formation.distortion((camera.rows, camera.columns)),
        )

    def _paths(self, camera: Camera) -> dict[str, Map]:
        """Path lengths by surface name."""
        meshes = self._meshes
        parts = _shared_out(meshes, self.threads)

        def work(names: Sequence[str]) -> list[Map]:
            return list(self.renderer.path_lengths([meshes[name] for name in names], camera))

        found = list((map if self._pool is None else self._pool.map)(work, parts))
        lengths = {
            name: length
            for names, part in zip(parts, found, strict=True)
            for name, length in zip(names, part, strict=True)
        }
        return {name: lengths[name] for name in meshes}


def _shared_out(meshes: dict[str, Mesh], parts: int) -> list[list[str]]:
    """Names of the surfaces in groups of about as many triangles each, largest first."""
    groups: list[list[str]] = [[] for _ in range(max(1, min(parts, len(meshes))))]
    loads = [0] * len(groups)
    for name in sorted(meshes, key=lambda name: -len(meshes[name].faces)):
        lightest = loads.index(min(loads))
        groups[lightest].append(name)
        loads[lightest] += len(meshes[name].faces)
    return groups


def tidied(drawn: Formation) -> Formation:
    """What a console in good order makes of a film: the drawn one without its faults.

    Detail, window and curve keep what was drawn where that is ordinary.
    """
    return Formation(
        style=drawn.style,
        gains=drawn.gains,
        base=float(np.clip(drawn.base, 0.4, 0.8)),
        sharpen=min(drawn.sharpen, 0.6),
        sharpen_share=drawn.sharpen_share,
        low=float(np.clip(drawn.low, 0.0, 0.12)),
        high=float(np.clip(drawn.high, 0.97, 1.12)),
        gamma=float(np.clip(drawn.gamma, 1.6, 2.4)),
        sigmoid=min(drawn.sigmoid, 0.4),
        dark=min(drawn.dark, 0.06),
        bright=max(drawn.bright, 0.92),
        marks=tuple(mark for mark in drawn.marks[:1] if drawn.side_marked and not mark.mirrored),
        side_marked=drawn.side_marked,
    )
