"""Makes the pictures of the documentation: `python docs/make_figures.py`.

Everything is computed from virtual knees of fixed seeds; no real film is used. The pictures of
readings also need the weights that ship, so they change when the weights do.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import yaml
from numpy.typing import NDArray

from models.geometry import crop_transform, inside_film, picture_of
from pipeline.align.options import TOLERANCES, AlignOptions
from pipeline.contracts import AnatomyRequest
from pipeline.demo import SHOTS
from pipeline.knee.anatomy import Knee, Mesh
from pipeline.knee.film import Film
from pipeline.knee.frames import frames_of
from pipeline.knee.landmarks import View
from pipeline.knee.reading import MadeBy, Reading
from pipeline.records.overlay import draw
from pipeline.registry import build, names
from pipeline.run import Parts, read_study
from synthetic_data.film_formation.formation import Formation, form
from synthetic_data.physics.exposure import Technique, expose
from synthetic_data.physics.texture import bone_axes
from synthetic_data.placement import STYLES, Placement, place, truth_of

Picture = NDArray[np.uint8]
Array = NDArray[np.float64]

FIGURES = Path(__file__).parent / "figures"
PLAIN: Mapping[str, Any] = {"other_share": 0.0, "no_knee_share": 0.0, "two_knees_share": 0.0}
ORANGE, BLUE, GREEN = (0, 159, 230), (233, 180, 86), (115, 158, 0)  # BGR, told apart by everyone
INK, PAPER, GREY = (30, 30, 30), (255, 255, 255), (120, 120, 120)
KNEE_SEED = 21


# ---- little helpers ----------------------------------------------------------------------------


def grey(pixels: NDArray[np.float32]) -> Picture:
    """A film as (rows, columns, 3) 8-bit picture."""
    return cv2.cvtColor((np.clip(pixels, 0, 1) * 255).astype(np.uint8), cv2.COLOR_GRAY2BGR)


def fitted(picture: Picture, height: int, width: int, around: int = 0) -> Picture:
    """`picture` in a box of that size, the rest of that grey."""
    scale = min(height / picture.shape[0], width / picture.shape[1])
    size = (max(1, round(picture.shape[1] * scale)), max(1, round(picture.shape[0] * scale)))
    how = cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC
    small = cv2.resize(picture, size, interpolation=how)
    box: Picture = np.full((height, width, 3), around, np.uint8)
    top, left = (height - small.shape[0]) // 2, (width - small.shape[1]) // 2
    box[top : top + small.shape[0], left : left + small.shape[1]] = small
    return box


def titled(picture: Picture, *lines: str) -> Picture:
    """`picture` under lines of text."""
    head = np.full((24 * len(lines) + 8, picture.shape[1], 3), 255, np.uint8)
    for i, line in enumerate(lines):
        at = (6, 22 + 24 * i)
        cv2.putText(head, line, at, cv2.FONT_HERSHEY_SIMPLEX, 0.52, INK, 1, cv2.LINE_AA)
    return np.vstack([head, picture])


def written(picture: Picture, words: str, at: tuple[int, int]) -> None:
    """Small words in place."""
    cv2.putText(picture, words, at, cv2.FONT_HERSHEY_SIMPLEX, 0.45, INK, 1, cv2.LINE_AA)


def side_by_side(pictures: Sequence[Picture], gap: int = 8) -> Picture:
    """Pictures of one height in a row."""
    between = np.full((pictures[0].shape[0], gap, 3), 255, np.uint8)
    row = [part for picture in pictures for part in (picture, between)][:-1]
    return np.hstack(row)


def saved(name: str, picture: Picture, quality: int = 82) -> None:
    """Writes a figure; what is drawn from films is JPEG, what has flat colours is PNG."""
    kind = [cv2.IMWRITE_JPEG_QUALITY, quality] if name.endswith("jpg") else []
    if not cv2.imwrite(str(FIGURES / name), picture, kind):
        raise OSError(f"{name} could not be written")


# ---- films as positioning asks for them --------------------------------------------------------

CLEAN = Technique(dose_ugy=40.0, scatter=0.15, blur_mm=0.1, mottle=0.05)


def a_knee(flexion_deg: float, seed: int = KNEE_SEED) -> Knee:
    """The same invented knee in every picture."""
    source = build("anatomy", "shape_model", {"maltracking": 0.0})
    return source.sample(np.random.default_rng(seed), AnatomyRequest("female", flexion_deg))


def posed(knee: Knee, view: View, rotation: float, tilt: float) -> tuple[Film, dict[str, Array]]:
    """A film of a right knee at the asked angles, and its landmarks."""
    frames = frames_of(knee.surfaces)
    placement = Placement(
        view=view,
        rotation=rotation,
        tilt=tilt,
        roll=0.0,
        source_at_near_end=view == "AP",
        lateral_to_right=view == "lateral",
        sid=1150.0,
        sod=1050.0,
        off_centre=(0.0, 0.0),
        field_mm=(140.0, 150.0),
        knee_at=(0.5, 0.52) if view == "AP" else (0.42, 0.52),
        pixel_mm=0.42,
    )
    camera = place(frames, placement)
    meshes = {**knee.soft, **knee.bones, **{f"{b}_marrow": m for b, m in knee.marrow.items()}}
    renderer = build("renderer", "signed_depth", {})
    lengths = renderer.path_lengths(list(meshes.values()), camera)
    technique = CLEAN
    rng = np.random.default_rng(5)
    signal = expose(
        dict(zip(meshes, lengths, strict=True)), technique, rng, axes=bone_axes(knee, camera)
    )
    pixels = form(signal, Formation(), rng)
    truth = truth_of(
        knee,
        frames,
        camera,
        view,
        side="right",
        facts={},
    )
    film = Film(pixels=pixels, source="invented", sha256="0" * 64)
    return film, dict(zip(truth.names, truth.xy, strict=True))


def dot(picture: Picture, xy: Array, colour: tuple[int, int, int]) -> None:
    """A small filled dot with a dark rim."""
    at = (round(float(xy[0])), round(float(xy[1])))
    cv2.circle(picture, at, 4, (0, 0, 0), -1, cv2.LINE_AA)
    cv2.circle(picture, at, 3, colour, -1, cv2.LINE_AA)


def upright(picture: Picture, xy: Array, colour: tuple[int, int, int], half: int = 26) -> None:
    """A short vertical line."""
    x, y = round(float(xy[0])), round(float(xy[1]))
    cv2.line(picture, (x, y - half), (x, y + half), colour, 2, cv2.LINE_AA)


def mark_ap_rotation(picture: Picture, at: Mapping[str, Array]) -> None:
    """The middle of the patella and of the epicondyles."""
    patella = (at["patella_medial"] + at["patella_lateral"]) / 2
    middle = (at["medial_epicondyle"] + at["lateral_epicondyle"]) / 2
    upright(picture, np.array([patella[0], patella[1]]), ORANGE)
    upright(picture, np.array([middle[0], patella[1]]), BLUE, 40)


def mark_ap_tilt(picture: Picture, at: Mapping[str, Array]) -> None:
    """Anterior and posterior rims of both plateaux."""
    for side in ("medial", "lateral"):
        dot(picture, at[f"{side}_plateau_anterior"], ORANGE)
        dot(picture, at[f"{side}_plateau_posterior"], BLUE)


def mark_lateral(end: str) -> Callable[[Picture, Mapping[str, Array]], None]:
    """The two condyles at one end."""

    def mark(picture: Picture, at: Mapping[str, Array]) -> None:
        dot(picture, at[f"lateral_condyle_{end}"], ORANGE)
        dot(picture, at[f"medial_condyle_{end}"], BLUE)

    return mark


def positioning() -> None:
    """Four strips: -10, 0 and +10 degrees of each angle in each view."""
    strips: tuple[tuple[str, View, str, Callable[[Picture, Mapping[str, Array]], None], str], ...]
    strips = (
        (
            "rotation-ap.jpg",
            "AP",
            "rotation",
            mark_ap_rotation,
            "orange: middle of patella, blue: middle of epicondyles",
        ),
        ("tilt-ap.jpg", "AP", "tilt", mark_ap_tilt, "orange: front rims, blue: back rims"),
        (
            "rotation-lateral.jpg",
            "lateral",
            "rotation",
            mark_lateral("posterior"),
            "orange: lateral condyle, blue: medial condyle, hindmost points",
        ),
        (
            "tilt-lateral.jpg",
            "lateral",
            "tilt",
            mark_lateral("distal"),
            "orange: lateral condyle, blue: medial condyle, lowest points",
        ),
    )
    knees = {"AP": a_knee(5.0), "lateral": a_knee(25.0)}
    for name, view, angle, mark, legend in strips:
        panels = []
        for degrees in (-10.0, 0.0, 10.0):
            angles = {"rotation": 0.0, "tilt": 0.0, angle: degrees}
            film, at = posed(knees[view], view, **angles)
            picture = grey(film.pixels)
            mark(picture, at)
            panels.append(titled(picture, f"{view}, {angle} {degrees:+.0f} deg".replace("+0", "0")))
        strip = side_by_side(panels)
        foot = np.full((26, strip.shape[1], 3), 255, np.uint8)
        words = f"Right knee, invented film. {legend}."
        cv2.putText(foot, words, (6, 18), cv2.FONT_HERSHEY_SIMPLEX, 0.48, INK, 1, cv2.LINE_AA)
        saved(name, np.vstack([strip, foot]))


# ---- sheets of films ---------------------------------------------------------------------------


def styles() -> None:
    """Six films of each kind of practice, as the scenario draws them."""
    rows = []
    for number, style in enumerate(STYLES):
        scenario = build("scenario", "knee_films", {**PLAIN, "styles": (style,)})
        seeds = range(40 + 6 * number, 46 + 6 * number)
        cells = [fitted(grey(scenario.make(seed).film.pixels), 210, 160) for seed in seeds]
        rows.append(titled(side_by_side(cells, 6), f"{style}: six invented films"))
    saved("styles.jpg", np.vstack(rows))


def scenarios() -> None:
    """Twelve films of each scenario, the first that it draws: none is chosen."""
    for number, name in enumerate(("radiography", "c_arm", "scanned_film", "procedure")):
        text = (FIGURES.parents[1] / "configs" / "scenario" / f"{name}.yaml").read_text()
        options = yaml.safe_load(text)
        scenario = build("scenario", options.pop("name"), options)
        seeds = range(100 * number, 100 * number + 12)
        films = [grey(scenario.make(seed).film.pixels) for seed in seeds]
        cells = [fitted(film, 250, 210, 255) for film in films]
        rows = [side_by_side(cells[i : i + 4], 6) for i in (0, 4, 8)]
        gap = np.full((6, rows[0].shape[1], 3), 255, np.uint8)
        sheet: Picture = np.vstack([rows[0], gap, rows[1], gap, rows[2]])
        words = f"scenario={name}: invented films of seeds {seeds[0]} to {seeds[-1]}"
        saved(f"scenario-{name}.jpg", titled(sheet, words), 80)


def realism() -> None:
    """The first 24 films of radiography that show a whole knee, as the networks see it."""
    scenario = build("scenario", "knee_films", {"styles": ("radiography",), **PLAIN})
    crops: list[Picture] = []
    seed = 0
    while len(crops) < 24:
        labelled = scenario.make(seed)
        seed += 1
        truth, pixels = labelled.knees[0], labelled.film.pixels
        # On laterals the width is the condyles' depth: W is a quarter more.
        width = truth.width_px * (1.0 if truth.view == "AP" else 1.25)
        mirror = truth.lateral_to_right != bool(truth.up[1] > 0)
        crop = crop_transform(truth.centre, truth.up, width, mirror, 200)
        if inside_film(crop, *pixels.shape).mean() > 0.9:
            crops.append(grey(picture_of(pixels, crop)))
    rows = [np.hstack(crops[i : i + 6]) for i in range(0, 24, 6)]
    saved("realism.jpg", np.vstack(rows), 78)


def findings() -> None:
    """AP and lateral film of one knee with each finding that ships."""
    cells = []
    for name in names("finding"):
        pair = []
        for view in ("AP", "lateral"):
            options = {**PLAIN, "styles": ("radiography",), "views": (view,), "side": "right"}
            options.update(findings={name: 1.0}, knee_seed=KNEE_SEED)
            film = build("scenario", "knee_films", options).make(9410).film
            pair.append(fitted(grey(film.pixels), 220, 158))
        cells.append(titled(side_by_side(pair, 2), name.replace("_", " ")))
    if not cells:
        return
    across = 3
    cells += [np.full_like(cells[0], 255)] * (-len(cells) % across)
    rows = [side_by_side(cells[i : i + across], 10) for i in range(0, len(cells), across)]
    saved("findings.jpg", np.vstack(rows), 80)


# ---- readings ----------------------------------------------------------------------------------

SHOWN = {"overlay-turned.jpg": 9334, "overlay-square.jpg": 9375}


def stages() -> Parts:
    """The stages as they ship."""
    detector = build("detector", "onnx", {"threads": 1})
    criteria = ("patella_centring", "plateau_gap", "condyle_offset", "fibular_overlap")
    return Parts(
        detector=detector,
        pose=build("pose", "fused", {}),
        align=AlignOptions(),
        criteria=tuple(build("criterion", name, {}) for name in criteria),
        targets=(build("target", "classical", {}),),
        writers=(),
        made_by=MadeBy("docs", detector.weights, "0", 0),
    )


def drawn(name: str, film: Film, reading: Reading) -> None:
    """A reading's picture as `squareon read` draws it."""
    picture = draw(film, reading, size=980, note="INVENTED FILM").rgb[:, :, ::-1]
    saved(name, cv2.resize(picture, None, fx=0.72, fy=0.72, interpolation=cv2.INTER_AREA), 80)


def overlays() -> None:
    """One film that is turned, one that is square on, and a lateral of the demonstration."""
    for name, seed in SHOWN.items():
        options = {**PLAIN, "styles": ("radiography",), "views": ("AP",), "side": "right"}
        film = build("scenario", "knee_films", options).make(seed).film
        (reading,) = read_study([film], stages(), FIGURES)
        drawn(name, film, reading)
    films = []
    for shot in (shot for shot in SHOTS if shot.study == "study-1"):
        film = build("scenario", "knee_films", shot.options).make(shot.seed).film
        films.append(replace(film, source=shot.file, study_digest=shot.study))
    _, lateral = read_study(films, stages(), FIGURES)
    drawn("overlay-lateral.jpg", films[1], lateral)


# ---- the knee in three dimensions --------------------------------------------------------------


def seen_from(mesh: Mesh, right: Array, up: Array, middle: Array, size: int) -> tuple[Array, Array]:
    """Vertices as (N, 2) pixels and (N,) mm toward the viewer, 1.7 pixels a mm."""
    toward = np.cross(right, up)
    rel = mesh.vertices - middle
    xy = np.stack([rel @ right, -(rel @ up)], axis=1) * 1.7 + size / 2
    return xy, rel @ toward


def nearest(
    mesh: Mesh, right: Array, up: Array, middle: Array, size: int, cut: float = np.inf
) -> tuple[Array, Array]:
    """Depth (mm toward the viewer, -inf = nothing) and facing (-1..1) of what is seen.

    Whatever lies nearer than `cut` is taken away; a negative facing is the inside of the surface.
    """
    xy, depth = seen_from(mesh, right, up, middle, size)
    toward = np.cross(right, up)
    corners = mesh.vertices[mesh.faces]
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    normal /= np.linalg.norm(normal, axis=1, keepdims=True) + 1e-12
    light = normal @ (0.35 * up - 0.35 * right + 0.87 * toward)
    facing = np.where(normal @ toward >= 0, np.clip(light, 0.02, 1), -1.0)
    z = np.full((size, size), -np.inf)
    shade = np.zeros((size, size))
    for face, bright in zip(mesh.faces, facing, strict=True):
        p, d = xy[face], depth[face]
        if d.min() > cut:
            continue
        x0, y0 = np.maximum(np.floor(p.min(axis=0)).astype(int), 0)
        x1, y1 = np.minimum(np.ceil(p.max(axis=0)).astype(int) + 1, size)
        if x0 >= x1 or y0 >= y1:
            continue
        e = np.array([p[1] - p[0], p[2] - p[0]]).T
        if abs(np.linalg.det(e)) < 1e-9:
            continue
        inverse = np.linalg.inv(e)
        gx, gy = np.meshgrid(np.arange(x0, x1), np.arange(y0, y1))
        a = inverse[0, 0] * (gx - p[0, 0]) + inverse[0, 1] * (gy - p[0, 1])
        b = inverse[1, 0] * (gx - p[0, 0]) + inverse[1, 1] * (gy - p[0, 1])
        at = d[0] + a * (d[1] - d[0]) + b * (d[2] - d[0])
        old = z[y0:y1, x0:x1]
        hit = (a >= -1e-6) & (b >= -1e-6) & (a + b <= 1 + 1e-6) & (at <= cut) & (at > old)
        old[hit] = at[hit]
        shade[y0:y1, x0:x1][hit] = bright
    return z, shade


BONE = np.array([190.0, 214.0, 230.0])
LAYERS = {
    "skin": np.array([170.0, 196.0, 236.0]),
    "muscle": np.array([122.0, 122.0, 196.0]),
    "bone": np.array([236.0, 240.0, 242.0]),
    "marrow": np.array([110.0, 172.0, 224.0]),
}


def bones_seen(knee: Knee, right: Array, up: Array, size: int) -> Picture:
    """The bones, shaded, from outside."""
    out = np.full((size, size, 3), 255.0)
    z = np.full((size, size), -np.inf)
    for mesh in knee.bones.values():
        depth, shade = nearest(mesh, right, up, np.zeros(3), size)
        hit = depth > z
        out[hit] = BONE * (0.25 + 0.75 * np.clip(shade[hit], 0, 1))[:, None]
        z[hit] = depth[hit]
    return out.astype(np.uint8)


def section_seen(knee: Knee, right: Array, up: Array, size: int, cut: float) -> Picture:
    """The knee cut open: each nested surface in its own colour on the cut."""
    out = np.full((size, size, 3), 255.0)
    nested = [("skin", knee.soft["skin"]), ("muscle", knee.soft["muscle"])]
    nested += [("bone", mesh) for mesh in knee.bones.values()]
    nested += [("marrow", mesh) for mesh in knee.marrow.values()]
    for layer, mesh in nested:
        z, facing = nearest(mesh, right, up, np.zeros(3), size, cut)
        # Where the inside of a closed surface is what is seen first, the cut runs through it.
        out[np.isfinite(z) & (facing < 0)] = LAYERS[layer]
    return out.astype(np.uint8)


def solid() -> None:
    """Bones from the front and the side, and a section through all nested surfaces."""
    knee = a_knee(25.0)
    x, y, z = np.eye(3)
    size = 420
    panels = [
        titled(bones_seen(knee, -z, y, size), "bones from the front"),
        titled(bones_seen(knee, x, y, size), "bones from the lateral side"),
        titled(section_seen(knee, x, y, size, 12.0), "cut: skin, muscle, cortex, marrow"),
    ]
    saved("knee-3d.png", side_by_side(panels))


def reliability() -> None:
    """Whether films are as often square as was said, from the last assessment's figures."""
    figures = json.loads((FIGURES.parent / "reference" / "accuracy.json").read_text())
    panels = []
    for tolerance, row in figures["square"]["both"].items():
        size, edge = 300, 46
        panel = np.full((size + 2 * edge, size + 2 * edge, 3), 255, np.uint8)

        def at(said: float, true: float, size: int = size, edge: int = edge) -> tuple[int, int]:
            return round(edge + said * size), round(edge + (1 - true) * size)

        cv2.rectangle(panel, at(0, 0), at(1, 1), GREY, 1)
        cv2.line(panel, at(0, 0), at(1, 1), GREY, 1, cv2.LINE_AA)
        for tick in (0.0, 0.5, 1.0):
            (x, _), (_, y) = at(tick, 0), at(0, tick)
            for place_ in ((x - 8, edge + size + 18), (edge - 30, y + 5)):
                written(panel, f"{tick:g}", place_)
        for bin_ in row["reliability"]:
            n, true = bin_["n"], bin_["true"]
            half = 1.96 * np.sqrt(max(true * (1 - true), 0.25 / n) / n)
            low, high = max(0.0, true - half), min(1.0, true + half)
            cv2.line(panel, at(bin_["said"], low), at(bin_["said"], high), BLUE, 2, cv2.LINE_AA)
            cv2.circle(panel, at(bin_["said"], true), 5, ORANGE, -1, cv2.LINE_AA)
        written(panel, "probability said", (edge + 90, size + 2 * edge - 6))
        written(panel, "share truly square", (edge, edge - 10))
        degrees = f"{TOLERANCES[tolerance]:g} degrees: {row['n']} films"
        panels.append(titled(panel, degrees, f"calibration error {row['ece']:.3f}"))
    saved("reliability.png", side_by_side(panels))


FIGURES_BY_NAME: dict[str, Callable[[], None]] = {
    "positioning": positioning,
    "styles": styles,
    "scenarios": scenarios,
    "realism": realism,
    "findings": findings,
    "overlays": overlays,
    "solid": solid,
    "reliability": reliability,
}


def main() -> None:
    """Makes all figures, or those named."""
    parser = argparse.ArgumentParser(description="Make the pictures of the documentation.")
    parser.add_argument("which", nargs="*", metavar="FIGURE", default=[])
    for name in parser.parse_args().which or FIGURES_BY_NAME:
        FIGURES_BY_NAME[name]()


if __name__ == "__main__":
    main()
