"""Films by another renderer and another film formation: the same people in the same beams."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.knee.truth import LabelledFilm
from synthetic_data.described import film_as_told
from synthetic_data.film_formation.plain import plain_picture
from synthetic_data.placement import draw_placement, place, truth_of
from synthetic_data.scenarios import KneeFilms

DATA_VERSION = "1"


@dataclass
class PlainFilms(KneeFilms):
    """Knees of `knee_films` without disease, implants or instruments, drawn another way.

    A seed shows the person of that seed in `knee_films`, in the same beam, where neither has an
    option that changes people or beams. Always one knee, AP or lateral.

    Attributes:
        renderer: of path lengths; another than training's.
    """

    renderer: str = "cast_rays"

    def make(self, seed: int) -> LabelledFilm:
        """The film of `seed` with its truth."""
        view, _, knee, frames = self._subject(seed - seed % self.films_per_knee)
        rng = np.random.default_rng([seed, 1])
        style = str(rng.choice(self.styles))
        rng.random()  # as in `knee_films`, where it may choose another projection
        placement = draw_placement(rng, view, style, self.max_px)
        camera = place(frames, placement)
        names = list(knee.bones)
        meshes = [
            knee.soft["skin"],
            *knee.bones.values(),
            *(knee.marrow[name] for name in names if name in knee.marrow),
        ]
        lengths = self._renderer.path_lengths(meshes, camera).astype(np.float64)
        bone, marrow = lengths[1 : 1 + len(names)], lengths[1 + len(names) :]
        own = np.random.default_rng([seed, 77])
        pixels = plain_picture(lengths[0], bone.sum(axis=0), marrow.sum(axis=0), own)
        side = "left" if placement.lateral_to_right else "right"
        facts: dict[str, float | str] = {"style": style, "seed": float(seed)}
        truth = truth_of(knee, frames, camera, view, side=side, facts=facts)
        hit = camera.principal
        film = film_as_told(pixels, seed, style, view, side, placement, camera, hit, plain=True)
        return LabelledFilm(film, (truth,))
