"""Another renderer, another film formation, other bones: how far does reading carry?

`python tests/films/other_renderer.py --out figures` makes labelled films of bones that training
never saw (other_bones.py: as they come, and set to published angles) and of the shape model's,
held apart by their seeds. Path lengths come from Embree; the film formation is the plain one
(`synthetic_data.film_formation.plain`), which training never uses: three energies instead of a
spectrum, another tone, another noise. The films
are read and the figures printed of which the goals speak. Truth comes from `pipeline.knee`, by
the words of the conventions.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).resolve().parent))

import other_bones

from pipeline.bench.assess import Parts, read_conditions
from pipeline.bench.suite import Condition, summarise_suite
from pipeline.bench.suite_tables import suite_markdown
from pipeline.contracts import AnatomyRequest
from pipeline.knee.anatomy import Knee, Mesh
from pipeline.knee.camera import Camera
from pipeline.knee.film import Film, HeaderHints, Scale
from pipeline.knee.frames import frames_of
from pipeline.knee.truth import LabelledFilm
from pipeline.registry import build, build_section
from synthetic_data.film_formation.plain import plain_picture
from synthetic_data.placement import Placement, place, truth_of

Array = NDArray[np.float64]
FIRST_SEED = 700_000
WORDS = {
    "other": "other_bones",
    "set": "other_bones_of_published_angles",
    "model": "model_bones",
}


def embree_lengths(meshes: list[Mesh], camera: Camera, step: int = 1) -> list[Array]:
    """(rows, columns) mm of each closed surface on every ray; every `step`th pixel is traced."""
    import trimesh
    from trimesh.ray.ray_pyembree import RayMeshIntersector

    rows, columns = -(-camera.rows // step), -(-camera.columns // step)
    y, x = np.meshgrid(np.arange(rows) * step, np.arange(columns) * step, indexing="ij")
    way = camera.pixel(np.stack([x, y], -1).astype(np.float64)).reshape(-1, 3) - camera.source
    way /= np.linalg.norm(way, axis=1, keepdims=True)
    found = []
    for mesh in meshes:
        shadow = camera.project(mesh.vertices)
        low, high = shadow.min(axis=0) - 2, shadow.max(axis=0) + 2
        hit = (x >= low[0]) & (x <= high[0]) & (y >= low[1]) & (y <= high[1])
        rays = np.flatnonzero(hit.ravel())
        total = np.zeros(rows * columns)
        if len(rays):
            solid = trimesh.Trimesh(mesh.vertices, mesh.faces, process=False)
            face, ray, at = RayMeshIntersector(solid).intersects_id(
                np.broadcast_to(camera.source, (len(rays), 3)),
                way[rays],
                multiple_hits=True,
                return_locations=True,
            )
            go = way[rays][ray]
            sign = np.sign((go * solid.face_normals[face]).sum(axis=1))
            depth = sign * ((at - camera.source) * go).sum(axis=1)
            total[rays] = np.bincount(ray, depth, minlength=len(rays))
        found.append(np.maximum(total.reshape(rows, columns), 0.0))
    return found


def film_of(knee: Knee, camera: Camera, rng: np.random.Generator) -> NDArray[np.float32]:
    """The picture, from Embree's path lengths."""
    names = list(knee.bones)
    meshes = [*knee.soft.values(), *knee.bones.values(), *(knee.marrow[n] for n in names)]
    lengths = embree_lengths(meshes, camera)
    outer, marrow = lengths[-2 * len(names) : -len(names)], lengths[-len(names) :]
    return plain_picture(lengths[0], np.sum(outer, axis=0), np.sum(marrow, axis=0), rng)


@dataclass
class OtherFilms:
    """Films of other bones by another renderer.

    Attributes:
        bones: `other` as they come, `set` those with published angles, `model` the shape model's.
    """

    bones: str = "other"

    def make(self, seed: int) -> LabelledFilm:
        """The film of `seed` with its truth."""
        rng = np.random.default_rng([seed, 77])
        view = "AP" if rng.random() < 0.5 else "lateral"
        flexion = float(rng.uniform(0, 15) if view == "AP" else rng.uniform(5, 60))
        if self.bones != "model":
            knee = other_bones.draw_knee(rng, flexion, published=self.bones == "set")
        else:
            source = build("anatomy", "shape_model", {})
            knee = source.sample(rng, AnatomyRequest(flexion_deg=flexion))
        frames = frames_of(knee.surfaces)
        sid = float(rng.uniform(950, 1200))
        sod = sid - float(rng.uniform(60, 250))
        width = float(rng.uniform(140, 220))
        placement = Placement(
            view=view,  # type: ignore[arg-type]
            rotation=float(rng.uniform(-15, 15)),
            tilt=float(rng.uniform(-12, 12)),
            roll=float(rng.normal(0, 5)),
            source_at_near_end=bool(rng.random() < 0.5),
            lateral_to_right=bool(rng.random() < 0.5),
            sid=sid,
            sod=sod,
            off_centre=(float(rng.normal(0, 10)), float(rng.normal(0, 10))),
            field_mm=(width, width * float(rng.uniform(1.0, 1.3))),
            knee_at=None,
            pixel_mm=width / 400,
        )
        camera = place(frames, placement)
        side = "left" if placement.lateral_to_right else "right"
        truth = truth_of(knee, frames, camera, placement.view, side=side, facts={"style": "other"})
        pixels = film_of(knee, camera, rng)
        spacing = float(np.linalg.norm(camera.step_x))
        film = Film(
            pixels=pixels,
            source=f"film of other bones, seed {seed}",
            sha256=hashlib.sha256(pixels.tobytes()).hexdigest(),
            scale=Scale(spacing, spacing * sod / sid, "imager spacing and magnification"),
            header=HeaderHints(sid_mm=sid, sod_mm=sod),
        )
        return LabelledFilm(film, (truth,))


def build_other(condition: Condition) -> Parts:
    """Stages for `read_conditions`: films from here, the rest by name."""
    return (
        OtherFilms(str(condition.scenario["bones"])),
        build_section("detector", {"threads": 1, **condition.detector}),
        build_section("pose", condition.pose),
    )


def measure(films: int, bones: list[str], weights: str, pose: str, workers: int) -> dict[str, Any]:
    """Figures of the suite whose conditions are the kinds of bones."""
    section = pose_section(pose)
    conditions = {
        WORDS[kind]: Condition(
            {"bones": kind}, {"name": "onnx", **({"folder": weights} if weights else {})}, section
        )
        for kind in bones
    }
    seeds = range(FIRST_SEED, FIRST_SEED + films)
    results = read_conditions(conditions, seeds, workers=workers, builder=build_other)
    made_by = {
        "films": films,
        "first_seed": FIRST_SEED,
        "weights": build_section("detector", conditions[WORDS[bones[0]]].detector).weights,
        "pose": section,
    }
    return {"made_by": made_by, **summarise_suite(conditions, results)}


def pose_section(choice: str) -> dict[str, Any]:
    """The pose section of that name as it ships."""
    import yaml

    path = Path(__file__).resolve().parents[2] / "configs" / "pose" / f"{choice}.yaml"
    return dict(yaml.safe_load(path.read_text()))


def main() -> None:
    """Measures, prints and writes `other_renderer.json` and `.md`."""
    parser = argparse.ArgumentParser(description=str(__doc__).split("\n", 1)[0])
    parser.add_argument("--films", type=int, default=100)
    parser.add_argument(
        "--bones", nargs="+", choices=list(WORDS), default=["other", "set", "model"]
    )
    parser.add_argument("--weights", default="", metavar="DIR", help="default: those that ship")
    parser.add_argument("--pose", default="fused", help="a file of configs/pose")
    parser.add_argument("--workers", type=int, default=0)
    parser.add_argument("--out", type=Path, required=True, metavar="DIR")
    a = parser.parse_args()
    figures = measure(a.films, a.bones, a.weights, a.pose, a.workers)
    a.out.mkdir(parents=True, exist_ok=True)
    (a.out / "other_renderer.json").write_text(json.dumps(figures, indent=1) + "\n")
    page = suite_markdown(figures)
    (a.out / "other_renderer.md").write_text(page)
    print(page)


if __name__ == "__main__":
    main()
