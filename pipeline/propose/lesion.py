"""The footprint of a lesion about an instrument's tip, to scale on the film: a reviewer's tool.

It looks back at archived films: how large tissue of that size would show at the tip, and how far
that is from what is proposed and from the nerve zone. It is never a plan: sizes were measured
outside the body, and neither blood flow nor the real tissue is in them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.knee.errors import Problem
from pipeline.knee.reading import Proposal, Warning_
from pipeline.propose.spheroid import Ellipse, Spheroid, film_matrix, shadow

Array = NDArray[np.float64]
Range = tuple[float, float]

EX_VIVO = "Pain Med 2014, ex vivo (abstract)"


@dataclass(frozen=True)
class Sizes:
    """Extents of a lesion, [least, most] mm: width across and length along the instrument, and
    how far it reaches beyond the tip; `source` says where they come from."""

    width_mm: Range
    length_mm: Range
    projection_mm: Range
    source: str


KINDS: dict[str, Sizes] = {
    "conventional": Sizes(
        (5.0, 10.0),
        (11.0, 15.0),
        (0.5, 2.5),
        f"width 5 to 6 mm at 22 gauge, 9 to 10 at 16 gauge, length 1 to 5 mm more than the bare "
        f"tip: {EX_VIVO}; bare tip of 10 mm: common practice, no source; half of the excess "
        "beyond the tip: design",
    ),
    "cooled": Sizes(
        (8.0, 12.0),
        (8.0, 12.0),
        (2.0, 5.0),
        "nearly a sphere that reaches beyond the tip: Reg Anesth Pain Med 2024 supplement "
        "(abstract); 8 to 12 mm across, and how far beyond: from memory, unsure",
    ),
}
ELEVATION_DEG: dict[str, Range] = {"AP": (0.0, 30.0), "lateral": (0.0, 85.0)}
"""How far an instrument may stand out of the film's plane where nobody says: one film does not
tell (a design value; from the side instruments are mostly seen nearly end on)."""
SOURCE_MM = 800.0
LARGEST_MM = 60.0
STEPS = 3


@dataclass(frozen=True)
class Lesion:
    """What a reviewer wants to see the footprint of.

    Attributes:
        kind: conventional or cooled; gives the sizes that are not given.
        width_mm, length_mm, projection_mm: [least, most] across, along and beyond the tip, mm;
            one number twice where it is known.
        elevation_deg: [least, most] angle of the instrument with the film's plane, 0 to 90.
        mm_per_px: scale at the knee where the film has none; None: nothing is drawn then.
    """

    kind: str = "conventional"
    width_mm: Range | None = None
    length_mm: Range | None = None
    projection_mm: Range | None = None
    elevation_deg: Range | None = None
    mm_per_px: float | None = None

    def __post_init__(self) -> None:
        if self.kind not in KINDS:
            raise Problem(
                f"kind {self.kind}", "is no kind of lesion", f"choose among {', '.join(KINDS)}"
            )
        for name, most in (
            ("width_mm", LARGEST_MM),
            ("length_mm", LARGEST_MM),
            ("projection_mm", LARGEST_MM),
            ("elevation_deg", 90.0),
        ):
            given = getattr(self, name)
            least = 0.0 if name in ("projection_mm", "elevation_deg") else 0.5
            if given is not None and not least <= given[0] <= given[1] <= most:
                what = f"{given[0]:g} to {given[1]:g} is no range"
                raise Problem(name, what, f"give two rising numbers from {least:g} to {most:g}")
        if self.mm_per_px is not None and not 0.01 <= self.mm_per_px <= 5.0:
            raise Problem(
                "mm_per_px", f"{self.mm_per_px:g} is no film's scale", "give 0.01 to 5 mm a pixel"
            )
        if self.sizes.projection_mm[1] > self.sizes.length_mm[0]:
            raise Problem(
                "projection_mm",
                "the lesion would reach farther beyond the tip than it is long",
                "give a smaller projection or a greater length",
            )

    @property
    def sizes(self) -> Sizes:
        """What is given, else the kind's."""
        usual = KINDS[self.kind]
        own = [self.width_mm, self.length_mm, self.projection_mm]
        source = "as given" if None not in own else usual.source
        if None in own and own != [None, None, None]:
            source = f"partly as given, the rest: {usual.source}"
        return Sizes(
            self.width_mm or usual.width_mm,
            self.length_mm or usual.length_mm,
            self.projection_mm or usual.projection_mm,
            source,
        )


@dataclass(frozen=True)
class Footprint:
    """One tip's footprint; pixels of the film, mm at the knee.

    Attributes:
        inner: (N, 2) what every size and direction in the ranges covers; empty: nothing is.
        outer: (N, 2) how far the largest may reach.
        ahead: (2,) the way the instrument points on the film; None: not known, `outer` is then
            the circle that holds every direction and `inner` is empty.
        target: the nearest proposal, None where none is shown; target_mm from the tip to it,
            target_90_mm the proposal's own 90 % radius, within: `inner`, `outer` or `outside`.
        zone_mm: from `outer` to the nerve zone, 0 where they overlap; tip_zone_mm from the tip,
            negative inside the zone. None where there is no zone.
    """

    tip: Array
    inner: Array
    outer: Array
    ahead: Array | None
    target: str | None
    target_mm: float | None
    target_90_mm: float | None
    within: str | None
    zone_mm: float | None
    tip_zone_mm: float | None


def corner_shadows(
    tip: Array,
    ahead: Array,
    lesion: Lesion,
    view: str,
    mm_per_px: float,
    *,
    source_mm: float,
    principal: Array,
) -> list[Ellipse]:
    """Shadows, in pixels, of the ends of all ranges, both ways out of the film's plane.

    Args:
        tip: (2,) pixels; ahead: (2,) unit film direction.
        mm_per_px: at the knee; source_mm: source to knee; principal: (2,) pixel of the central
            ray.
    """
    sizes = lesion.sizes
    matrix = film_matrix(mm_per_px, source_mm, principal)
    place = np.array([*(np.asarray(tip) * mm_per_px), 0.0])
    rises = np.linspace(*(lesion.elevation_deg or ELEVATION_DEG[view]), STEPS)
    found = []
    for width, length, projection, rise, way in product(
        set(sizes.width_mm),
        set(sizes.length_mm),
        set(sizes.projection_mm),
        dict.fromkeys(np.radians(rises)),
        (-1.0, 1.0),
    ):
        axis = np.array([*(np.cos(rise) * np.asarray(ahead)), way * np.sin(rise)])
        body = Spheroid.at_tip(place, axis, width=width, length=length, projection=projection)
        found.append(shadow(body, matrix))
    return found


def outlines_of(shadows: Sequence[Ellipse]) -> tuple[Array, Array]:
    """What all shadows cover together, and the hull of what any of them covers: (N, 2) pixels."""
    edges = [each.points().astype(np.float32) for each in shadows]
    outer = cv2.convexHull(np.concatenate(edges))[:, 0].astype(np.float64)
    inner = edges[0]
    for edge in edges[1:]:
        area, common = cv2.intersectConvexConvex(inner.reshape(-1, 1, 2), edge.reshape(-1, 1, 2))
        if area <= 0 or common is None:
            return np.zeros((0, 2)), outer
        inner = np.asarray(common, dtype=np.float32).reshape(-1, 2)
    return inner.astype(np.float64), outer


def footprint(
    tip: Array,
    ahead: Array | None,
    lesion: Lesion,
    view: str,
    mm_per_px: float,
    proposals: Sequence[Proposal],
    zones: Sequence[Warning_],
    *,
    source_mm: float | None = None,
    principal: Array | None = None,
) -> Footprint:
    """The footprint at one tip, and what it is near to.

    Args:
        tip: (2,) pixels; ahead: (2,) unit film direction or None.
        mm_per_px: at the knee; source_mm: source to knee; principal: (2,) pixel of the central
            ray. Where they are not known 800 mm and the tip itself stand for them: 100 mm more or
            less change a footprint by less than its line's width.
    """
    tip = np.asarray(tip, dtype=np.float64)
    source, centre = source_mm or SOURCE_MM, tip if principal is None else principal
    if ahead is None:
        sizes = lesion.sizes
        reach = max(sizes.projection_mm[1], sizes.length_mm[1] - sizes.projection_mm[0])
        radius = max(reach, sizes.width_mm[1] / 2) / mm_per_px
        inner, outer = np.zeros((0, 2)), Ellipse(tip, radius**2 * np.eye(2)).points()
    else:
        ahead = np.asarray(ahead, dtype=np.float64) / np.linalg.norm(ahead)
        inner, outer = outlines_of(
            corner_shadows(tip, ahead, lesion, view, mm_per_px, source_mm=source, principal=centre)
        )
    target, apart, radius_90, within = _nearest(tip, inner, outer, proposals, mm_per_px)
    zone, tip_zone = None, None
    for each in zones:
        polygon = np.asarray(each.polygon, dtype=np.float64)
        zone = _least(zone, gap(outer, polygon) * mm_per_px)
        tip_zone = _least(tip_zone, -_inside(polygon, tip) * mm_per_px)
    return Footprint(tip, inner, outer, ahead, target, apart, radius_90, within, zone, tip_zone)


def _least(one: float | None, other: float) -> float:
    return other if one is None else min(one, other)


def _nearest(
    tip: Array, inner: Array, outer: Array, proposals: Sequence[Proposal], mm_per_px: float
) -> tuple[str | None, float | None, float | None, str | None]:
    """The nearest proposal's name, its distance and radius in mm, and where it lies."""
    best: tuple[float, Proposal, Array] | None = None
    for proposal in proposals:
        if not proposal.points:
            continue
        ends = np.asarray(proposal.points, dtype=np.float64)
        spot = _on_segment(ends[0], ends[-1], tip)
        apart = float(np.linalg.norm(spot - tip))
        if best is None or apart < best[0]:
            best = (apart, proposal, spot)
    if best is None:
        return None, None, None, None
    apart, proposal, spot = best
    within = "outside"
    if len(inner) and _inside(inner, spot) >= 0:
        within = "inner"
    elif _inside(outer, spot) >= 0:
        within = "outer"
    radius = proposal.radius_90_px
    return proposal.target, apart * mm_per_px, radius and radius * mm_per_px, within


def _on_segment(start: Array, end: Array, point: Array) -> Array:
    """(2,) the point of a segment that is nearest."""
    line = end - start
    length = float(line @ line)
    share = 0.0 if length == 0 else float(np.clip((point - start) @ line / length, 0.0, 1.0))
    return np.asarray(start + share * line)


def _inside(polygon: Array, point: Array) -> float:
    """Distance to a polygon's edge, pixels, positive inside."""
    contour = polygon.astype(np.float32).reshape(-1, 1, 2)
    return float(cv2.pointPolygonTest(contour, (float(point[0]), float(point[1])), True))


def gap(one: Array, other: Array) -> float:
    """Least distance between two convex polygons, (N, 2) pixels each; 0 where they overlap."""
    area, _ = cv2.intersectConvexConvex(
        one.astype(np.float32).reshape(-1, 1, 2), other.astype(np.float32).reshape(-1, 1, 2)
    )
    if area > 0:
        return 0.0
    return min(_apart(one, other), _apart(other, one))


def _apart(corners: Array, polygon: Array) -> float:
    """Least distance from (N, 2) corners to the edges of a closed (M, 2) polygon."""
    line = np.roll(polygon, -1, axis=0) - polygon
    length = np.maximum((line**2).sum(axis=1), 1e-12)
    rel = corners[:, None] - polygon[None]
    share = np.clip((rel * line).sum(axis=2) / length, 0.0, 1.0)
    return float(np.linalg.norm(rel - share[..., None] * line, axis=2).min())
