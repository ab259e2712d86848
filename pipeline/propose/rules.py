"""Target rules: where targets are proposed on each view, and when they are withheld.

Every proposal is for a person to review. There is no inferolateral target: the common peroneal
nerve lies there.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import gammaincinv

from pipeline.align.points import Array, Spot, across, femur_up, px_of, spot, tibia_up
from pipeline.contracts import Sight
from pipeline.knee.errors import Problem
from pipeline.knee.reading import Proposal
from pipeline.propose.depth import cortices, outline_extent
from pipeline.propose.heights import PARTNER, Height, film_ratio, from_fit, from_partner

CAUTION = "the film may not be square on: judge the view before using this proposal"
NOT_SQUARE = "the film is not square on"
THIS_FILM = "this film"


def radius_90(covariance: Array) -> float:
    """Radius of the disc that holds a 2-D normal error with 90 %, pixels.

    Scaled chi-square with matched mean and variance (Satterthwaite 1946, Biometrics 2:110);
    exact for a round error and for one along a line.
    """
    values = np.clip(np.linalg.eigvalsh(covariance), 0.0, None)
    total = float(values.sum())
    if total <= 0:
        return 0.0
    scale = float((values**2).sum()) / total
    return float(np.sqrt(scale * 2.0 * gammaincinv(total / scale / 2.0, 0.9)))


@dataclass(frozen=True)
class _Rule:
    """What both rules share; options are the same in both.

    Attributes:
        suprapatellar: whether the optional suprapatellar target is proposed.
        suprapatellar_mm, suprapatellar_w: its height above the patella, common practice.
        band_percent: depth from the anterior to the posterior cortex on a lateral film;
            50 % mid-shaft, 55 to 60 % for an introducer that backs up: common practice.
        limit_mm, limit_w: a proposal with a larger 90 % radius is withheld.
        lever_mm, lever_w: how far from the middle of the bone a target lies along the beam;
            times the sine of the misalignment it is the shift that the radius includes.
    """

    suprapatellar: bool = False
    suprapatellar_mm: float = 50.0
    suprapatellar_w: float = 0.6
    band_percent: tuple[float, float] = (50.0, 60.0)
    limit_mm: float = 6.0
    limit_w: float = 0.07
    lever_mm: float = 25.0
    lever_w: float = 0.3

    def __post_init__(self) -> None:
        low, high = self.band_percent
        if not 0 <= low <= high <= 100:
            what = f"{low:g} to {high:g} % is no depth from the front to the back"
            raise Problem("band_percent", what, "give two rising numbers from 0 to 100")
        if not (self.limit_mm > 0 and self.limit_w > 0):
            raise Problem("limit_mm, limit_w", "a limit must be above 0", "correct it")

    def propose(self, sight: Sight, square: str) -> Sequence[Proposal]:
        """Proposals for the view, those withheld included with the reason."""
        if sight.detection.view == "AP":
            return self._ap(sight, square)
        if sight.detection.view == "lateral":
            return self._lateral(sight, square)
        return ()

    def basis(self, target: str) -> str:
        """The words that say where a target's place comes from."""
        raise NotImplementedError

    def ap_point(self, sight: Sight, target: str) -> Spot | None:
        """The target on an AP film."""
        raise NotImplementedError

    def fitted_height(self, sight: Sight, target: str) -> Height | None:
        """The target's height on a lateral film by the fitted knee."""
        raise NotImplementedError

    def _ap(self, sight: Sight, square: str) -> list[Proposal]:
        found = []
        for target in TARGETS:
            place = self.ap_point(sight, target)
            found.append(self._point(sight, square, target, place, self.basis(target)))
        if self.suprapatellar:
            basis = "midline of the shaft above the patella: common practice, no source"
            found.append(
                self._point(sight, square, "suprapatellar", self._above_patella(sight), basis)
            )
        return found

    def _above_patella(self, sight: Sight) -> Spot | None:
        """The shaft's midline, a fixed height above the patella's upper pole."""
        pole = spot(sight, "patella_superior")
        sides = [spot(sight, f"femoral_shaft_{s}_low") for s in ("medial", "lateral")]
        if pole is None or sides[0] is None or sides[1] is None:
            return None
        up = femur_up(sight)
        aside = across(sight, up)
        middle = (sides[0].xy + sides[1].xy) / 2
        rise = px_of(sight, self.suprapatellar_mm, self.suprapatellar_w)
        xy = middle + ((pole.xy - middle) @ up + rise) * up
        spread = (sides[0].covariance + sides[1].covariance) / 4
        covariance = float(up @ pole.covariance @ up) * np.outer(up, up)
        covariance += float(aside @ spread @ aside) * np.outer(aside, aside)
        return Spot(xy, covariance)

    def _lateral(self, sight: Sight, square: str) -> list[Proposal]:
        found = []
        for target in TARGETS:
            bone = "tibia" if target == "inferomedial" else "femur"
            height = None
            if sight.partner is not None and sight.partner.detection.view == "AP":
                ap = self.ap_point(sight.partner, target)
                height = None if ap is None else from_partner(sight, ap, bone)
            height = height or self.fitted_height(sight, target)
            found.append(self._band(sight, square, target, bone, height))
        return found

    def _band(
        self, sight: Sight, square: str, target: str, bone: str, height: Height | None
    ) -> Proposal:
        low, high = self.band_percent
        basis = f"{self.basis(target)}; depth {low:g} to {high:g} %: common practice, no source"
        if height is None:
            why = "its height is not known: no partner AP film and no fitted knee"
            return Proposal(target, "band", (), None, "none", basis, "withheld", why)
        edges = cortices(sight, bone, height.xy)
        if edges is None:
            why = "the cortices of the shaft were not found"
            return Proposal(target, "band", (), None, height.source, basis, "withheld", why)
        forward = across(sight, femur_up(sight) if bone == "femur" else tibia_up(sight))
        covariance = height.covariance + edges.sd**2 / 2 * np.outer(forward, forward)
        ends = (edges.at(low), edges.at(high))
        # A height carried over from a misaligned partner is shifted as much as a target on it.
        ratio = film_ratio(sight.partner, sight) if sight.partner is not None else None
        extra = 0.0
        if height.source == PARTNER and sight.partner is not None and ratio is not None:
            extra = self.shift_px(sight.partner) * ratio[0]
        return self._settled(
            sight, square, target, "band", ends, covariance, height.source, basis, extra
        )

    def _point(
        self, sight: Sight, square: str, target: str, place: Spot | None, basis: str
    ) -> Proposal:
        if place is None:
            why = "the landmarks that place it were not found"
            return Proposal(target, "point", (), None, THIS_FILM, basis, "withheld", why)
        ends = (place.xy,)
        return self._settled(
            sight, square, target, "point", ends, place.covariance, THIS_FILM, basis
        )

    def _settled(
        self,
        sight: Sight,
        square: str,
        target: str,
        shape: str,
        ends: Sequence[Array],
        covariance: Array,
        source: str,
        basis: str,
        extra_px: float = 0.0,
    ) -> Proposal:
        """A proposal, or the same withheld: its place is then left out."""
        radius = radius_90(covariance) + self.shift_px(sight) + extra_px
        points = tuple((float(p[0]), float(p[1])) for p in ends)
        why: str | None = CAUTION if square == "cannot tell" else None
        status = "proposal"
        if square == "no":
            status, why, points = "withheld", NOT_SQUARE, ()
        elif radius > px_of(sight, self.limit_mm, self.limit_w):
            status, points = "withheld", ()
            mm = sight.film.scale.mm_per_px_knee is not None
            limit = f"{self.limit_mm:g} mm at the knee" if mm else f"{self.limit_w:g} W"
            why = f"its 90 % radius, the shift from misalignment included, exceeds {limit}"
        return Proposal(
            target=target,
            shape="band" if shape == "band" else "point",
            points=points,
            radius_90_px=radius,
            heights_from=source,
            basis=basis,
            status="withheld" if status == "withheld" else "proposal",
            why=why,
        )

    def shift_px(self, sight: Sight) -> float:
        """How far misalignment may shift a target on the film, worst likely hypothesis, pixels."""
        zero = sight.ap_rotation_zero if sight.detection.view == "AP" else 0.0
        angles = [
            np.hypot(h.rotation_deg - zero, h.tilt_deg)
            for h in sight.pose.hypotheses
            if h.probability >= 0.1
        ]
        angle = np.radians(min(max(angles), 90.0))
        return float(np.sin(angle)) * px_of(sight, self.lever_mm, self.lever_w)


TARGETS = ("superomedial", "superolateral", "inferomedial")
FLARES = {
    "superomedial": "medial_femoral_flare",
    "superolateral": "lateral_femoral_flare",
    "inferomedial": "medial_tibial_flare",
}


@dataclass(frozen=True)
class ClassicalTargets(_Rule):
    """The flares: where a shaft meets its condyle (common practice)."""

    def basis(self, target: str) -> str:
        return {
            "superomedial": "junction of femoral shaft and medial condyle: common practice",
            "superolateral": "junction of femoral shaft and lateral condyle: common practice",
            "inferomedial": "junction of tibial shaft and medial condyle: common practice",
        }[target]

    def ap_point(self, sight: Sight, target: str) -> Spot | None:
        return spot(sight, FLARES[target])

    def fitted_height(self, sight: Sight, target: str) -> Height | None:
        return from_fit(sight, FLARES[target], "tibia" if target == "inferomedial" else "femur")


@dataclass(frozen=True)
class RevisedTargets(_Rule):
    """Heights as published cadaver studies put them.

    Superomedial at the height of the adductor tubercle (Yasar 2015, Pain Physician 18:E899;
    the artery lies at its upper edge in 22 of 24, Han 2019); superolateral in the distal part,
    inferomedial in the proximal part of the junction of shaft and condyle (Han 2019).

    Attributes:
        share: how far from the flare toward the epicondyle or the plateau's edge, 0 to 1; the
            papers name the part of the junction, the number is a design choice.
    """

    share: float = 0.33

    def basis(self, target: str) -> str:
        return {
            "superomedial": "height of the adductor tubercle: Yasar 2015, Han 2019",
            "superolateral": "distal part of the junction of shaft and lateral condyle: Han 2019",
            "inferomedial": "proximal part of the junction of shaft and medial condyle: Han 2019",
        }[target]

    def ap_point(self, sight: Sight, target: str) -> Spot | None:
        flare = spot(sight, FLARES[target])
        if flare is None:
            return None
        if target == "superomedial":
            tip, low = spot(sight, "adductor_tubercle"), spot(sight, "medial_epicondyle")
            if tip is None or low is None:
                return None
            up = femur_up(sight)
            run = (low.xy - flare.xy) @ up
            share = float(np.clip((tip.xy - flare.xy) @ up / run, 0.0, 1.0)) if run else 0.0
            return self._on_outline(sight, "femur", flare, low, share, -1)
        end = "lateral_epicondyle" if target == "superolateral" else "medial_plateau_edge"
        low_or_edge = spot(sight, end)
        if low_or_edge is None:
            return None
        bone, side = ("femur", 1) if target == "superolateral" else ("tibia", -1)
        return self._on_outline(sight, bone, flare, low_or_edge, self.share, side)

    def _on_outline(
        self, sight: Sight, bone: str, start: Spot, end: Spot, share: float, side: int
    ) -> Spot:
        """The bone's edge between two landmarks, on the fitted outline where there is one."""
        xy = (1 - share) * start.xy + share * end.xy
        covariance = (1 - share) ** 2 * start.covariance + share**2 * end.covariance
        outline = sight.pose.outline.get(bone)
        if outline is not None:
            up = femur_up(sight) if bone == "femur" else tibia_up(sight)
            aside = across(sight, up)
            extent = outline_extent(np.asarray(outline), xy, up, aside)
            if extent is not None:
                xy = xy + extent[1 if side > 0 else 0] * aside
        return Spot(xy, covariance)

    def fitted_height(self, sight: Sight, target: str) -> Height | None:
        bone = "tibia" if target == "inferomedial" else "femur"
        flare = from_fit(sight, FLARES[target], bone)
        if target == "superomedial":
            tip = spot(sight, "adductor_tubercle")
            if tip is None or flare is None:
                return flare
            up = femur_up(sight)
            xy = flare.xy + ((tip.xy - flare.xy) @ up) * up
            variance = float(up @ tip.covariance @ up)
            return Height(xy, variance * np.outer(up, up), THIS_FILM)
        end = "lateral_epicondyle" if target == "superolateral" else "medial_plateau_edge"
        other = from_fit(sight, end, bone)
        if flare is None or other is None:
            return None
        xy = (1 - self.share) * flare.xy + self.share * other.xy
        return Height(xy, flare.covariance, flare.source)
