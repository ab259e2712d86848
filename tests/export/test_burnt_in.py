"""Text burnt into pixels: found, or a person is asked."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.records.export.burnt_in import burnt_in, writing

FILMS = Path(__file__).parents[2].parent / "shared" / "films"


def plain(rows: int = 700, columns: int = 500, seed: int = 0) -> np.ndarray:
    """A smooth picture with bones and noise, uint8."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[0:rows, 0:columns]
    bone = np.exp(-(((x - columns / 2) / (0.12 * columns)) ** 2))
    joint = np.exp(-(((y - rows / 2) / (0.02 * rows)) ** 2))
    picture = 60 + 130 * bone * (1 - 0.6 * joint) + rng.normal(0, 3, (rows, columns))
    return np.clip(picture, 0, 255).astype(np.uint8)


def asked(picture: np.ndarray, header: str | None = "NO") -> str:
    return burnt_in(picture.astype(np.float32) / 255, header).answer


def test_a_film_without_text_whose_header_says_so_is_released() -> None:
    assert asked(plain()) == "no"


def test_silence_of_the_header_asks() -> None:
    assert asked(plain(), None) == "ask"
    assert asked(plain(), "") == "ask"


def test_the_header_is_believed_when_it_says_that_there_is_text() -> None:
    assert asked(plain(), "YES") == "yes"


@settings(max_examples=25, deadline=None)
@given(
    text=st.from_regex(r"[A-Z]{4,9} [0-9]{4}", fullmatch=True),
    x=st.integers(5, 150),
    y=st.integers(40, 680),
    size=st.floats(0.6, 1.4),
    bright=st.booleans(),
)
def test_writing_is_found_where_it_is(text: str, x: int, y: int, size: float, bright: bool) -> None:
    picture = plain()
    if not bright:
        picture[max(y - 50, 0) : y + 20] = 230
    before = picture.copy()
    cv2.putText(picture, text, (x, y), cv2.FONT_HERSHEY_SIMPLEX, size, 255 if bright else 10, 2)
    assert asked(picture) == "ask"
    left = np.abs(picture.astype(int) - before) > 60
    for x0, y0, x1, y1 in writing(picture.astype(np.float32) / 255):
        left[y0:y1, x0:x1] = False
    assert not left.any()  # no letter would stay if the boxes were blackened


def test_writing_on_real_films_is_found() -> None:
    """Text put on real films; those films are no part of this project."""
    films = sorted(FILMS.glob("*.jpg"))
    if not films:
        pytest.skip("the real films are not here")
    missed = []
    for path in films[::4]:
        picture = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)
        before = picture.copy()
        rows, columns = picture.shape
        at = (columns // 20, rows // 10)
        cv2.putText(picture, "EXAMPLE ANNA 1950", at, cv2.FONT_HERSHEY_SIMPLEX, rows / 900, 255, 5)
        left = picture.astype(int) - before > 60
        for x0, y0, x1, y1 in writing(picture.astype(np.float32) / 255):
            left[y0:y1, x0:x1] = False
        if left.any():
            missed.append(path.name)
    assert not missed
