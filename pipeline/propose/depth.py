"""How deep a point lies between the anterior and the posterior cortex on a lateral film."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.align.points import Array, across, femur_up, spot, tibia_up
from pipeline.align.square import Z90
from pipeline.contracts import Sight
from pipeline.knee.tips import bone_of


@dataclass(frozen=True)
class Cortices:
    """The two cortices of one bone at one height: (2,) pixels each; `sd` pixels along the line."""

    anterior: Array
    posterior: Array
    sd: float

    def at(self, percent: float) -> Array:
        """(2,) pixels at `percent` of the depth, 0 anterior, 100 posterior."""
        return self.anterior + percent / 100.0 * (self.posterior - self.anterior)

    def percent(self, xy: Array) -> float:
        """Depth, %, of `xy`, (2,) pixels; its place across the cortices' line is left out."""
        line = self.posterior - self.anterior
        return float(100.0 * (xy - self.anterior) @ line / (line @ line))


def outline_extent(
    polygon: Array, origin: Array, up: Array, forward: Array
) -> tuple[float, float] | None:
    """Least and greatest position along `forward` where a closed outline crosses a line.

    Args:
        polygon: (N, 2) pixels, closed by its first point.
        origin: (2,) a point of the line, which runs along `forward` at right angles to `up`.

    Returns:
        positions in pixels from `origin`, or None where the outline does not reach the line.
    """
    rel = polygon - origin
    h, s = rel @ up, rel @ forward
    h2, s2 = np.roll(h, -1), np.roll(s, -1)
    cut = (h > 0) != (h2 > 0)
    if not cut.any():
        return None
    t = h[cut] / (h[cut] - h2[cut])
    position = s[cut] + t * (s2[cut] - s[cut])
    return float(position.min()), float(position.max())


def cortices(sight: Sight, bone: str, height: Array) -> Cortices | None:
    """The cortices of `femur` or `tibia` at the height of a point, along the shaft's own depth.

    `height`: (2,) pixels. From the fitted knee's outline; without one from the shaft's cortex
    landmarks, prolonged. None where neither is there.
    """
    up = femur_up(sight) if bone == "femur" else tibia_up(sight)
    forward = across(sight, up)
    names = ("low", "high") if bone == "femur" else ("high", "low")
    shaft = "femoral_shaft" if bone == "femur" else "tibial_shaft"
    lines: dict[str, tuple[Array, Array, float]] = {}
    for side in ("anterior", "posterior"):
        near, far = (spot(sight, f"{shaft}_{side}_{n}") for n in names)
        if near is None or far is None:
            continue
        variance = float(forward @ near.covariance @ forward)
        lines[side] = (near.xy, far.xy, variance)
    sd = float(np.sqrt(np.mean([v for _, _, v in lines.values()]))) if lines else np.nan
    if bone in sight.pose.outline:
        extent = outline_extent(np.asarray(sight.pose.outline[bone]), height, up, forward)
        if extent is not None:
            sd = sd if np.isfinite(sd) else 0.01 * sight.pose.width_px
            return Cortices(height + extent[1] * forward, height + extent[0] * forward, sd)
    if len(lines) < 2:
        return None
    found = []
    for near_xy, far_xy, _ in (lines["anterior"], lines["posterior"]):
        run = (far_xy - near_xy) @ up
        if abs(run) < 1e-6:
            return None
        point = near_xy + (height - near_xy) @ up / run * (far_xy - near_xy)
        found.append(height + ((point - height) @ forward) * forward)
    return Cortices(found[0], found[1], sd)


@dataclass(frozen=True)
class Depth:
    """A point's depth in one bone.

    Attributes:
        bone: `femur` or `tibia`; `forward`: (2,) unit film direction across its shaft, anterior.
        length: from cortex to cortex, pixels.
        sd: of the percentage, points, by the cortices alone.
    """

    bone: str
    percent: float
    forward: Array
    length: float
    sd: float


def depth_of(sight: Sight, xy: Array) -> Depth | None:
    """Depth of `xy`, (2,) pixels, on a lateral film; None elsewhere and beyond the bones' ends.

    The point belongs to the bone whose joint line it is farther past, along that bone's shaft:
    on a bent knee a point in the tibia may lie above the condyles.
    """
    if sight.detection.view != "lateral":
        return None
    xy = np.asarray(xy, dtype=np.float64)
    joint = _joint(sight, [f"{side}_condyle_distal" for side in ("medial", "lateral")])
    if joint is None:
        return None
    above = float((xy - joint) @ femur_up(sight))
    rim = [f"{s}_plateau_{e}" for s in ("medial", "lateral") for e in ("anterior", "posterior")]
    top = _joint(sight, rim)
    bone = bone_of(above, -above if top is None else float((top - xy) @ tibia_up(sight)))
    found = cortices(sight, bone, xy)
    if found is None:
        return None
    percent = found.percent(xy)
    line = found.anterior - found.posterior
    length = float(np.linalg.norm(line))
    share = percent / 100.0
    spread = found.sd * float(np.sqrt((1 - share) ** 2 + share**2))
    return Depth(bone, percent, line / length, length, 100.0 * spread / length)


def _joint(sight: Sight, names: Sequence[str]) -> Array | None:
    """(2,) mean of those of the named landmarks that are known."""
    known = [s.xy for s in (spot(sight, name) for name in names) if s is not None]
    return np.mean(known, axis=0) if known else None


def depth_percent(
    sight: Sight, xy: Array, sd_px: float = 0.0
) -> tuple[float, tuple[float, float]] | None:
    """Depth of `xy`, (2,) pixels, in % of the shaft and its 90 % interval; None off both bones.

    The interval is that of the cortices and the point, `sd_px` in every direction.
    """
    depth = depth_of(sight, xy)
    if depth is None:
        return None
    half = Z90 * float(np.hypot(depth.sd, 100.0 * sd_px / depth.length))
    return depth.percent, (depth.percent - half, depth.percent + half)
