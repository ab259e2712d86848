"""The practice page in a real browser: a whole exercise, by mouse and by keyboard alone; axe."""

from __future__ import annotations

import base64
import io
import re
from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest
from PIL import Image
from practice_house import PracticeHouse, begin, practising
from review_browser import Visit

from pipeline.practise.exercise import Exercise, code_of

OFF = Exercise(seed=41, view="lateral", level=2, flexion_deg=0, rotation_deg=9.0, tilt_deg=-7.0)
SET = "title: Two to try\nexercises:\n  - {view: AP, tilt_deg: 9, say: Look at the plateau.}\n"


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> Iterator[PracticeHouse]:
    folder = tmp_path_factory.mktemp("practice")
    (folder / "set.yaml").write_text(SET)
    with practising(folder / "book", [folder / "set.yaml"]) as running:
        yield running


@pytest.fixture
def visit(browser: Any, house: PracticeHouse) -> Iterator[Visit]:
    made = open_page(browser, house)
    yield made
    made.close()
    assert not made.errors
    assert not made.foreign()


def open_page(browser: Any, house: PracticeHouse, **words: Any) -> Visit:
    made = Visit(browser, house.address, **words)
    made.context.add_init_script("localStorage.setItem('squareon learner', 'Kestrel')")
    made.page.goto(house.address)
    made.page.wait_for_selector(".home")
    return made


def shown(visit: Visit) -> np.ndarray:
    """(768, 768) greys on the film's canvas."""
    url = visit.page.evaluate("document.querySelector('canvas.film').toDataURL('image/png')")
    picture = Image.open(io.BytesIO(base64.b64decode(url.partition(",")[2])))
    return np.asarray(picture.convert("L"))


def test_a_whole_exercise(visit: Visit, house: PracticeHouse) -> None:
    page = visit.page
    begin(visit, code_of(OFF))
    first = shown(visit)
    assert first.std() > 20
    page.select_option("#say-rotation", label="lateral end too far forward")
    page.select_option("#say-tilt", label="fine")
    page.fill("#move-orbital-number", "9")
    assert page.locator("#move-orbital-way").inner_text() == "9° lateral end toward posterior"
    page.locator("#move-other").focus()
    visit.press(*["ArrowLeft"] * 7)
    assert page.locator("#move-other-way").inner_text() == "7° lateral end toward the head"
    page.get_by_role("button", name="Take the film").click()
    page.wait_for_selector(".play[data-films='2']")
    page.wait_for_selector(".told .solid")
    visit.settle()
    assert np.abs(shown(visit).astype(int) - first).mean() > 3  # another film, not the same
    told = page.locator(".told").inner_text()
    assert "Film 1: not square on" in told
    assert "Rotation +9.0°" in told
    assert "Rotation right" in told
    assert "Tilt not right" in told
    assert "wig-wag 7°: lateral end toward the head" in told
    assert page.locator("#move-orbital-number").input_value() == "0"

    page.get_by_role("button", name="Film 1").click()
    visit.settle()
    names = page.locator(".outlines .name text").all_text_contents()
    assert sorted(names) == ["lateral condyle", "medial condyle"]
    colours = page.evaluate(
        "[...document.querySelectorAll('.outlines .line')].map(e => getComputedStyle(e).stroke)"
    )
    assert len(set(colours)) == 2
    assert np.array_equal(shown(visit), first)
    visit.press("o")
    assert page.locator(".outlines .name").count() == 0

    page.get_by_role("button", name="It is square on").click()
    page.wait_for_selector(".result")
    assert "2 films; fewest possible 2" in page.locator(".result").inner_text()
    assert "square on" in page.locator(".told h2").inner_text()
    page.get_by_role("button", name="Overview").click()
    page.wait_for_selector(".rounds")
    assert "2 (2)" in page.locator(".rounds tbody tr").first.inner_text()
    assert house.desk is not None
    assert house.desk.book.rounds("Kestrel")[-1]["solved"]


def test_by_keyboard_alone(visit: Visit) -> None:
    page = visit.page
    page.get_by_role("button", name=re.compile("1 +One thing off")).focus()
    visit.press("Enter")
    page.wait_for_selector(".play[data-films='1']")
    page.wait_for_selector(".outlines .name")  # level 1 explains at once
    visit.press("Enter")
    visit.toast("Choose at least one move")
    page.locator("#move-orbital").focus()
    visit.press("ArrowRight", "ArrowRight", "ArrowRight", "Enter")
    page.wait_for_selector(".play[data-films='2']")
    visit.settle()
    visit.press("[")
    assert page.get_by_role("button", name="Film 1").get_attribute("aria-pressed") == "true"
    page.locator(".solid").focus()
    before = page.locator(".solid-names").inner_html()  # one name alone may be held at an edge
    visit.press("ArrowLeft", "ArrowLeft")
    # drawn at the next frame, whenever a busy machine comes to it
    page.wait_for_function(
        "was => document.querySelector('.solid-names').innerHTML !== was",
        arg=before,
    )
    page.get_by_role("button", name="End").focus()
    visit.press("Enter")
    page.wait_for_selector(".result")
    assert page.evaluate("document.activeElement.textContent").startswith("Next exercise")
    visit.press("n")
    page.wait_for_selector(".play[data-films='1'] .ask h2")
    assert "What is off" in page.locator(".ask").inner_text()


def test_the_film_says_that_it_is_invented(visit: Visit) -> None:
    begin(visit, code_of(OFF))
    foot = shown(visit)[-28:, :360]
    assert foot.max() > 200
    assert np.median(foot) < 90
    assert "INVENTED" in visit.page.locator("#top").inner_text()
    assert "not for guidance" in visit.page.locator("#caution").inner_text()


def test_the_clock_runs_out(visit: Visit) -> None:
    page = visit.page
    page.get_by_role("button", name=re.compile("5 +On your own")).wait_for()
    page.locator("#timed").check()
    page.get_by_role("button", name=re.compile("5 +On your own")).click()
    page.wait_for_selector(".play[data-films='1']")
    assert re.fullmatch(r"[23]:\d\d", page.locator(".clock").inner_text())
    page.evaluate("const n = performance.now.bind(performance); performance.now = () => n() + 1e6")
    page.wait_for_selector(".result")
    assert "The time is up" in page.locator(".result").inner_text()


@pytest.mark.parametrize(
    ("scheme", "size"),
    [("light", (1366, 768)), ("dark", (1366, 768)), ("light", (3840, 2160))],
    ids=["laptop-light", "laptop-dark", "4k"],
)
def test_accessible(browser: Any, house: PracticeHouse, scheme: str, size: tuple[int, int]) -> None:
    axe = pytest.importorskip("axe_playwright_python.sync_playwright").Axe()
    view = {"width": size[0], "height": size[1]}
    visit = open_page(browser, house, viewport=view, color_scheme=scheme)
    page = visit.page

    def check(where: str) -> None:
        found = axe.run(page)
        told = [(v["id"], [n["target"] for n in v["nodes"]]) for v in found.response["violations"]]
        assert not told, (where, told)
        assert "not for guidance" in page.locator("#caution").inner_text()
        over = page.evaluate(
            "[document.documentElement, ...document.querySelectorAll('.controls, .told, #top')]"
            ".filter(e => e.scrollWidth > e.clientWidth + 1).map(e => e.className || e.tagName)"
        )
        assert not over, (where, over)

    check("overview")
    begin(visit, code_of(OFF))
    check("first film")
    gaps = page.evaluate(
        "[...document.querySelectorAll('.mover')].map(e => "
        "e.querySelector('.slide').getBoundingClientRect().top"
        " - e.querySelector('input[type=number]').getBoundingClientRect().bottom)"
    )
    assert len(gaps) == 6
    assert min(gaps) > 2, "a slider's words touch the box above them"
    page.fill("#move-orbital-number", "5")
    page.get_by_role("button", name="Take the film").click()
    page.wait_for_selector(".told .solid")
    page.get_by_role("button", name="Film 1").click()
    visit.settle()
    check("explained")
    # The film is as large as the window lets it be, and wholly in sight.
    box = page.locator(".film-stage").bounding_box()
    assert box["y"] + box["height"] <= size[1]
    assert box["width"] > 0.4 * size[0]
    page.get_by_role("button", name="End").click()
    page.wait_for_selector(".result")
    check("result")
    visit.press("?")
    check("keys")
    visit.close()
    assert not visit.errors
