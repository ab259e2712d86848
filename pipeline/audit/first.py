"""Which film was the first square one: not a yes or no for each film, but a chance for each count.

Readings of one knee err together: what the fit has wrong about the knee, it has wrong on every film
of it. So the chances of the films are not multiplied; errors are drawn together, film by film.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.align.options import AlignOptions
from pipeline.align.square import zero_of
from pipeline.audit.model import FilmRead
from pipeline.audit.steps import SHARED, half_widths, poses, sd_of

DRAWS = 4000
OUTSIDE = 0.005
"""Chance left out at either end of a count's range."""
EVEN = 0.5


@dataclass(frozen=True)
class FirstSquare:
    """Chances of which film was the first square one.

    Attributes:
        chances: (N + 1,): for each film that it was the first, and last that none was.
    """

    chances: NDArray[np.float64]

    @property
    def likeliest(self) -> int | None:
        """Index of the likeliest film; None where it is likelier that there is none."""
        best = int(np.argmax(self.chances))
        return None if best == len(self.chances) - 1 else best

    @property
    def earliest(self) -> int | None:
        """Index of the first film that may be it; None where none may."""
        return self._at(OUTSIDE)

    @property
    def latest(self) -> int | None:
        """Index of the film by which one was; None where there may have been none."""
        return self._at(1.0 - OUTSIDE)

    def _at(self, level: float) -> int | None:
        reached = np.flatnonzero(np.cumsum(self.chances) > level)
        return None if not len(reached) or reached[0] == len(self.chances) - 1 else int(reached[0])


def first_square_of(films: Sequence[FilmRead], options: AlignOptions) -> FirstSquare:
    """The chances for films of one view of one knee in time order, all with angles.

    A film whose view cannot be judged (an AP film of a bent knee) is square with an even chance.
    """
    view = films[0].view
    zero = np.array([zero_of(view, options), 0.0])
    read = np.array([poses(film.angles) for film in films]) - zero
    sd = np.array([[sd_of(half) for half in half_widths(film.angles)] for film in films])
    rng = np.random.default_rng(len(films))  # the same films give the same answer
    together = rng.standard_normal((DRAWS, 1, 2))
    alone = rng.standard_normal((DRAWS, len(films), 2))
    share = SHARED[view]
    error = sd * (np.sqrt(share) * together + np.sqrt(1.0 - share) * alone)
    square = (np.abs(read + error) <= options.tolerance_deg).all(axis=2)
    unknown = [film.angles.get("square_probability") is None for film in films]
    square[:, unknown] = rng.random((DRAWS, sum(unknown))) < EVEN
    none = np.ones((DRAWS, 1), dtype=bool)
    first = np.argmax(np.concatenate([square, none], axis=1), axis=1)
    return FirstSquare(np.bincount(first, minlength=len(films) + 1) / DRAWS)
