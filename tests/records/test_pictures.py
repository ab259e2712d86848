"""Overlays and the page: what is drawn lies where the numbers say, and the words are there."""

from __future__ import annotations

from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from squareon_fakes import film_and_reading

from pipeline.knee.film import Film
from pipeline.knee.reading import KneeRef, Proposal, Reading
from pipeline.records import canvas as c
from pipeline.records import overlay
from pipeline.records.canvas import Canvas, text_width, wrapped
from pipeline.records.jsonl import JsonLinesWriter
from pipeline.records.overlay import CAUTION, OverlayWriter, Window, draw, overlay_name
from pipeline.records.page import PageWriter


def film_of_size(rows: int, columns: int, **facts: object) -> tuple[Film, Reading]:
    film, reading = film_and_reading(**facts)
    pixels = cv2.resize(film.pixels, (columns, rows))
    scale = np.array([columns / film.columns, rows / film.rows])
    marks = tuple(
        replace(mark, x=mark.x * scale[0], y=mark.y * scale[1])
        for mark in reading.landmarks
        if mark.x is not None and mark.y is not None
    )
    box = (0.0, 0.0, columns - 1.0, rows - 1.0)
    film = replace(film, pixels=pixels)
    knee = KneeRef(0, box)
    return film, replace(reading, landmarks=marks, knee=knee, outline={}, warnings=())


def where_is(rgb: NDArray[np.uint8], colour: c.Colour) -> NDArray[np.float64]:
    """Middle of all pixels of nearly that colour, (x, y)."""
    near = np.abs(rgb.astype(int) - colour).max(axis=2) < 40
    y, x = np.nonzero(near)
    assert len(x), f"nothing of colour {colour} was drawn"
    return np.array([x.mean(), y.mean()])


@pytest.mark.parametrize(("rows", "columns"), [(600, 480), (3000, 2400), (480, 600), (97, 2000)])
def test_proposal_lies_at_its_place_with_its_circle_to_scale(rows: int, columns: int) -> None:
    film, reading = film_of_size(rows, columns)
    at, radius = (0.4 * columns, 0.6 * rows), 0.04 * min(rows, columns)
    proposal = Proposal("", "point", (at,), radius, "", "", "proposal", None)
    bare = replace(reading, landmarks=(), proposals=())
    without = draw(film, bare, size=1200).rgb.astype(int)
    with_it = draw(film, replace(bare, proposals=(proposal,)), size=1200).rgb.astype(int)
    scale = 1200 / max(rows, columns)
    width, height = round(columns * scale), round(rows * scale)
    changed = np.abs(with_it - without).max(axis=2)[:height, :width] > 60
    y, x = np.nonzero(changed)
    centre = np.array([(x.min() + x.max()) / 2, (y.min() + y.max()) / 2])
    expected = (np.array(at) + 0.5) * scale - 0.5
    assert centre == pytest.approx(expected, abs=1.5)
    reach = max(radius * scale, 9.0)
    assert (x.max() - x.min()) / 2 == pytest.approx(reach, abs=3.5)


def test_withheld_proposals_are_not_drawn_but_told() -> None:
    film, reading = film_of_size(600, 480)
    withheld = Proposal("superomedial", "point", (), 3.0, "", "", "withheld", "not square")
    bare = replace(reading, landmarks=(), proposals=())
    one = draw(film, bare).rgb[:400, :400]
    two = draw(film, replace(bare, proposals=(withheld,))).rgb[:400, :400]
    assert np.array_equal(one, two)
    assert overlay._told(withheld) == "superomedial: withheld, not square"


def test_caution_is_on_every_picture(monkeypatch: pytest.MonkeyPatch) -> None:
    said: list[str] = []
    real = Canvas.texts

    def texts(self: Canvas, items: list, halo: bool = False) -> None:
        said.extend(item[1] for item in items)
        real(self, items, halo)

    monkeypatch.setattr(Canvas, "texts", texts)
    for facts in ({}, {"view": "lateral"}, {"view": "none"}, {"view": "other"}):
        said.clear()
        draw(*film_and_reading(**facts))  # type: ignore[arg-type]
        assert CAUTION in said
        if facts.get("view") in ("none", "other"):
            assert any("not read" in words for words in said)
    assert CAUTION == "PROPOSAL FOR HUMAN REVIEW - NOT FOR GUIDANCE"


def test_moves_and_angles_are_told() -> None:
    _, reading = film_and_reading(rotation=-8.0, tilt=1.0)
    panel = overlay.Panel(reading, whole=True, note="INVENTED FILM")
    said = " ".join(item[2] for item in panel.items)
    assert "rotation -8.0°" in said
    assert "not square on" in said
    assert "INVENTED FILM" in said
    assert "turn the limb inward" in said.lower()


def test_small_knee_is_drawn_enlarged() -> None:
    film, reading = film_of_size(1000, 1000)
    small = replace(reading, knee=KneeRef(0, (700.0, 700.0, 800.0, 850.0)))
    x0, y0, x1, y1 = overlay.part_shown(film, small, zoom=True)
    assert x0 < 700
    assert y0 < 700
    assert x1 > 800
    assert y1 > 850
    assert x1 - x0 < 500
    assert overlay.part_shown(film, small, zoom=False) == (0, 0, 1000, 1000)


@given(st.floats(0.3, 4), st.floats(-20, 20), st.floats(-20, 20))
def test_window_keeps_pixel_centres(scale: float, x0: float, y0: float) -> None:
    """The outer corner of the first drawn pixel, (x0 - 0.5), is the canvas corner (-0.5)."""
    window = Window(x0, y0, scale)
    assert window([(x0 - 0.5, y0 - 0.5)])[0] == pytest.approx([-0.5, -0.5])
    first, second = window([(x0, y0), (x0 + 1, y0)])
    assert second[0] - first[0] == pytest.approx(scale)


@given(
    st.lists(st.text(st.characters(min_codepoint=33, max_codepoint=126), min_size=1), max_size=20)
)
def test_wrapped_words_are_all_there_and_fit(words: list[str]) -> None:
    lines = wrapped(" ".join(words), 20, 300)
    assert " ".join(lines).split() == " ".join(words).split()
    assert all(text_width(line, 20) <= 300 or " " not in line for line in lines)


@settings(max_examples=30)
@given(st.text(min_size=1, max_size=60), st.none() | st.integers(1, 99), st.integers(0, 3))
def test_names_of_pictures_are_plain_and_distinct(
    source: str, frame: int | None, index: int
) -> None:
    name = overlay_name(source, frame, index)
    assert name.isascii()
    assert "/" not in name
    assert not name.startswith(".")
    assert name != overlay_name(source + "x", frame, index)
    assert name != overlay_name(source, (frame or 0) + 1, index)


class Links(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.links: list[str] = []
        self.tags: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.links += [value or "" for key, value in attrs if key in ("href", "src")]


def test_page_links_exist_and_nothing_comes_from_elsewhere(tmp_path: Path) -> None:
    for number, facts in enumerate([{}, {"view": "lateral", "rotation": 9.0}, {"view": "none"}]):
        film, reading = film_and_reading(tmp_path / str(number), **facts)
        for writer in (JsonLinesWriter(), OverlayWriter(size=400)):
            writer.write(tmp_path, film, [reading])
    (tmp_path / "summary.csv").touch()
    (tmp_path / "problems.csv").write_text("source,what,do\n<b>x.dcm,is <i>bad</i>,look\n")
    PageWriter().finish(tmp_path)
    text = (tmp_path / "index.html").read_text()
    links = Links()
    links.feed(text)
    assert len(links.links) == 8
    assert all((tmp_path / link).exists() for link in links.links)
    assert "script" not in links.tags
    assert "b" in links.tags
    assert "i" not in links.tags, "text from outside is escaped"
    assert text.count(CAUTION) >= 2
    assert "not square on (1)" in text
    assert "not read (1)" in text
