"""Labelled films to training samples: one whole-film picture and several knee crops each.

Rendering a film costs far more than cutting it up, so every film gives several crops with
different jitter. A stored crop is `WIDE` times as wide as what the network sees, so that the
replay buffer can still turn and shift it a little (`replay.py`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.augment import Augmenter
from models.channels import CHANNELS, CHANNELS_OF, FLIP_SHARE, FOUND, VIEWS
from models.geometry import (
    EXTENT,
    Similarity,
    crop_transform,
    inside_film,
    letterbox_transform,
    normalise,
    normalise_bytes,
    resample,
)
from pipeline.contracts import Look, Scene
from pipeline.knee.camera import Camera
from pipeline.knee.landmarks import names_of
from pipeline.knee.truth import KneeTruth, LabelledFilm

WIDE = 1.25
MAX_KNEES = 4
MAX_TIPS = 6
FAR = -1e4
"""Coordinate of what is not there."""

OVERSAMPLED = 2
"""Pixels of a developed picture per pixel of a stored crop."""

KNEE_FIELDS = 8
"""Per knee of a locator sample: x, y, W (picture pixels), up x, up y, view, lateral right of up,
1 where there is a knee."""


@dataclass(frozen=True)
class Jitter:
    """How far a training crop strays from the true one, as a locator's error would.

    `shift` in crop sides, `size` relative, `turn` degrees: half-ranges, drawn evenly.
    `flip` is the chance that the crop is the mirror image of the canonical form.
    """

    shift: float = 0.06
    size: float = 0.08
    turn: float = 12.0
    flip: float = FLIP_SHARE


LOCATED = Jitter(0.04, 0.06, 5.0, 0.0)
"""Jitter of validation crops: what a trained locator is off by."""


@dataclass(frozen=True)
class CropSample:
    """One crop for the keypoint network.

    Attributes:
        picture: (S', S') uint8, S' = `wide_size(crop)`.
        view: index into `channels.VIEWS`.
        flipped: 1 where the crop is the mirror image of the canonical form.
        xy: (52, 2) float32, pixels of `picture`.
        known: (52,) float32, 1 where `xy` is the truth.
        seen: (52,) float32, 1 where the landmark is on the film and not hidden.
        normal: (52, 2) float32, outline normals in the crop; zeros where there is none.
        canonical: (52, 2) float32, places in W from the femur's origin, shaft up, unjittered.
        angles: (3,) float32 degrees: rotation, tilt, flexion.
        posed: 1 where `angles` is the truth.
        found: (2,) float32, 1 where the knee has what `channels.FOUND` names.
        tips: (MAX_TIPS, 2) float32, instruments' tips, pixels of `picture`; `FAR` where none is.
        mm_per_px: at the knee, per pixel of `picture`.
    """

    picture: NDArray[np.uint8]
    view: np.int64
    flipped: np.float32
    xy: NDArray[np.float32]
    known: NDArray[np.float32]
    seen: NDArray[np.float32]
    normal: NDArray[np.float32]
    canonical: NDArray[np.float32]
    angles: NDArray[np.float32]
    posed: np.float32
    found: NDArray[np.float32]
    tips: NDArray[np.float32]
    mm_per_px: np.float32


@dataclass(frozen=True)
class FilmSample:
    """One whole film for the locator: `picture` (S, S) uint8, `knees` (MAX_KNEES, KNEE_FIELDS)."""

    picture: NDArray[np.uint8]
    knees: NDArray[np.float32]


def crop_record(crop: int) -> np.dtype[np.void]:
    """A `CropSample` as one record of fixed layout."""
    size, count = wide_size(crop), len(CHANNELS)
    plain = {"view": "i8", "flipped": "f4", "posed": "f4", "mm_per_px": "f4"}
    shapes = {
        "picture": ("u1", (size, size)),
        "xy": ("f4", (count, 2)),
        "known": ("f4", (count,)),
        "seen": ("f4", (count,)),
        "normal": ("f4", (count, 2)),
        "canonical": ("f4", (count, 2)),
        "angles": ("f4", (3,)),
        "found": ("f4", (len(FOUND),)),
        "tips": ("f4", (MAX_TIPS, 2)),
    }
    return np.dtype(
        [
            (f.name, plain[f.name]) if f.name in plain else (f.name, *shapes[f.name])
            for f in fields(CropSample)
        ]
    )


def label_record(crop: int) -> np.dtype[np.void]:
    """A crop's labels without its picture."""
    whole = crop_record(crop)
    return np.dtype([(name, whole[name]) for name in whole.names or () if name != "picture"])


def film_record(picture: int) -> np.dtype[np.void]:
    """A `FilmSample` as one record of fixed layout."""
    return np.dtype(
        [("picture", "u1", (picture, picture)), ("knees", "f4", (MAX_KNEES, KNEE_FIELDS))]
    )


def fill(record: NDArray[np.void], samples: Sequence[CropSample] | Sequence[FilmSample]) -> None:
    """Writes samples into the first places of an array of their records."""
    for place, sample in enumerate(samples):
        for name in record.dtype.names or ():
            record[name][place] = getattr(sample, name)


def wide_size(crop: int) -> int:
    """Side of a stored crop, pixels: even difference, so its middle is the crop's middle."""
    return crop + 2 * round(crop * (WIDE - 1.0) / 2)


def width_on_film(truth: KneeTruth) -> float:
    """W in film pixels in both views: the epicondylar width in 3-D at the knee's own scale."""
    return float(truth.width_mm / truth.mm_per_px_knee)


def lateral_right_of_up(truth: KneeTruth) -> bool:
    """`lateral_to_right` as seen with the femoral shaft pointing up, whatever the film's turn.

    From the landmarks where there are any; an upside-down film reverses the film's own word.
    """
    right = np.array([-truth.up[1], truth.up[0]])
    place = dict(zip(truth.names, truth.xy, strict=True))
    if truth.view == "AP" and len(place):
        across = place["lateral_epicondyle"] - place["medial_epicondyle"]
    elif truth.view == "lateral" and len(place):
        behind = place["medial_condyle_posterior"] + place["lateral_condyle_posterior"]
        across = place["trochlea_anterior"] - behind / 2
    else:
        across = np.full(2, np.nan)
    if not np.isfinite(across).all():
        across = np.array([1.0 if truth.lateral_to_right else -1.0, 0.0])
    return bool(across @ right > 0)


def to_bytes(picture: NDArray[np.float32]) -> NDArray[np.uint8]:
    """0..1 to 0..255, rounded."""
    return np.asarray(np.rint(picture * 255.0), dtype=np.uint8)


def _looked_at(
    pixels: NDArray[np.float32],
    transform: Similarity,
    augmenter: Augmenter | None,
    rng: np.random.Generator,
) -> NDArray[np.uint8]:
    """The normalised picture, its grey values disturbed and normalised again."""
    inside = inside_film(transform, *pixels.shape)
    picture = normalise(resample(pixels, transform, inside), inside)
    if augmenter is None:
        return to_bytes(picture)
    return normalise_bytes(augmenter(to_bytes(picture), rng), inside)


def cut(
    truth: KneeTruth, crop: int, jitter: Jitter, rng: np.random.Generator
) -> tuple[Similarity, bool]:
    """Where one stored crop of a knee lies on its film, and whether it is the wrong way round."""
    size = wide_size(crop)
    turn = np.deg2rad(rng.uniform(-jitter.turn, jitter.turn))
    c, s = np.cos(turn), np.sin(turn)
    up = np.array([[c, -s], [s, c]]) @ truth.up
    width = width_on_film(truth)
    grown = width * np.exp(rng.uniform(-jitter.size, jitter.size))
    centre = truth.centre + rng.uniform(-jitter.shift, jitter.shift, 2) * EXTENT * width
    flip = bool(rng.random() < jitter.flip)
    mirror = lateral_right_of_up(truth) != flip
    return crop_transform(centre, up, grown, mirror, size, EXTENT * size / crop), flip


def crop_labels(
    truth: KneeTruth, transform: Similarity, flip: bool, shape: tuple[int, int]
) -> dict[str, Any]:
    """Everything of a `CropSample` but its picture. `shape`: rows and columns of the film."""
    mirror = lateral_right_of_up(truth)
    exact = crop_transform(truth.centre, truth.up, width_on_film(truth), mirror, 3, 3.0)
    xy = np.full((len(CHANNELS), 2), FAR, dtype=np.float32)
    normal, canonical = np.zeros_like(xy), np.zeros_like(xy)
    known, seen = np.zeros(len(CHANNELS), np.float32), np.zeros(len(CHANNELS), np.float32)
    if truth.view != "other" and len(truth.names):
        place = {n: k for k, n in enumerate(names_of(truth.view), CHANNELS_OF[truth.view].start)}
        index = np.array([place[name] for name in truth.names])
        finite = np.asarray(np.isfinite(truth.xy).all(axis=1))
        points = np.where(finite[:, None], truth.xy, 0.0)
        xy[index] = transform.forward(points)
        canonical[index] = exact.forward(points) - 1.0
        normal[index] = transform.direction_forward(np.nan_to_num(truth.normal))
        # a crop the wrong way round teaches that it is, and nothing else
        known[index] = finite * (0.0 if flip else 1.0)
        seen[index] = truth.seen & finite
    angles = np.array([truth.rotation_deg, truth.tilt_deg, truth.flexion_deg], dtype=np.float64)
    posed = truth.view in CHANNELS_OF and not flip and bool(np.isfinite(angles).all())
    tips = np.full((MAX_TIPS, 2), FAR, np.float32)
    shown = ((truth.tips >= 0) & (truth.tips <= np.array(shape[::-1]) - 1)).all(axis=1)
    points = truth.tips[shown][:MAX_TIPS]
    tips[: len(points)] = transform.forward(points)
    return {
        "view": np.int64(VIEWS.index(truth.view)),
        "flipped": np.float32(flip),
        "xy": xy,
        "known": known,
        "seen": seen,
        "normal": normal,
        "canonical": canonical,
        "angles": np.where(posed, angles, 0.0).astype(np.float32),
        "posed": np.float32(posed),
        "found": np.array([truth.found.get(name, 0.0) for name in FOUND], np.float32),
        "tips": tips,
        "mm_per_px": np.float32(truth.mm_per_px_knee / transform.scale),
    }


def crop_sample(
    labelled: LabelledFilm,
    truth: KneeTruth,
    crop: int,
    jitter: Jitter,
    augmenter: Augmenter | None,
    rng: np.random.Generator,
) -> CropSample:
    """One crop of one knee, jittered."""
    transform, flip = cut(truth, crop, jitter, rng)
    picture = _looked_at(labelled.film.pixels, transform, augmenter, rng)
    shape = labelled.film.pixels.shape
    return CropSample(picture=picture, **crop_labels(truth, transform, flip, shape))


def stray_sample(
    labelled: LabelledFilm,
    crop: int,
    augmenter: Augmenter | None,
    rng: np.random.Generator,
) -> CropSample | None:
    """A crop with no knee in its middle: somewhere else on the film; None where all is knee."""
    rows, columns = labelled.film.pixels.shape
    size = wide_size(crop)
    for _ in range(8):
        centre = rng.uniform(0.0, 1.0, 2) * [columns, rows]
        width = np.exp(rng.uniform(np.log(0.1), np.log(0.45))) * max(rows, columns)
        if all(
            np.linalg.norm(truth.centre - centre) > 1.3 * width_on_film(truth)
            for truth in labelled.knees
        ):
            break
    else:
        return None
    turn = rng.uniform(-np.pi, np.pi)
    up = np.array([np.sin(turn), -np.cos(turn)])
    mirror = bool(rng.random() < 0.5)
    transform = crop_transform(centre, up, width, mirror, size, EXTENT * size / crop)
    count = len(CHANNELS)
    return CropSample(
        picture=_looked_at(labelled.film.pixels, transform, augmenter, rng),
        view=np.int64(VIEWS.index("none")),
        flipped=np.float32(0.0),
        xy=np.full((count, 2), FAR, np.float32),
        known=np.zeros(count, np.float32),
        seen=np.zeros(count, np.float32),
        normal=np.zeros((count, 2), np.float32),
        canonical=np.zeros((count, 2), np.float32),
        angles=np.zeros(3, np.float32),
        posed=np.float32(0.0),
        found=np.zeros(len(FOUND), np.float32),
        tips=np.full((MAX_TIPS, 2), FAR, np.float32),
        mm_per_px=np.float32(1.0),
    )


def film_sample(
    labelled: LabelledFilm,
    size: int,
    augmenter: Augmenter | None,
    rng: np.random.Generator | None,
) -> FilmSample:
    """The whole film, letterboxed; with `rng` also turned, scaled, shifted and mirrored.

    A knee whose centre leaves the picture is not asked for.
    """
    rows, columns = labelled.film.pixels.shape
    transform = letterbox_transform(rows, columns, size)
    if rng is not None:
        transform = _moved(transform, rng)
    knees = np.zeros((MAX_KNEES, KNEE_FIELDS), np.float32)
    slot = 0
    for truth in labelled.knees:
        centre = transform.forward(truth.centre)
        if slot == MAX_KNEES or not bool(((centre > -0.5) & (centre < size - 0.5)).all()):
            continue
        up = transform.direction_forward(truth.up)
        knees[slot] = [
            *centre,
            width_on_film(truth) * transform.scale,
            *up,
            VIEWS.index(truth.view),
            lateral_right_of_up(truth) != transform.mirrored,
            1.0,
        ]
        slot += 1
    picture = _looked_at(
        labelled.film.pixels, transform, augmenter, rng or np.random.default_rng(0)
    )
    return FilmSample(picture, knees)


def _moved(transform: Similarity, rng: np.random.Generator) -> Similarity:
    """`transform` followed by a mirror, quarter turns, a small turn, a zoom and a shift."""
    angle = np.deg2rad(rng.normal(0.0, 8.0)) if rng.random() < 0.5 else 0.0
    if rng.random() < 0.25:
        angle += np.pi / 2 * rng.integers(1, 4)
    zoom = float(np.exp(rng.uniform(-0.35, 0.25))) if rng.random() < 0.5 else 1.0
    middle = (transform.size - 1) / 2
    c, s = np.cos(angle) * zoom, np.sin(angle) * zoom
    linear = np.array([[c, -s], [s, c]])
    if rng.random() < 0.5:
        linear = linear @ np.diag([-1.0, 1.0])
    moved = linear @ (transform.matrix - [[0, 0, middle], [0, 0, middle]])
    moved[:, 2] += middle + rng.uniform(-0.06, 0.06, 2) * transform.size
    return Similarity(moved, transform.size)


def film_to_samples(
    labelled: LabelledFilm,
    crop: int,
    picture: int,
    crops: int,
    augmenter: Augmenter | None,
    rng: np.random.Generator,
) -> tuple[FilmSample, Sequence[CropSample]]:
    """One locator sample and about `crops` keypoint samples of a film.

    A film without knees gives one stray crop; one in eight films with knees gives one as well.
    """
    whole = film_sample(labelled, picture, augmenter, rng)
    samples: list[CropSample] = []
    if not labelled.knees or rng.random() < 0.125:
        stray = stray_sample(labelled, crop, augmenter, rng)
        if stray is not None:
            samples.append(stray)
    if labelled.knees:
        for _ in range(crops):
            truth = labelled.knees[int(rng.integers(len(labelled.knees)))]
            samples.append(crop_sample(labelled, truth, crop, Jitter(), augmenter, rng))
    return whole, samples


def look_at(shot: int, camera: Camera, transform: Similarity) -> Look:
    """The part of a shot's film that a stored crop shows, `OVERSAMPLED` times as fine."""
    inverse, size = transform.inverse_matrix, transform.size * OVERSAMPLED
    linear = inverse[:, :2] / OVERSAMPLED
    # fine pixel v shows crop pixel (v + 0.5) / OVERSAMPLED - 0.5
    first = inverse[:, 2] + inverse[:, :2] @ np.full(2, 0.5 / OVERSAMPLED - 0.5)
    part = Camera(
        camera.source,
        camera.pixel(first),
        linear[0, 0] * camera.step_x + linear[1, 0] * camera.step_y,
        linear[0, 1] * camera.step_x + linear[1, 1] * camera.step_y,
        size,
        size,
    )
    return Look(shot, part, np.concatenate([linear, first[:, None]], axis=1))


def scene_to_looks(
    scene: Scene, crop: int, rng: np.random.Generator
) -> tuple[list[Look], NDArray[np.void]]:
    """One jittered crop of every shot: what to draw, and the labels (`label_record`)."""
    looks = []
    labels = np.zeros(len(scene.shots), label_record(crop))
    for number, shot in enumerate(scene.shots):
        transform, flip = cut(shot.truth, crop, Jitter(), rng)
        looks.append(look_at(number, shot.camera, transform))
        shape = (shot.camera.rows, shot.camera.columns)
        for name, value in crop_labels(shot.truth, transform, flip, shape).items():
            labels[name][number] = value
    return looks, labels
