"""The move that would bring the film square on, in the words of the trade."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from pipeline.align.beam import angles, assumed_lie, near_end, turned, turns
from pipeline.align.options import AlignOptions
from pipeline.align.square import zero_of
from pipeline.knee.detection import Pose
from pipeline.knee.errors import Problem
from pipeline.knee.film import HeaderHints
from pipeline.knee.reading import Move

NO_MOVE = "no move suggested"
CENTRE = "centre the knee"
LIE_FLEXION_LIMIT_DEG = 30.0
"""Beyond this flexion degrees are given only where the femur's lie is known."""


@dataclass(frozen=True)
class _Words:
    """One line of the table of moves, for one sign of one angle."""

    move: str
    end: str
    toward: str
    limb: str
    c_arm: str
    plain: str = ""


_TABLE: dict[tuple[str, str, int], _Words] = {
    ("AP", "rotation", 1): _Words(
        "orbital", "front", "medial", "turn the limb outward", "orbital turn of the C-arm"
    ),
    ("AP", "rotation", -1): _Words(
        "orbital", "front", "lateral", "turn the limb inward", "orbital turn of the C-arm"
    ),
    ("AP", "tilt", 1): _Words(
        "tilt",
        "front",
        "the feet",
        "straighten the knee or raise the heel",
        "caudal tilt with the receptor in front",
        "angle the ray cephalad",
    ),
    ("AP", "tilt", -1): _Words(
        "tilt",
        "front",
        "the head",
        "put a bolster under the knee",
        "cranial tilt with the receptor in front",
        "angle the ray caudad",
    ),
    ("lateral", "rotation", 1): _Words(
        "orbital", "lateral", "posterior", "turn the limb inward", "orbital turn of the C-arm"
    ),
    ("lateral", "rotation", -1): _Words(
        "orbital", "lateral", "anterior", "turn the limb outward", "orbital turn of the C-arm"
    ),
    ("lateral", "tilt", 1): _Words(
        "wig-wag",
        "lateral",
        "the foot",
        "swing the foot outward, away from the midline",
        "wig-wag of the C-arm",
    ),
    ("lateral", "tilt", -1): _Words(
        "wig-wag",
        "lateral",
        "the head",
        "swing the foot inward, toward the midline",
        "wig-wag of the C-arm",
    ),
}


TAKES_POSITIVE_AWAY: dict[tuple[str, str], dict[str, float]] = {}
"""By view and angle: the words for where the near end goes, and the sign of that turn."""
for (_view, _angle, _sign), _entry in _TABLE.items():
    TAKES_POSITIVE_AWAY.setdefault((_view, _angle), {})[_entry.toward] = float(_sign)


@dataclass(frozen=True)
class Turn:
    """A turn about one of the table's axes in the words of the trade.

    Attributes:
        move: orbital, tilt or wig-wag.
        end: the end of the beam that is named (front, lateral).
        toward: where that end goes.
        limb: what a turn of the limb would have to be for the same change.
    """

    move: str
    end: str
    toward: str
    limb: str


def turn_of(view: str, angle: str, signed: float) -> Turn:
    """The words for a turn; `signed` is positive where it takes a positive angle away."""
    words = _TABLE[view, angle, 1 if signed >= 0 else -1]
    return Turn(words.move, words.end, words.toward, words.limb)


def turns_of(view: str, moves: Sequence[Move], guess_deg: float | None = None) -> dict[str, float]:
    """Signed degrees by angle that the likelier reading's moves ask for, rounded to whole ones.

    Centring the knee is no turn and is left out. A move that names no degrees counts as
    `guess_deg`, or is left out.

    Raises:
        Problem: a move's words are unknown.
    """
    wanted: dict[str, float] = {}
    for move in moves:
        if move.hypothesis != 0 or not move.toward or move.move == CENTRE:
            continue
        signs = TAKES_POSITIVE_AWAY[view, move.angle]
        if move.toward not in signs:
            raise Problem("move", f"toward {move.toward} is unknown", f"known: {', '.join(signs)}")
        degrees = guess_deg if move.degrees is None else float(round(move.degrees))
        if degrees is not None:
            wanted[move.angle] = signs[move.toward] * degrees
    return wanted


def moves(view: str, pose: Pose, header: HeaderHints, options: AlignOptions) -> tuple[Move, ...]:
    """Moves for the likelier hypothesis, for both where it is not likely enough.

    Per hypothesis one move for each angle: the turn that takes it away, or "no move suggested"
    inside the tolerance. Where the ray's obliquity is known and the film is not square, the
    first move is to centre the knee, and the others are for what that leaves.
    """
    chosen = pose.hypotheses[:1]
    if pose.hypotheses[0].probability < options.both_below:
        chosen = pose.hypotheses[:2]
    found: list[Move] = []
    for index, hypothesis in enumerate(chosen):
        prefix = ""
        if len(chosen) > 1:
            which = "likelier" if index == 0 else "other"
            prefix = f"By the {which} reading ({round(100 * hypothesis.probability)} %): "
        error = (hypothesis.rotation_deg - zero_of(view, options), hypothesis.tilt_deg)
        share = pose.off_centre_deg
        outside = max(abs(error[0]), abs(error[1])) > options.tolerance_deg
        oblique = share is not None and max(map(abs, share)) >= options.off_centre_from
        if outside and oblique and share is not None:
            found.append(_centring(share, index, prefix))
            error = (error[0] - share[0], error[1] - share[1])
        found += _pair(view, error, pose.flexion_deg, header, options, index, prefix)
    return tuple(found)


def _centring(share: tuple[float, float], index: int, prefix: str) -> Move:
    rotation_led = abs(share[0]) >= abs(share[1])
    degrees = round(abs(share[0] if rotation_led else share[1]), 1)
    text = f"{CENTRE}: the ray's obliquity makes about {degrees:g} degrees of the "
    text += "rotation" if rotation_led else "tilt"
    return Move(
        angle="rotation" if rotation_led else "tilt",
        hypothesis=index,
        move=CENTRE,
        toward="the central ray",
        degrees=degrees,
        limb="move the knee into the central ray",
        text=_sentence(prefix, text),
    )


def _pair(
    view: str,
    error: tuple[float, float],
    flexion_deg: float | None,
    header: HeaderHints,
    options: AlignOptions,
    index: int,
    prefix: str,
) -> list[Move]:
    """Rotation and tilt moves for errors already relative to the verdict's zero."""
    zero, tolerance = zero_of(view, options), options.tolerance_deg
    flexion, lie, known = lie_of(flexion_deg, header.lying_on_side, options)
    solved = turns(view, error[0] + zero, error[1], zero_deg=zero, flexion_deg=flexion, lie_deg=lie)
    needed = [abs(error[0]) > tolerance, abs(error[1]) > tolerance]
    if known and needed[0] != needed[1]:
        # With a tipped femur one turn also changes the other angle.
        e = near_end(view, error[0] + zero, error[1], flexion, lie)
        alone = turned(view, e, solved[0] * needed[0], solved[1] * needed[1])
        rotation, tilt = angles(view, alone, flexion, lie)
        left = (abs(rotation - zero), abs(tilt))
        needed = [need or rest > tolerance for need, rest in zip(needed, left, strict=True)]
    return [
        _move(
            view, "rotation", error[0], solved[0], known, needed[0], header, options, index, prefix
        ),
        _move(view, "tilt", error[1], solved[1], known, needed[1], header, options, index, prefix),
    ]


def lie_of(
    flexion_deg: float | None, lying_on_side: bool | None, options: AlignOptions
) -> tuple[float, float, bool]:
    """Flexion, the femur's lie, and whether they are known well enough for degrees."""
    if flexion_deg is None:
        return 0.0, options.femur_lie_deg or 0.0, options.femur_lie_deg is not None
    flat = flexion_deg <= LIE_FLEXION_LIMIT_DEG
    if lying_on_side:
        return flexion_deg, 0.0, flat  # the knee flexes in the plane of the table
    if options.femur_lie_deg is not None:
        return flexion_deg, options.femur_lie_deg, True
    return flexion_deg, assumed_lie(max(flexion_deg, 0.0)), flat


def _move(
    view: str,
    angle: str,
    error: float,
    turn: float,
    known: bool,
    needed: bool,
    header: HeaderHints,
    options: AlignOptions,
    index: int,
    prefix: str,
) -> Move:
    kind = "rotation" if angle == "rotation" else "tilt"
    if not needed:
        return Move(kind, index, NO_MOVE, "", None, NO_MOVE, NO_MOVE)  # type: ignore[arg-type]
    signed = turn if known else error
    words = _TABLE[view, angle, 1 if signed >= 0 else -1]
    degrees = float(max(1, round(abs(turn)))) if known else None
    by = f" by about {degrees:g} degrees" if degrees is not None else ""
    if header.lying_on_side:
        text = (
            f"{words.limb}{by}, which brings the {words.end} end of the beam toward {words.toward}"
        )
        move = "limb"
    else:
        equipment = _equipment(words, view, angle, header, options)
        text = f"turn the {words.end} end of the beam toward {words.toward}{by}{equipment}"
        text += f", or {words.limb}"
        move = words.move
    return Move(kind, index, move, words.toward, degrees, words.limb, _sentence(prefix, text))  # type: ignore[arg-type]


def _equipment(
    words: _Words, view: str, angle: str, header: HeaderHints, options: AlignOptions
) -> str:
    """Equipment words in brackets, only where the equipment is known."""
    tilt_on_ap = view == "AP" and angle == "tilt"
    if tilt_on_ap and options.tube_in_front is True:
        return f" ({words.plain})"
    if header.c_arm and tilt_on_ap and options.tube_in_front is None:
        return f" ({words.c_arm}; with the tube in front, {words.plain})"
    return f" ({words.c_arm})" if header.c_arm else ""


def _sentence(prefix: str, text: str) -> str:
    return prefix + text if prefix else text[0].upper() + text[1:]
