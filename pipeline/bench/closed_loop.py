"""A simulated operator: shoot, read, move, shoot again, until the film is square.

A simulation for studying feedback on training images, and nothing else: films are computed, the
knee lies still, and no table or tube is driven. The beam is turned about the table's axes as
`pipeline.align.beam` describes them; films show the angles that result. Compared with the full
pipeline in the same run: the same with its error doubled, a search along one axis at a time that
sees only whether the separation grew or shrank, and random moves.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from pipeline.align.beam import angles, assumed_lie, near_end, turned
from pipeline.align.moves import turns_of
from pipeline.bench.intervals import share
from pipeline.contracts import PoseEstimator
from pipeline.knee.detection import Detection, Pose
from pipeline.knee.errors import Problem
from pipeline.knee.film import Film
from pipeline.knee.reading import Move
from pipeline.knee.truth import LabelledFilm
from pipeline.run import Parts, examine, reading_of

GUESS_DEG = 5.0
"""How far the operator turns where a move names the direction alone."""
SEPARATION_MM = 50.0
"""Distance between the touching points of the condyles: a degree is 0.87 mm."""
SEEN_MM = 0.5
"""Standard deviation with which the searching operator sees the separation (a design value)."""
FIRST_STEP_DEG = 5.0


@dataclass(frozen=True)
class Stand:
    """How the knee lies; degrees. `lie` is that of the femur above the table."""

    view: str
    flexion: float
    lie: float


@dataclass(frozen=True)
class Advice:
    """What the operator gets to see of a reading; None for what it does not say."""

    square: str
    moves: tuple[Move, ...]
    rotation_deg: float | None = None
    tilt_deg: float | None = None


Shoot = Callable[[float, float], LabelledFilm]
Read = Callable[[Film], Advice | None]


@dataclass(frozen=True)
class Episode:
    """One knee from the first film to the last.

    Attributes:
        films: exposures made.
        ended: `square` (the reading or, for baselines, the truth says so), `nothing to correct`
            (no move is suggested), `given up` (too many films).
        true: (rotation, tilt) degrees on each film.
        errors: (rotation, tilt) read minus true, of films that were read.
    """

    films: int
    ended: str
    true: tuple[tuple[float, float], ...]
    errors: tuple[tuple[float, float], ...] = ()

    @property
    def corrections(self) -> int:
        """Films after the first."""
        return self.films - 1

    def truly_square(self, tolerance: float) -> bool:
        """Whether the last film was within `tolerance` degrees in both angles."""
        return max(map(abs, self.true[-1])) <= tolerance


def moved(
    stand: Stand, beam: tuple[float, float], orbital: float, other: float
) -> tuple[float, float]:
    """The (rotation, tilt) that a beam shows after turns about the table's axes."""
    e = near_end(stand.view, *beam, stand.flexion, stand.lie)
    return angles(stand.view, turned(stand.view, e, orbital, other), stand.flexion, stand.lie)


def follow_advice(
    stand: Stand,
    start: tuple[float, float],
    shoot: Shoot,
    read: Read,
    rng: np.random.Generator,
    *,
    hand_sd: float = 1.0,
    most: int = 12,
) -> Episode:
    """Shoots and does what the reading says until it says square or has nothing to correct.

    Args:
        start: (rotation, tilt) degrees of the first beam.
        shoot: (rotation, tilt) to a film.
        hand_sd: degrees by which a turn of the hand misses, standard deviation.
        most: films at most.
    """
    beam, true, errors = start, [], []
    for number in range(most):
        labelled = shoot(*beam)
        truth = labelled.knees[0]
        true.append((truth.rotation_deg, truth.tilt_deg))
        advice = read(labelled.film)
        if advice is None:
            continue  # refused: the same film again
        if advice.rotation_deg is not None and advice.tilt_deg is not None:
            errors.append(
                (advice.rotation_deg - truth.rotation_deg, advice.tilt_deg - truth.tilt_deg)
            )
        wanted = turns_of(stand.view, advice.moves, GUESS_DEG)
        if advice.square == "yes" or not wanted:
            ended = "square" if advice.square == "yes" else "nothing to correct"
            return Episode(number + 1, ended, tuple(true), tuple(errors))
        hand = {angle: turn + float(rng.normal(0, hand_sd)) for angle, turn in wanted.items()}
        beam = moved(stand, beam, hand.get("rotation", 0.0), hand.get("tilt", 0.0))
    return Episode(most, "given up", tuple(true), tuple(errors))


def search(
    stand: Stand,
    start: tuple[float, float],
    rng: np.random.Generator,
    *,
    tolerance: float,
    hand_sd: float = 1.0,
    most: int = 12,
) -> Episode:
    """One axis at a time, seeing only whether that axis's separation grew or shrank.

    Steps of 5 degrees to a random side, on while the separation shrinks. When it grows: half a
    step back and on to the other axis where it had shrunk before, else two steps the other way.
    Generous to the search: it knows at once when a film is square.
    """
    beam, true = start, [start]
    axis, step = 0, FIRST_STEP_DEG
    way, shrank, turned_back = float(rng.choice((-1.0, 1.0))), False, False
    seen = _separation(beam[axis], rng)
    while len(true) < most and max(map(abs, true[-1])) > tolerance:
        size = 2 * step if turned_back and not shrank else step
        beam = _turned_one(stand, beam, axis, way * size + float(rng.normal(0, hand_sd)))
        true.append(beam)
        now = _separation(beam[axis], rng)
        if now < seen:
            shrank = True
        elif not (shrank or turned_back):
            way, turned_back = -way, True
        else:
            beam = _turned_one(stand, beam, axis, -way * step / 2)
            axis, way = 1 - axis, float(rng.choice((-1.0, 1.0)))
            shrank = turned_back = False
            now = _separation(true[-1][axis], rng)
        seen = now
    ended = "square" if max(map(abs, true[-1])) <= tolerance else "given up"
    return Episode(len(true), ended, tuple(true))


def wander(
    stand: Stand,
    start: tuple[float, float],
    rng: np.random.Generator,
    *,
    tolerance: float,
    within: float,
    most: int = 12,
) -> Episode:
    """Random turns about a random axis until the film happens to be square."""
    beam, true = start, [start]
    while len(true) < most and max(map(abs, beam)) > tolerance:
        turn = float(rng.uniform(-within, within))
        beam = _turned_one(stand, beam, int(rng.integers(2)), turn)
        true.append(beam)
    ended = "square" if max(map(abs, beam)) <= tolerance else "given up"
    return Episode(len(true), ended, tuple(true))


def _turned_one(
    stand: Stand, beam: tuple[float, float], axis: int, turn: float
) -> tuple[float, float]:
    return moved(stand, beam, turn if axis == 0 else 0.0, turn if axis == 1 else 0.0)


def _separation(angle: float, rng: np.random.Generator) -> float:
    """mm between the edges as the operator sees them."""
    seen = SEPARATION_MM * abs(math.sin(math.radians(angle))) + float(rng.normal(0, SEEN_MM))
    return abs(seen)


@dataclass
class TwiceAsWrong:
    """A pose estimator with a multiple of its error, which it knows of.

    To each angle an independent normal error is added so that the variance becomes `times`
    squared the stated one, and the stated deviations are multiplied likewise.
    """

    pose: PoseEstimator
    times: float
    rng: np.random.Generator

    def estimate(self, film: Film, detection: Detection) -> Pose:
        """As the estimator inside, worse."""
        pose = self.pose.estimate(film, detection)
        extra = math.sqrt(self.times**2 - 1) * self.rng.normal(size=2)
        return replace(
            pose,
            hypotheses=tuple(
                replace(
                    h,
                    rotation_deg=h.rotation_deg + extra[0] * h.rotation_sd,
                    tilt_deg=h.tilt_deg + extra[1] * h.tilt_sd,
                    rotation_sd=h.rotation_sd * self.times,
                    tilt_sd=h.tilt_sd * self.times,
                )
                for h in pose.hypotheses
            ),
        )


def reader_of(parts: Parts, view: str) -> Read:
    """The full pipeline as the operator's reader; None where it refuses or sees another view."""

    def read(film: Film) -> Advice | None:
        for look in examine(film, parts):
            if look.pose is None or look.detection.view != view:
                continue
            reading = reading_of(look, None, parts)
            found = reading.alignment
            assert found is not None
            return Advice(found.square, reading.moves, found.rotation_deg, found.tilt_deg)
        return None

    return read


def draw_stand(view: str, rng: np.random.Generator) -> Stand:
    """A supine limb: AP near extension, laterals bent 10 to 28 degrees.

    The femur's lie is what hip and heel on the table make of the flexion, give or take 4
    degrees, so that moves are planned for a lie that is not quite the true one.
    """
    flexion = float(rng.uniform(0, 12) if view == "AP" else rng.uniform(10, 28))
    return Stand(view, flexion, assumed_lie(flexion) + float(rng.normal(0, 4)))


def draw_start(rng: np.random.Generator, within: float, tolerance: float) -> tuple[float, float]:
    """Angles within `within` degrees, not both inside the tolerance."""
    if within <= tolerance:
        raise Problem("within", f"{within:g} degrees are all square", f"give over {tolerance:g}")
    while True:
        start = rng.uniform(-within, within, 2)
        if np.abs(start).max() > tolerance:
            return float(start[0]), float(start[1])


def summarise_episodes(episodes: Sequence[Episode], tolerance: float, most: int) -> dict[str, Any]:
    """Corrections, how it ended, and whether the last film was truly square.

    An episode that was given up counts as one correction more than is allowed.
    """
    count = [most if e.ended == "given up" else e.corrections for e in episodes]
    errors = np.array([error for e in episodes for error in e.errors]).reshape(-1, 2)
    return {
        "episodes": len(episodes),
        "median": float(np.median(count)),
        "p95": float(np.percentile(count, 95, method="higher")),
        "within_2": share([float(c <= 2) for c in count]),
        "square_within_2": share(
            [
                float(c <= 2 and e.truly_square(tolerance))
                for c, e in zip(count, episodes, strict=True)
            ]
        ),
        "said_square": share([float(e.ended == "square") for e in episodes]),
        "given_up": share([float(e.ended == "given up") for e in episodes]),
        "truly_square": share([float(e.truly_square(tolerance)) for e in episodes]),
        "rms_error": [float(v) for v in np.sqrt((errors**2).mean(axis=0))] if len(errors) else None,
    }
