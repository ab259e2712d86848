"""Finds knees and landmarks with ONNX Runtime: numpy and OpenCV beside it, no training library."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Literal

import cv2
import numpy as np
import onnxruntime
from numpy.typing import NDArray

from models.channels import (
    ANGLES,
    CHANNELS,
    CHANNELS_OF,
    FEMUR,
    FLIP_SHARE,
    SWAPPED,
    VIEWS,
)
from models.geometry import EXTENT, Similarity, crop_transform, letterbox_transform, picture_of
from models.tips import tips_of
from pipeline.knee.detection import Detection, DirectPose, FilmView
from pipeline.knee.errors import Problem
from pipeline.knee.film import Film
from pipeline.knee.landmarks import names_of

Array = NDArray[np.float64]
SHIPPED = Path(__file__).parent / "weights"
LATERAL_SIDE_PROBABILITY = 0.6
"""Of the side guessed on a lateral: most are taken with the receptor on the lateral side, and then
a right knee's patella faces smaller x (common practice, no source)."""


@dataclass(frozen=True)
class Place:
    """Where a knee lies on a film: what the locator says and each pass of landmarks betters.

    `mirror`: the knee's lateral side (on laterals its patella) lies to the right of `up`.
    """

    centre: Array
    width: float
    up: Array
    mirror: bool
    score: float
    view: Array
    mirror_probability: float


@dataclass
class OnnxDetector:
    """The shipped detector.

    Attributes:
        folder: where keypoints.onnx and locator.onnx lie; empty = the weights that ship. A
            folder without a locator is used with the locator that ships.
        threads: of ONNX Runtime; 0 = all cores.
        threshold: least score of the locator that counts as a knee.
        least_width: knees smaller than this share of the film's longer side are passed over.
        passes: times the crop is taken; from the second on it is placed by the landmarks.
        most: knees on one film at most.
    """

    folder: str = ""
    threads: int = 0
    threshold: float = 0.3
    least_width: float = 0.03
    passes: int = 2
    most: int = 4
    _sessions: dict[str, Any] = field(default_factory=dict, init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        if not 0.0 < self.threshold < 1.0:
            raise Problem("threshold", f"{self.threshold} is not between 0 and 1", "try 0.3")
        if self.passes < 1:
            raise Problem("passes", "at least one pass is needed", "try 2")

    def __getstate__(self) -> dict[str, Any]:
        """Sessions stay in their own process; another one opens its own."""
        return {**self.__dict__, "_sessions": {}}

    # -- weights

    @property
    def _folder(self) -> Path:
        return Path(self.folder) if self.folder else SHIPPED

    def _path(self, name: str) -> Path:
        path = self._folder / f"{name}.onnx"
        if name == "locator" and not path.exists() and (self._folder / "keypoints.onnx").exists():
            return SHIPPED / "locator.onnx"
        return path

    def _session(self, name: str) -> Any:
        if name not in self._sessions:
            path = self._path(name)
            if not path.exists():
                raise Problem(
                    str(self._folder),
                    f"there is no {name}.onnx in this folder of weights",
                    "name the folder of a finished training run, or leave it empty",
                )
            options = onnxruntime.SessionOptions()
            options.intra_op_num_threads = self.threads
            options.inter_op_num_threads = 1
            options.log_severity_level = 3
            # waiting threads must not burn the cores that other films need
            options.add_session_config_entry("session.intra_op.allow_spinning", "0")
            try:
                session = onnxruntime.InferenceSession(
                    str(path), options, providers=["CPUExecutionProvider"]
                )
                facts = json.loads(session.get_modelmeta().custom_metadata_map["facts"])
            except Exception as error:
                raise Problem(
                    str(path), "is no network of this program, or damaged", "choose other weights"
                ) from error
            if facts["channels"] != list(CHANNELS) or facts["views"] != list(VIEWS):
                raise Problem(
                    str(path),
                    "was trained for another list of landmarks",
                    "use weights of this version",
                )
            self._sessions[name] = session
            self._sessions[f"{name} facts"] = facts
        return self._sessions[name]

    def _facts(self, name: str) -> dict[str, Any]:
        self._session(name)
        facts: dict[str, Any] = self._sessions[f"{name} facts"]
        return facts

    @property
    def weights(self) -> str:
        """Name and digest (first 12 hex digits of sha256 over both networks)."""
        if "weights" not in self._sessions:
            digest = hashlib.sha256()
            name = self._facts("keypoints")["name"]
            for net in ("keypoints", "locator"):
                self._session(net)
                digest.update(self._path(net).read_bytes())
            self._sessions["weights"] = f"{name} {digest.hexdigest()[:12]}"
        word: str = self._sessions["weights"]
        return word

    def _run(self, name: str, picture: NDArray[np.float32]) -> dict[str, Array]:
        session = self._session(name)
        values = session.run(None, {"picture": picture[None, None]})
        outputs = [output.name for output in session.get_outputs()]
        return {
            key: np.asarray(value[0], dtype=np.float64)
            for key, value in zip(outputs, values, strict=True)
        }

    # -- reading

    def detect(self, film: Film) -> Sequence[Detection]:
        """All knees on the film, the surest first; one with view `none` where there is none."""
        pixels = film.pixels
        if not np.isfinite(cv2.sumElems(pixels)[0]):
            pixels = np.nan_to_num(pixels, nan=0.0, posinf=1.0, neginf=0.0)
        places = self.locate(pixels)
        found = [self._read(pixels, place) for place in places]
        knees = [d for d in found if d.view != "none"]
        if knees:
            return _apart(knees)
        box = (0.0, 0.0, float(film.columns - 1), float(film.rows - 1))
        best = max((place.score for place in places), default=0.0)
        sure = max([d.view_probability for d in found], default=max(0.5, 1.0 - best))
        return [_empty(box, "none", sure, False, 0.5)]

    def detect_as(
        self,
        film: Film,
        box: tuple[float, float, float, float],
        view: Literal["AP", "lateral"],
        lateral_to_right: bool | None,
    ) -> Detection:
        """The knee in `box` read as a person says it is: `view`, and which way it faces.

        `lateral_to_right` as in `Detection`; None leaves that to the networks.
        """
        pixels = np.nan_to_num(film.pixels, nan=0.0, posinf=1.0, neginf=0.0)
        middle = np.array([box[0] + box[2], box[1] + box[3]]) / 2
        side = max(box[2] - box[0], box[3] - box[1])
        near = [p for p in self.locate(pixels) if np.linalg.norm(p.centre - middle) < side / 4]
        upright = Place(middle, side / 2, np.array([0.0, -1.0]), False, 1.0, np.zeros(3), 0.5)
        place = min(near, key=lambda p: float(np.linalg.norm(p.centre - middle)), default=upright)
        word = np.array([float(name == view) for name in VIEWS[: len(place.view)]])
        place = replace(place, view=word, score=1.0)
        if lateral_to_right is not None:
            mirror = lateral_to_right != bool(place.up[1] > 0)
            place = replace(place, mirror=mirror, mirror_probability=1.0)
        return self._read(pixels, place, view)

    def locate(self, pixels: NDArray[np.float32]) -> list[Place]:
        """Peaks of the locator, the strongest first, each at least half a knee from the last.

        `pixels`: (rows, columns) grey levels of the film.
        """
        size = int(self._facts("locator")["options"]["locator"]["picture"])
        film_rows, film_columns = pixels.shape
        transform = letterbox_transform(film_rows, film_columns, size)
        out = self._run("locator", picture_of(pixels, transform))
        heat = out["heat"]
        places: list[Place] = []
        taken = np.zeros(heat.shape, dtype=bool)
        while len(places) < self.most:
            score = float(np.where(taken, -1.0, heat).max())
            if score < self.threshold:
                break
            i, j = np.unravel_index(int(np.where(taken, -1.0, heat).argmax()), heat.shape)
            centre, width = out["centre"][:, i, j], float(out["width"][i, j])
            far = np.hypot(*(out["centre"] - centre[:, None, None]))
            taken |= far < 0.6 * width
            taken[i, j] = True
            if width < self.least_width * size:
                continue
            chance = float(out["lateral_to_right"][i, j])
            places.append(
                Place(
                    centre=transform.back(centre),
                    width=width / transform.scale,
                    up=transform.direction_back(out["up"][:, i, j]),
                    mirror=chance > 0.5,
                    score=score,
                    view=out["view"][:, i, j],
                    mirror_probability=max(chance, 1.0 - chance),
                )
            )
        return places

    def _crop(
        self, pixels: NDArray[np.float32], place: Place
    ) -> tuple[Similarity, dict[str, Array]]:
        size = int(self._facts("keypoints")["options"]["keypoints"]["crop"])
        transform = crop_transform(place.centre, place.up, place.width, place.mirror, size)
        return transform, self._run("keypoints", picture_of(pixels, transform))

    def _read(
        self,
        pixels: NDArray[np.float32],
        place: Place,
        told: Literal["AP", "lateral"] | None = None,
    ) -> Detection:
        """Landmarks and angles of the knee at `place`; `told`: the view as a person says."""
        place, transform, out = self._faced(pixels, place)
        for _ in range(self.passes - 1):
            better = self._better(place, transform, out)
            if better is None or _near(better, place):
                break
            place = better
            transform, out = self._crop(pixels, place)
        chances = _views(place, out["view"])
        if told is not None:
            chances = np.array([float(name == told) for name in VIEWS])
        view: FilmView = VIEWS[int(chances.argmax())]  # type: ignore[assignment]
        # with the shaft pointing down the film, right of it is left on the film
        to_right = place.mirror != bool(place.up[1] > 0)
        facing = place.mirror_probability
        if view != "AP" and view != "lateral":
            return _empty(_box(transform), view, float(chances.max()), to_right, facing)
        found = self._detection(transform, out, view, chances, to_right, facing, place.mirror)

        def look(crop: Similarity) -> dict[str, Array]:
            return self._run("keypoints", picture_of(pixels, crop))

        return replace(found, tips=tips_of(pixels.shape, transform, out, look))

    def _faced(
        self, pixels: NDArray[np.float32], place: Place
    ) -> tuple[Place, Similarity, dict[str, Array]]:
        """The first crop, mirrored as both networks together hold for right.

        Where one look leaves a doubt, the mirror image is looked at as well.
        """
        transform, out = self._crop(pixels, place)
        before = _log_odds(place.mirror_probability)
        evidence = _log_odds(FLIP_SHARE) - _log_odds(float(out["flipped"]))
        if before + evidence > 3.0:
            sure = 1.0 / (1.0 + np.exp(-(before + evidence)))
            return replace(place, mirror_probability=float(sure)), transform, out
        turned = replace(place, mirror=not place.mirror)
        turned_transform, turned_out = self._crop(pixels, turned)
        against = _log_odds(FLIP_SHARE) - _log_odds(float(turned_out["flipped"]))
        odds = before + 0.5 * (evidence - against)
        sure = float(1.0 / (1.0 + np.exp(-abs(odds))))
        if odds >= 0.0:
            return replace(place, mirror_probability=sure), transform, out
        return replace(turned, mirror_probability=sure), turned_transform, turned_out

    def _better(self, place: Place, transform: Similarity, out: dict[str, Array]) -> Place | None:
        """Where the crop should have been: the mean femur laid over the femur found.

        None where the landmarks are no guide (no AP or lateral view, or a wild result).
        """
        chances = _views(place, out["view"])
        name = VIEWS[int(chances[:2].argmax())]
        if chances[:2].sum() < 0.3:
            return None
        use = FEMUR.copy()
        use[[k for k in range(len(CHANNELS)) if not _within(k, CHANNELS_OF[name])]] = False
        mean = np.array(self._facts("keypoints")["mean_places"])[use]
        xy = _named_right(out, name)[0][use]
        weight = 1.0 / (np.trace(out["covariance"][use], axis1=1, axis2=2) + 4.0)
        linear, shift = fit_similarity(mean, xy, weight)
        scale = float(np.hypot(linear[0, 0], linear[1, 0]))
        size = transform.size
        growth = scale * EXTENT / size
        lean = np.degrees(np.arctan2(linear[1, 0], linear[0, 0]))
        moved = np.linalg.norm(shift - (size - 1) / 2) / size
        if not (0.5 < growth < 2.0 and abs(lean) < 50.0 and moved < 0.4):
            return None
        return Place(
            centre=transform.back(shift),
            width=scale / transform.scale,
            up=transform.direction_back(linear @ np.array([0.0, -1.0]) / scale),
            mirror=place.mirror,
            score=place.score,
            view=place.view,
            mirror_probability=place.mirror_probability,
        )

    def _detection(
        self,
        transform: Similarity,
        out: dict[str, Array],
        view: Literal["AP", "lateral"],
        chances: Array,
        to_right: bool,
        facing: float,
        mirror: bool,
    ) -> Detection:
        xy, covariance, swapped, sign = _named_right(out, view)
        channels = CHANNELS_OF[view]
        factors = self._facts("keypoints")["sd_factors"][view]
        # one factor per landmark; older weights have one for all
        sd_factors = np.broadcast_to(factors["landmarks"], len(names_of(view)))
        which = 0 if view == "AP" else 1
        angles = out["angles_deg"][which] * sign
        sd = out["angles_sd_deg"][which] * np.array(factors["angles"])
        direct = DirectPose(
            **{f"{name}_deg": float(angles[k]) for k, name in enumerate(ANGLES)},
            **{f"{name}_sd": float(sd[k]) for k, name in enumerate(ANGLES)},
            flip_probability=swapped,
        )
        sure = facing if view == "AP" else min(LATERAL_SIDE_PROBABILITY, facing)
        return Detection(
            box=_box(transform),
            view=view,
            view_probability=float(chances.max()),
            lateral_to_right=to_right,
            lateral_to_right_probability=facing,
            side="left" if mirror else "right",
            side_probability=max(sure, 0.5),
            names=names_of(view),
            xy=transform.back(xy[channels]),
            covariance=transform.covariance_back(covariance[channels])
            * sd_factors[:, None, None] ** 2,
            seen=out["seen"][channels],
            direct=direct,
            # weights from before the network looked for implants say nothing about them
            found={
                name: float(out["found"][k])
                for k, name in enumerate(self._facts("keypoints").get("found", ()))
            },
        )


def _near(one: Place, other: Place) -> bool:
    """Whether two crops would differ by less than the network notices."""
    moved = np.linalg.norm(one.centre - other.centre) / other.width
    grown = abs(np.log(one.width / other.width))
    return bool(moved < 0.03 and grown < 0.02 and one.up @ other.up > np.cos(np.deg2rad(1.5)))


def _log_odds(p: float) -> float:
    p = float(np.clip(p, 1e-4, 1 - 1e-4))
    return float(np.log(p / (1 - p)))


def _within(index: int, channels: slice) -> bool:
    return bool(channels.start <= index < channels.stop)


def _views(place: Place, crop: Array) -> Array:
    """(4,) probabilities of `VIEWS` from the locator's word on the view and the crop's.

    The locator has no `none`: its peak's score stands for a knee being there at all.
    """
    whole = np.append(place.view * max(place.score, 0.5), 1.0 - max(place.score, 0.5))
    product = (whole + 1e-3) * (crop + 1e-3)
    result: Array = product / product.sum()
    return result


def _named_right(out: dict[str, Array], view: str) -> tuple[Array, Array, float, Array]:
    """(52, 2) places, covariances, chance of a mix-up (at most 1/2) and signs of the angles,
    with medial and lateral exchanged where the network holds that for likelier."""
    swapped = float(out["swapped"]) if view == "lateral" else 0.0
    if swapped <= 0.5:
        return out["xy"], out["covariance"], swapped, np.ones(3)
    return out["xy"][SWAPPED], out["covariance"][SWAPPED], 1 - swapped, np.array([-1.0, -1.0, 1.0])


def fit_similarity(source: Array, target: Array, weight: Array) -> tuple[Array, Array]:
    """(2, 2) and (2,) that carry (N, 2) `source` to `target` by turn, scale and shift alone, in
    weighted least squares (closed form with complex numbers)."""
    w = weight / weight.sum()
    a, b = source @ np.array([1.0, 1.0j]), target @ np.array([1.0, 1.0j])
    a0, b0 = (w * a).sum(), (w * b).sum()
    z = (w * np.conj(a - a0) * (b - b0)).sum() / max((w * np.abs(a - a0) ** 2).sum(), 1e-12)
    shift = b0 - z * a0
    return np.array([[z.real, -z.imag], [z.imag, z.real]]), np.array([shift.real, shift.imag])


def _box(transform: Similarity) -> tuple[float, float, float, float]:
    """The film box around the crop's middle two thirds: 2 W on a side."""
    low, high = transform.size / 6 - 0.5, transform.size * 5 / 6 - 0.5
    corners = transform.back(np.array([[low, low], [high, low], [low, high], [high, high]]))
    x0, y0 = corners.min(axis=0)
    x1, y1 = corners.max(axis=0)
    return float(x0), float(y0), float(x1), float(y1)


def _empty(
    box: tuple[float, float, float, float],
    view: FilmView,
    probability: float,
    to_right: bool,
    facing: float,
) -> Detection:
    """A detection without landmarks: no knee, or a knee in another projection."""
    return Detection(
        box=box,
        view=view,
        view_probability=probability,
        lateral_to_right=to_right,
        lateral_to_right_probability=max(facing, 0.5),
        side="left" if to_right else "right",
        side_probability=0.5,
        names=(),
        xy=np.zeros((0, 2)),
        covariance=np.zeros((0, 2, 2)),
        seen=np.zeros(0),
    )


def _apart(knees: list[Detection]) -> list[Detection]:
    """Without those that ended up on a knee already taken."""
    kept: list[Detection] = []
    for knee in knees:
        x0, y0, x1, y1 = knee.box
        middle, width = np.array([x0 + x1, y0 + y1]) / 2, max(x1 - x0, y1 - y0) / 2
        centres = [np.array([k.box[0] + k.box[2], k.box[1] + k.box[3]]) / 2 for k in kept]
        if all(np.linalg.norm(middle - other) > 0.5 * width for other in centres):
            kept.append(knee)
    return kept
