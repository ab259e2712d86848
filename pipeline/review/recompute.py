"""A reading made again after a person's changes, by the same code as `squareon read`.

The detection is the network's own, with what a person moved, added or removed put into it;
fit, alignment and proposals are then those of `pipeline.run`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, cast

import numpy as np
from numpy.typing import NDArray

from pipeline.knee.detection import SEEN_FROM, Detection, Pose
from pipeline.knee.errors import Problem
from pipeline.knee.film import Film
from pipeline.knee.landmarks import names_of
from pipeline.knee.reading import LandmarkRead, Reading, SideRead
from pipeline.looks import Look, partner_of, refusal, settle_side
from pipeline.propose.instruments import instrument
from pipeline.records.rows import to_dict
from pipeline.review.changes import Changes, swapped_name
from pipeline.run import Parts, reading_of, sight_of

Array = NDArray[np.float64]

PLACED_MM = 0.5
"""Standard deviation of a landmark put down by a person, mm at the knee: a design value; the
model adds what it leaves out itself (`pipeline.fit.placing`)."""
PLACED_BOX = 0.003
"""The same where no scale is known, as a share of the knee's box (two knee widths)."""
PLACED_LEAST_PX = 0.5
NAMED_BY_PERSON = 0.02
"""Chance that a person who exchanged or confirmed medial and lateral is wrong: a design value."""
FAR_OUT = 9.2103
"""Squared distance of the 99 % ellipse of a 2-D normal error, in variances: 2 ln 100."""
MOST_FAR_OUT = 3
"""From so many landmarks moved out of the network's 99 % ellipses on, its own reading of the
angles is left out as well: it looked at the same crop. A design value."""


@dataclass(frozen=True)
class Base:
    """What changes count from: the film, the detection behind the original reading, its pair.

    `alone`: the film shows one knee, so that its header speaks of this one.
    """

    film: Film
    index: int
    detection: Detection
    alone: bool = True
    partner: Look | None = None


@dataclass(frozen=True)
class Revised:
    """A reading after changes, and what only the page draws.

    Attributes:
        fitted: landmark to (x, y) pixels of the fitted knee, those not seen included.
        shift_percent: per instrument, the share of its depth's half-width that comes from the
            film's misalignment, % of the shaft; None where there is no depth.
    """

    reading: Reading
    fitted: Mapping[str, Array]
    shift_percent: tuple[float | None, ...]

    def row(self) -> dict[str, Any]:
        """The object of `readings.jsonl`."""
        return to_dict(self.reading)

    def drawn(self) -> dict[str, Any]:
        """Outline and fitted places as plain values, a hundredth of a pixel fine."""
        return {
            "outline": {b: np.round(p, 2).tolist() for b, p in self.reading.outline.items()},
            "fitted": {n: np.round(p, 2).tolist() for n, p in self.fitted.items()},
            "shift_percent": list(self.shift_percent),
        }


def recompute(base: Base, changes: Changes, parts: Parts) -> Revised:
    """The reading of `base` with `changes`. Raises `Problem` where they cannot be carried out."""
    detection = edited(base, changes, parts)
    side, cautions = _side_of(base, detection, changes)
    refused = refusal(base.film, detection, parts.min_view_probability)
    if changes.view in ("AP", "lateral"):
        refused = None  # a person has looked: neither header nor network overrules that
    pose = None
    if refused is None:
        try:
            pose = parts.pose.estimate(base.film, detection)
            if changes.view is None:
                refused = parts.plausibility.refusal(detection, pose)
        except Problem as problem:
            refused = problem.what
        if refused is not None:
            pose = None
    if base.detection.direct is not None and detection.direct is None and pose is not None:
        cautions = (
            *cautions,
            "the network's own reading of the angles was left out: a person's landmarks "
            "lie far from where it saw them",
        )
    look = Look(base.film, base.index, detection, side, pose, refused, cautions)
    partner = None if base.partner is None else partner_of(look, [base.partner])
    reading = reading_of(look, partner, parts)
    reading = replace(reading, landmarks=_marked(reading.landmarks, base, changes))
    if pose is None:
        return Revised(reading, {}, (None,) * len(detection.tips))
    sight = sight_of(look, pose, parts, partner)
    shares = tuple(instrument(sight, np.asarray(tip), 0.0)[1] for tip in detection.tips)
    return Revised(reading, pose.fitted, shares)


def look_of(base: Base, changes: Changes, parts: Parts) -> Look | None:
    """The knee as the other view's pair: None where it has no pose."""
    detection = edited(base, changes, parts)
    side, cautions = _side_of(base, detection, changes)
    if detection.view not in ("AP", "lateral"):
        return None
    try:
        pose: Pose | None = parts.pose.estimate(base.film, detection)
    except Problem:
        return None
    return Look(base.film, base.index, detection, side, pose, None, cautions)


def _side_of(
    base: Base, detection: Detection, changes: Changes
) -> tuple[SideRead, tuple[str, ...]]:
    """The knee's side, a person's word before header and picture, and cautions."""
    side, cautions = settle_side(base.film, detection, base.alone)
    if changes.side is not None:
        side = SideRead(changes.side, 1.0, "person")
    return side, cautions


# ---- the detection -----------------------------------------------------------------------------


def edited(base: Base, changes: Changes, parts: Parts) -> Detection:
    """The detection with a person's changes in it."""
    detection = base.detection
    if changes.view is not None and changes.view != detection.view:
        detection = _as_view(base, changes, parts)
    if changes.swap:
        detection = _exchanged(base.film, detection, parts)
    if changes.instruments is not None:
        tips = np.array(changes.instruments, dtype=np.float64).reshape(-1, 2)
        detection = replace(detection, tips=tips)
    known = {n: p for n, p in changes.landmarks.items() if n in detection.names}
    if not known:
        return detection
    xy = np.array(detection.xy)
    covariance = np.array(detection.covariance)
    seen = np.array(detection.seen, dtype=np.float64)
    variance = placed_sd(base) ** 2
    far = 0
    for name, place in known.items():
        i = detection.names.index(name)
        if place is None:
            seen[i] = 0.0
            continue
        off = np.asarray(place) - xy[i]
        far += bool(seen[i] >= SEEN_FROM and off @ np.linalg.solve(covariance[i], off) > FAR_OUT)
        xy[i], covariance[i], seen[i] = place, variance * np.eye(2), 1.0
    direct = None if far >= MOST_FAR_OUT else detection.direct
    return replace(detection, xy=xy, covariance=covariance, seen=seen, direct=direct)


def placed_sd(base: Base) -> float:
    """Standard deviation of a place given by a person, pixels."""
    scale = base.film.scale.mm_per_px_knee
    if scale is not None:
        return max(PLACED_MM / scale, PLACED_LEAST_PX)
    x0, y0, x1, y1 = base.detection.box
    return max(PLACED_BOX * max(x1 - x0, y1 - y0), PLACED_LEAST_PX)


def _as_view(base: Base, changes: Changes, parts: Parts) -> Detection:
    """The knee read as the view that a person names."""
    view, old = changes.view, base.detection
    assert view is not None
    if view in ("other", "none"):
        empty = np.zeros((0, 2))
        return replace(
            old,
            view=view,
            view_probability=1.0,
            names=(),
            xy=empty,
            covariance=np.zeros((0, 2, 2)),
            seen=np.zeros(0),
            direct=None,
        )
    again = getattr(parts.detector, "detect_as", None)
    if again is not None:
        return cast(Detection, again(base.film, old.box, view, None))
    return _blank(old, view)


def _exchanged(film: Film, detection: Detection, parts: Parts) -> Detection:
    """Medial and lateral exchanged.

    On a lateral film the names change places, and with them the signs of the network's angles.
    An AP film is looked at again as its mirror image, because its landmarks are no pairs.
    """
    if detection.view == "AP":
        to_right = not detection.lateral_to_right
        again = getattr(parts.detector, "detect_as", None)
        if again is not None:
            return cast(Detection, again(film, detection.box, "AP", to_right))
        return replace(_blank(detection, "AP"), lateral_to_right=to_right)
    order = [detection.names.index(swapped_name(name)) for name in detection.names]
    direct = detection.direct
    if direct is not None:
        direct = replace(
            direct,
            rotation_deg=-direct.rotation_deg,
            tilt_deg=-direct.tilt_deg,
            flip_probability=NAMED_BY_PERSON,
        )
    return replace(
        detection,
        xy=detection.xy[order],
        covariance=detection.covariance[order],
        seen=detection.seen[order],
        direct=direct,
    )


def _blank(old: Detection, view: str) -> Detection:
    """A detection of which nothing is known but the box, for a detector that looks only once."""
    names = names_of("AP" if view == "AP" else "lateral")
    kept = {name: i for i, name in enumerate(old.names)} if old.view != view else {}
    xy, covariance, seen = _unseen(len(names), old.box)
    for i, name in enumerate(names):
        if name in kept:
            j = kept[name]
            xy[i], covariance[i], seen[i] = old.xy[j], old.covariance[j], old.seen[j]
    return replace(
        old,
        view=cast(Any, view),
        view_probability=1.0,
        names=names,
        xy=xy,
        covariance=covariance,
        seen=seen,
        direct=None,
    )


# ---- what a reading alone remembers ------------------------------------------------------------


def behind(row: Mapping[str, Any], detections: Sequence[Detection]) -> Detection | None:
    """The detection from which `row` was read, or None where these are others.

    Landmarks that are seen must lie where `row` has them, to what its decimals hold.
    """
    for detection in detections:
        if detection.view != row["view"]["name"]:
            continue
        at = {name: i for i, name in enumerate(detection.names)}
        places = [(each["name"], each["x"], each["y"]) for each in row["landmarks"] if each["seen"]]
        if all(n in at and np.abs(detection.xy[at[n]] - (x, y)).max() < 0.02 for n, x, y in places):
            return detection
    return None


def remembered(row: Mapping[str, Any], film: Film) -> Detection:
    """The detection as far as `row` remembers it: for readings of other weights or settings.

    Landmarks that were not seen are given the knee's box as their place and its size as their
    uncertainty; the network's own reading of the angles is gone.
    """
    view = row["view"]["name"]
    box = row["knee"]["box"] or [0.0, 0.0, film.columns - 1.0, film.rows - 1.0]
    names = names_of(view) if view in ("AP", "lateral") else ()
    xy, covariance, seen = _unseen(len(names), box)
    at = {name: i for i, name in enumerate(names)}
    for each in row["landmarks"]:
        if each["seen"] and each["name"] in at:
            i = at[each["name"]]
            xy[i] = each["x"], each["y"]
            covariance[i] = _spread(each["sd_major"], each["sd_minor"], each["sd_angle_deg"])
            seen[i] = 1.0
    side = row["side"]["name"] or "right"
    found = {k: row["found"][k] for k in ("implant", "hardware") if row["found"][k] is not None}
    tips = [each["tip"] for each in row["found"]["instruments"]]
    return Detection(
        box=tuple(box),
        view=view,
        view_probability=row["view"]["probability"],
        lateral_to_right=_to_right(at, xy, seen, view),
        lateral_to_right_probability=1.0,
        side=cast(Any, side),
        side_probability=row["side"]["probability"],
        names=names,
        xy=xy,
        covariance=covariance,
        seen=seen,
        found=found,
        tips=np.array(tips, dtype=np.float64).reshape(-1, 2),
    )


def _unseen(count: int, box: Sequence[float]) -> tuple[Array, Array, Array]:
    """(K, 2) places, (K, 2, 2) covariances, (K,) zeros of landmarks of which the box is known.

    The box's middle stands for each place, its size for how uncertain that is; pixels.
    """
    x0, y0, x1, y1 = box
    middle, size = np.array([(x0 + x1) / 2, (y0 + y1) / 2]), max(x1 - x0, y1 - y0)
    covariance = np.tile(size**2 * np.eye(2), (count, 1, 1))
    return np.tile(middle, (count, 1)), covariance, np.zeros(count)


def _spread(major: float, minor: float, angle_deg: float) -> Array:
    """(2, 2) covariance of an ellipse, square pixels."""
    a = np.radians(angle_deg)
    turn = np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]])
    return np.asarray(turn @ np.diag([max(major, 0.05) ** 2, max(minor, 0.05) ** 2]) @ turn.T)


def _to_right(at: Mapping[str, int], xy: Array, seen: Array, view: str) -> bool:
    """Whether the lateral side (AP) or the front (lateral film) lies toward larger x."""
    pairs = (
        (("medial_epicondyle", "lateral_epicondyle"), ("medial_plateau_edge", "lateral_spine"))
        if view == "AP"
        else (
            ("medial_condyle_posterior", "trochlea_anterior"),
            ("femoral_shaft_posterior_low", "femoral_shaft_anterior_low"),
        )
    )
    for start, end in pairs:
        if start in at and end in at and seen[at[start]] and seen[at[end]]:
            return bool(xy[at[end], 0] > xy[at[start], 0])
    return False


# ---- what a person added -----------------------------------------------------------------------


def _marked(
    landmarks: Sequence[LandmarkRead], base: Base, changes: Changes
) -> tuple[LandmarkRead, ...]:
    """Places given by a person to the digit they were given with, also off the film's edge."""
    sd = placed_sd(base)
    marked = []
    for each in landmarks:
        place = changes.landmarks.get(each.name)
        if place is not None:
            each = LandmarkRead(each.name, *place, sd, sd, 0.0, True)
        marked.append(each)
    return tuple(marked)
