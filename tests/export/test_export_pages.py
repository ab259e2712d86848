"""Pages for people: self-contained, honest, with the marks where they belong."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ElementTree
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest
from export_cases import COLUMNS, ROWS, film_dataset, moved, reading_of, record, save

from pipeline.records.export import svg
from pipeline.records.export.marks import marks_of
from pipeline.records.export.pages import (
    Sheet,
    film_page,
    index_page,
    line_of,
    operators_page,
    study_page,
)
from pipeline.records.export.plot import LIMIT, Shot, plot
from pipeline.records.export.record import Record

SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture
def reading(tmp_path: Path) -> dict:
    path = save(film_dataset(), tmp_path / "film.dcm")
    return reading_of(path, full=True, view="lateral", rotation=-8.0, tilt=0.2)


def sheet(one: Record, **changes: str) -> Sheet:
    pixels = np.linspace(0, 1, ROWS * COLUMNS, dtype=np.float32).reshape(ROWS, COLUMNS)
    drawn = svg.picture(pixels, marks_of(one.current), "film")
    small = svg.picture(pixels, marks_of(one.current), "film", longest=100)
    values = {
        "name": "study-1/film.dcm",
        "file": "film-k0.html",
        "acquired": "2020-01-02 10:11",
        "picture": drawn,
        "thumbnail": small,
    }
    return Sheet(one, **{**values, **changes})


class Page(HTMLParser):
    """Words, tags and attributes of a page."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.words: list[str] = []
        self.inside = ""
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        self.inside = tag

    def handle_data(self, data: str) -> None:
        if self.inside not in ("style", "title"):
            self.words.append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).split())


def every_page(reading: dict) -> dict[str, str]:
    accepted, waiting = sheet(record(reading)), sheet(record(reading, "proposed"))
    shots = [Shot("20200102", -8.0, 0.2, "no"), Shot("20200103", 20.0, -20.0, "yes")]
    studies = [{"title": "Study 1", "file": "study-1.html", "lines": [line_of(accepted)]}]
    return {
        "film": film_page(accepted, "study-1.html"),
        "unreviewed": film_page(waiting, ""),
        "study": study_page("Study 1", [accepted, waiting]),
        "index": index_page(studies, 2),
        "operators": operators_page({"Invented^Operator": shots}, 5.0),
    }


def test_pages_need_no_network_and_no_script(reading: dict) -> None:
    for text in every_page(reading).values():
        page = Page(text)
        assert "script" not in {tag for tag, _ in page.tags}
        for _, attributes in page.tags:
            for name in ("src", "href", "xlink:href"):
                value = attributes.get(name) or ""
                assert not re.match(r"(https?:)?//", value)
            assert not [name for name in attributes if name.startswith("on")]
        assert "http" not in re.sub(r"<meta[^>]*>", "", text)
        assert "Not for guidance of any procedure" in page.text


def test_unreviewed_pages_say_so_at_the_top(reading: dict) -> None:
    pages = every_page(reading)
    for name in ("unreviewed", "study"):
        text = Page(pages[name]).text
        assert "UNREVIEWED" in text[: text.index("quare on")]
    assert "<title>UNREVIEWED" in pages["unreviewed"]
    assert "UNREVIEWED" not in Page(pages["film"]).text
    rejected = film_page(sheet(record(reading, "rejected")), "")
    assert "UNREVIEWED, REJECTED" in Page(rejected).text
    assert "too oblique" in Page(rejected).text


def test_words_follow_the_sign(reading: dict) -> None:
    text = Page(film_page(sheet(record(reading)), "")).text
    assert "in front of the medial one" in text  # negative lateral rotation
    assert "Rotation 8 degrees" in text
    assert "Tilt: no clear error" in text
    turned = {**reading, "alignment": {**reading["alignment"], "rotation_deg": 8.0,
                                       "rotation_90": [6.0, 10.0]}}  # fmt: skip
    text = Page(film_page(sheet(record(turned)), "")).text
    assert "Rotation 8 degrees (6 to 10): the lateral condyle lies behind the medial one" in text


def test_what_the_reviewer_changed_is_told(reading: dict) -> None:
    final = moved(reading, "fibular_head", (9.0, 0.0))
    text = Page(film_page(sheet(record(reading, "changed", current=final)), "")).text
    assert "fibular head: moved" in text
    assert "Accepted with changes by Example Reviewer A" in text


def test_names_from_outside_are_escaped(reading: dict) -> None:
    one = record(reading, reviewer="<b onload=x>&", reason="<script>alert(1)</script>")
    text = film_page(sheet(one, name="<img src=x>.dcm"), "")
    assert "<script" not in text
    assert "<img" not in text
    assert "<b onload" not in text


def test_marks_are_drawn_where_the_reading_has_them(reading: dict) -> None:
    drawn = svg.picture(np.zeros((ROWS, COLUMNS), np.float32), marks_of(reading), "film")
    root = ElementTree.fromstring(
        drawn.replace("<svg ", '<svg xmlns="http://www.w3.org/2000/svg" ')
    )
    assert root.get("viewBox") == f"0 0 {COLUMNS} {ROWS}"
    image = root.find(f"{SVG}image")
    assert image is not None
    assert (image.get("width"), image.get("height")) == (str(COLUMNS), str(ROWS))
    group = root.find(f"{SVG}g")
    assert group is not None
    # The drawing starts at the corner of the first pixel, a reading at its centre.
    assert group.get("transform") == "translate(0.5 0.5)"
    dots = {(float(dot.get("cx")), float(dot.get("cy"))) for dot in group.iter(f"{SVG}circle")}
    for mark in marks_of(reading):
        if mark.kind == "contour":
            x, y = mark.points[0]
            assert (round(x, 2), round(y, 2)) in dots


def test_a_film_is_shown_with_bright_bone_and_full_contrast() -> None:
    pixels = np.tile(np.linspace(0.2, 0.4, 400, dtype=np.float32), (300, 1))
    import cv2

    seen = cv2.imdecode(np.frombuffer(svg.film_jpeg(pixels, 200), np.uint8), 0)
    assert seen.shape == (150, 200)
    assert seen[75, 3] < 15
    assert seen[75, -3] > 220


def test_few_films_of_an_operator_are_said_to_be_few(reading: dict) -> None:
    text = Page(every_page(reading)["operators"]).text
    assert "too few to tell anything" in text
    assert "never for judging a person" in text
    many = [Shot("20200102", 1.0, 1.0, "yes")] * 30
    assert "1 film, " in Page(operators_page({"A": many[:1]}, 5.0)).text
    assert "too few" not in Page(operators_page({"A": many}, 5.0)).text


def test_a_plot_puts_larger_angles_higher_and_marks_what_is_off_it() -> None:
    def dots(shots: list[Shot]) -> list[float]:
        return [
            float(y) for y in re.findall(r'class="dot" cx="[\d.]+" cy="([\d.]+)"', plot(shots, 5))
        ]

    low, high = dots([Shot("", -3.0, None, None), Shot("", 3.0, None, None)])
    assert low > high  # svg's y runs down
    drawn = plot([Shot("", LIMIT + 5, None, None)], 5)
    assert '<path class="dot"' in drawn
    assert not dots([Shot("", LIMIT + 5, None, None)])
