"""The way of a film through the program: read, detect, fit, align, propose, write.

Start here. `read_study` takes the films of one study and writes their readings; the rest of this
file is its steps. Files, processes and resuming are the business of `pipeline.batch`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass, field, replace
from pathlib import Path

from pipeline.align.align import align
from pipeline.align.options import AlignOptions
from pipeline.align.square import zero_of
from pipeline.contracts import (
    AlignmentCriterion,
    Detector,
    PoseEstimator,
    Sight,
    TargetRule,
    Writer,
)
from pipeline.fit.plausibility import Plausibility
from pipeline.knee.detection import Pose
from pipeline.knee.errors import Problem
from pipeline.knee.film import Film
from pipeline.knee.reading import Grounds, MadeBy, Reading
from pipeline.looks import Look, partner_of, refusal, settle_side
from pipeline.propose.instruments import instruments, tips_alone
from pipeline.propose.peroneal import peroneal_zone
from pipeline.records import assemble


@dataclass(frozen=True)
class Parts:
    """The ready-built stages. Below `min_view_probability` a film is refused, and so is a knee
    that `plausibility` finds hardly one."""

    detector: Detector
    pose: PoseEstimator
    align: AlignOptions
    criteria: tuple[AlignmentCriterion, ...]
    targets: tuple[TargetRule, ...]
    writers: tuple[Writer, ...]
    made_by: MadeBy
    min_view_probability: float = 0.6
    plausibility: Plausibility = field(default_factory=Plausibility)


Guard = Callable[[Film], AbstractContextManager[None]]


def let_fail(film: Film) -> AbstractContextManager[None]:
    """The guard that guards nothing: an error of one film ends the study."""
    return nullcontext()


def read_study(
    films: Iterable[Film], parts: Parts, out: Path, guard: Guard = let_fail
) -> list[Reading]:
    """Reads films of one study and writes them under `out`; AP and lateral are paired.

    The work on each film runs inside `guard(film)`, which may note an error and swallow it.
    """
    looks: list[tuple[Film, list[Look]]] = []
    for film in films:
        with guard(film):
            looks.append((film, examine(film, parts)))
    every = [look for _, own in looks for look in own]
    readings = []
    for film, own in looks:
        with guard(film):
            of_film = [reading_of(look, partner_of(look, every), parts) for look in own]
            for writer in parts.writers:
                writer.write(out, film, of_film)
            readings += of_film
    return readings


def examine(film: Film, parts: Parts) -> list[Look]:
    """Detect and fit: every knee on the film, at least one `Look`."""
    detections = parts.detector.detect(film)
    if not detections:
        what = "the detector returned nothing, not even that there is no knee"
        raise Problem(film.source, what, "repair the detector plugin")
    looks = []
    for index, detection in enumerate(detections):
        side, cautions = settle_side(film, detection, alone=len(detections) == 1)
        refused = refusal(film, detection, parts.min_view_probability)
        pose = None
        if refused is None:
            try:
                pose = parts.pose.estimate(film, detection)
                refused = parts.plausibility.refusal(detection, pose)
            except Problem as problem:
                refused = problem.what
            if refused is not None:
                pose = None
        looks.append(Look(film, index, detection, side, pose, refused, cautions))
    return looks


def sight_of(look: Look, pose: Pose, parts: Parts, partner: Look | None = None) -> Sight:
    """What criteria and target rules may look at."""
    other = None
    if partner is not None and partner.pose is not None:
        other = sight_of(partner, partner.pose, parts)
    return Sight(
        film=look.film,
        detection=look.detection,
        pose=pose,
        side=look.side.name,
        tolerance_deg=parts.align.tolerance_deg,
        ap_rotation_zero=parts.align.ap_rotation_zero,
        partner=other,
    )


def reading_of(look: Look, partner: Look | None, parts: Parts) -> Reading:
    """Align and propose: the finished reading of one knee."""
    blank = Reading(
        film=assemble.film_ref(look.film),
        knee=assemble.knee_ref(look.index, look.detection),
        scale=assemble.scale_read(look.film),
        view=assemble.view_read(look.detection),
        side=look.side,
        landmarks=assemble.landmark_reads(look.film, look.detection),
        alignment=None,
        moves=(),
        proposals=(),
        warnings=(),
        found=assemble.found(look.detection, tips_alone(look.detection)),
        refused=look.refused,
        cautions=look.cautions,
        made_by=parts.made_by,
    )
    if look.pose is None:
        return blank
    sight = sight_of(look, look.pose, parts, partner)
    zone = peroneal_zone(sight)
    alignment, moves, cautions = align(sight, parts.align, parts.criteria)
    return replace(
        blank,
        alignment=alignment,
        moves=moves,
        proposals=tuple(
            proposal for rule in parts.targets for proposal in rule.propose(sight, alignment.square)
        ),
        warnings=() if zone is None else (zone,),
        found=assemble.found(look.detection, instruments(sight)),
        cautions=(*look.cautions, *cautions),
        outline=look.pose.outline,
        grounds=_grounds(look, look.pose, parts),
    )


def _grounds(look: Look, pose: Pose, parts: Parts) -> Grounds:
    """What the reading rests on."""
    plausibility = parts.plausibility.probability(look.detection, pose)
    return Grounds(
        tolerance_deg=parts.align.tolerance_deg,
        rotation_zero_deg=zero_of(look.detection.view, parts.align),
        estimates={name: (h.rotation_deg, h.tilt_deg) for name, h in pose.estimates.items()},
        quality={**pose.quality, "plausibility": plausibility},
    )
