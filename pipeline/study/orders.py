"""Orders in which learners read films: drawn, and balanced over the class."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

SETS = ("A", "B")


def williams(count: int) -> list[list[int]]:
    """Orders of 0 .. count - 1 in which every item follows every other equally often.

    `count` orders where it is even, twice as many where it is odd; every item stands at every
    place equally often (Williams, Aust J Sci Res A 1949;2:149).
    """
    if count < 1:
        return []
    first = [0]
    for step in range(1, count):
        first.append((first[-1] + (step if step % 2 else -step)) % count)
    square = [[(item + shift) % count for item in first] for shift in range(count)]
    return square if count % 2 == 0 or count == 1 else square + [row[::-1] for row in square]


def orders(films: Sequence[str], learners: int, rng: np.random.Generator) -> list[list[str]]:
    """An order of `films` for each learner: rows of a Williams design, films and rows drawn.

    The design is gone through as often as needed, each time with its rows in a new order; it is
    balanced in full where `learners` is a multiple of its rows.
    """
    named = [films[i] for i in rng.permutation(len(films))]
    rows = williams(len(films))
    found: list[list[str]] = []
    while rows and len(found) < learners:
        found += [[named[i] for i in rows[r]] for r in rng.permutation(len(rows))]
    return found[:learners]


def arms_of(learners: int, arms: int, rng: np.random.Generator) -> list[tuple[str, str]]:
    """Per learner the arm (`taught` or `waiting`) and the set read first, in drawn blocks.

    Each block holds every pair of arm and set once, so that both stay even to within one block.
    """
    names = ("taught", "waiting")[:arms]
    block = [(arm, first) for arm in names for first in SETS]
    found: list[tuple[str, str]] = []
    while len(found) < learners:
        found += [block[i] for i in rng.permutation(len(block))]
    return found[:learners]


def split(films: Sequence[str], rng: np.random.Generator) -> tuple[list[str], list[str]]:
    """Two sets of the same size, drawn; with an odd number one film is left out."""
    drawn = [films[i] for i in rng.permutation(len(films))]
    half = len(drawn) // 2
    return drawn[:half], drawn[half : 2 * half]


def code_names(count: int, rng: np.random.Generator) -> list[str]:
    """Names that tell nothing: letters and digits that are not mistaken for one another."""
    letters = "ABCDEFGHJKLMNPQRTUVWXY346789"
    found: dict[str, None] = {}
    while len(found) < count:
        found["".join(letters[i] for i in rng.integers(0, len(letters), 5))] = None
    return list(found)
