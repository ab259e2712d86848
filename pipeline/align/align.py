"""From a pose to what is said about it: intervals, verdict, criteria, moves, cautions."""

from __future__ import annotations

from collections.abc import Sequence

from pipeline.align.moves import LIE_FLEXION_LIMIT_DEG, moves
from pipeline.align.options import AlignOptions
from pipeline.align.square import (
    AP_FLEXION_LIMIT_DEG,
    hull,
    interval_90,
    score,
    square_probability,
    verdict,
    zero_of,
)
from pipeline.contracts import AlignmentCriterion, Sight
from pipeline.knee.reading import Alignment, HypothesisRead, Move


def align(
    sight: Sight, options: AlignOptions, criteria: Sequence[AlignmentCriterion]
) -> tuple[Alignment, tuple[Move, ...], tuple[str, ...]]:
    """What the pose in `sight` means: the alignment, the moves, sentences of caution.

    The view must be AP or lateral. Top-level angles are the likelier hypothesis's, top-level
    intervals cover all hypotheses.
    """
    view, pose = sight.detection.view, sight.pose
    if view not in ("AP", "lateral"):
        raise ValueError(f"alignment needs an AP or lateral view, got {view!r}")
    read = tuple(
        HypothesisRead(
            rotation_deg=h.rotation_deg,
            rotation_90=interval_90(h.rotation_deg, h.rotation_sd, options.widening),
            tilt_deg=h.tilt_deg,
            tilt_90=interval_90(h.tilt_deg, h.tilt_sd, options.widening),
            probability=h.probability,
        )
        for h in pose.hypotheses
    )
    best = read[0]
    probability = square_probability(pose.hypotheses, view, options)
    square = verdict(probability, view, pose.flexion_deg)
    bent = view == "AP" and pose.flexion_deg is not None and pose.flexion_deg > AP_FLEXION_LIMIT_DEG
    off = pose.off_centre_deg
    alignment = Alignment(
        rotation_deg=best.rotation_deg,
        rotation_90=hull([h.rotation_90 for h in read]),
        tilt_deg=best.tilt_deg,
        tilt_90=hull([h.tilt_90 for h in read]),
        roll_deg=pose.roll_deg,
        flexion_deg=pose.flexion_deg,
        off_centre_deg=None if off is None else float((off[0] ** 2 + off[1] ** 2) ** 0.5),
        square=square,
        square_probability=None if bent else probability,
        score=score(best.rotation_deg - zero_of(view, options), best.tilt_deg),
        hypotheses=read,
        criteria=tuple(row for criterion in criteria for row in criterion.judge(sight)),
    )
    suggested = () if bent else moves(view, pose, sight.film.header, options)
    return alignment, suggested, (*pose.cautions, *_cautions(sight, options, bent, suggested))


def _cautions(
    sight: Sight, options: AlignOptions, bent: bool, suggested: tuple[Move, ...]
) -> tuple[str, ...]:
    pose = sight.pose
    said: list[str] = []
    if bent:
        said.append(
            f"The knee is bent by about {pose.flexion_deg:.0f} degrees: beyond "
            f"{AP_FLEXION_LIMIT_DEG:.0f} degrees an AP film cannot be judged."
        )
    if pose.hypotheses[0].probability < options.both_below and len(pose.hypotheses) > 1:
        said.append(
            "Two readings of this film are possible; the moves are given for both, "
            "the likelier first."
        )
    if any(m.toward and m.degrees is None for m in suggested):
        said.append(
            f"How the thigh lies is not known with the knee bent beyond "
            f"{LIE_FLEXION_LIMIT_DEG:.0f} degrees: only the direction of a move is given."
        )
    return tuple(said)
