"""The practice page in other languages: no word goes round the catalogue, nothing overflows."""

from __future__ import annotations

import re
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from catalogue_words import plain_words
from practice_house import PracticeHouse, begin, practise_settings, practising
from review_browser import Visit

from pipeline.knee.errors import Problem
from pipeline.language import speech
from pipeline.language.page import page_files, sentences_of, spoken
from pipeline.language.speech import ACCENTED, languages
from pipeline.practise.app import OWN_PAGE
from pipeline.practise.exercise import Exercise, code_of
from pipeline.practise.explain import ending
from pipeline.practise.rounds import NOTE
from pipeline.review.door import PAGE

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / "docs"))
import make_catalogue  # noqa: E402

OFF = Exercise(
    seed=41,
    view="AP",
    level=3,
    flexion_deg=10,
    rotation_deg=9.5,
    tilt_deg=-7.0,
    off_centre_mm=(20.0, 10.0),
    findings=("osteoarthritis",),
    big_limb=True,
)
ASIDE = Exercise(seed=41, view="lateral", style="c_arm", flexion_deg=40, rotation_deg=9.0)
SET = "title: Zwei Knie\nexercises:\n  - {view: AP, tilt_deg: 9, say: Auf das Plateau achten.}\n"
SAID = """
    const found = [document.title];
    const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
    while (walk.nextNode()) {
      const node = walk.currentNode;
      if (!node.parentElement.closest("script, code, kbd")) found.push(node.data);
    }
    for (const each of document.querySelectorAll("*")) {
      found.push(each.getAttribute("aria-label") ?? "", each.getAttribute("title") ?? "");
    }
    return found.map((text) => text.trim()).filter(Boolean);
"""
"""Everything that is read or heard."""


@pytest.fixture(scope="module", params=["de", ACCENTED])
def house(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[PracticeHouse]:
    folder = tmp_path_factory.mktemp("practice")
    (folder / "set.yaml").write_text(SET)
    words = f"language={request.param}"
    with practising(folder / "book", [folder / "set.yaml"], words) as running:
        yield running


def english() -> set[str]:
    """Sentences of the catalogue that are others in German."""
    found = set()
    for message in make_catalogue.written("de"):
        ids = [message.id] if isinstance(message.id, str) else list(message.id)
        texts = [message.string] if isinstance(message.string, str) else list(message.string or ())
        found |= {one for one in ids if one and one not in texts}
    german = {m.string for m in make_catalogue.written("de") if isinstance(m.string, str)}
    return found - german


@pytest.mark.parametrize(
    ("scheme", "size"),
    [("light", (1366, 768)), ("dark", (3840, 2160))],
    ids=["laptop-light", "4k-dark"],
)
def test_every_word_is_told_and_nothing_overflows(
    browser: Any, house: PracticeHouse, scheme: str, size: tuple[int, int]
) -> None:
    axe = pytest.importorskip("axe_playwright_python.sync_playwright").Axe()
    view = {"width": size[0], "height": size[1]}
    visit = Visit(browser, house.address, viewport=view, color_scheme=scheme)
    visit.context.add_init_script("localStorage.setItem('squareon learner', 'Wren 7')")
    page = visit.page
    page.goto(house.address)
    page.wait_for_selector(".home")
    assert house.desk is not None
    code, foreign = house.desk.t.code, english()
    assert page.evaluate("document.documentElement.lang") == code

    def check(where: str) -> None:
        said = page.evaluate(f"() => {{{SAID}}}")
        assert len(said) > 20
        if code == ACCENTED:
            names = r"Wren 7|Zwei Knie|Auf das Plateau achten|[0-9A-Z]{4}(-[0-9A-Z]{4}){3}"
            plain = [text for text in said if plain_words(re.sub(names, " ", text))]
            assert not plain, where
        else:
            assert not foreign & set(said), where
            found = axe.run(page).response["violations"]
            told = [(v["id"], [n["target"] for n in v["nodes"]]) for v in found]
            assert not told, (where, told)
            over = page.evaluate(
                "[document.documentElement, ...document.querySelectorAll("
                "'.card, .controls, .told, #top, .film-part, fieldset, .row, .field > *, dialog, '"
                " + '.mover > *')]"
                ".filter(e => e.scrollWidth > e.clientWidth + 1).map(e => e.className || e.tagName)"
            )
            assert not over, (where, over)

    check("overview")
    begin(visit, code_of(ASIDE))
    page.fill("#move-other-number", "-7.5")
    check("lateral film")
    page.locator("#top .brand").click()
    begin(visit, code_of(OFF))
    check("first film")
    page.select_option("#say-rotation", value="plus")
    page.fill("#move-orbital-number", "5.5")
    visit.press("Enter")
    page.wait_for_selector(".play[data-films='2']")
    page.wait_for_selector(".told .solid")
    page.locator(".film-tabs button").first.click()
    visit.settle()
    check("explained")
    if code == "de":
        told = page.locator(".told").inner_text()
        assert re.search(r"Rotation \+\d+,\d°: Bein innenrotiert", told)
        assert "5,5°: vorderes Ende nach medial" in told
    page.locator(".row.do button.quiet").click()
    page.wait_for_selector(".result")
    check("result")
    visit.press("?")
    check("keys")
    visit.close()
    assert not visit.errors


def test_what_is_wrong_is_told_too(house: PracticeHouse) -> None:
    assert house.desk is not None
    answer = house.call("/api/rounds", {"learner": "Wren", "code": "nonsense"})
    assert answer.status == 422
    if house.desk.t.code == "de":
        assert answer.json["what"] == "ist kein Code einer Übung"
    else:
        assert not plain_words(answer.json["what"] + answer.json["do"])


def test_films_can_say_in_every_language_that_they_are_invented() -> None:
    """The font on the films knows plain letters only."""
    for code in languages():
        assert speech(code)(NOTE).isascii()


def test_scripts_ask_for_sentences_of_the_catalogue() -> None:
    known = {message.id for message in make_catalogue.written("de")}
    asked = {
        sentence
        for path in page_files(OWN_PAGE, PAGE)
        for sentence in sentences_of(path.read_text("utf-8"))
    }
    assert len(asked) > 100
    assert asked <= known


def test_a_page_is_filled_and_cannot_be_broken_out_of() -> None:
    class Odd(type(speech("de").words)):  # type: ignore[misc]
        def gettext(self, message: str) -> str:
            return "</script><b>" + message

    from pipeline.language.speech import Speech

    page = spoken(
        Speech("de", Odd()),
        '<p lang="{{language}}">{{t("A & b")}} {{words}}',
        [
            OWN_PAGE / "app.js",
        ],
    )
    assert page.startswith('<p lang="de">&lt;/script&gt;&lt;b&gt;A &amp; b {"')
    assert "<b>" not in page


def test_an_ending_is_told_by_the_numbers() -> None:
    record = {
        "films": 1,
        "fewest": 1,
        "solved": True,
        "ended": "square",
        "angles": [[1.0, 2.0]],
        "tolerance_deg": 5.0,
        "named": 0,
        "named_right": 0,
        "wrong_claims": 2,
        "seconds": 12.4,
    }
    told = ending(speech("de"), record)
    assert told["title"] == "Exakt eingestellt"
    assert told["lines"] == [
        "1 Aufnahme; möglich waren mindestens 1.",
        "Nichts wurde benannt.",
        "Zu früh exakt genannt: 2.",
        "12 Sekunden.",
    ]
    lost = {**record, "solved": False, "ended": "stopped", "films": 3}
    assert "square on; it was not said" in " ".join(ending(speech("en"), lost)["lines"])


def test_an_unknown_language_is_one_sentence() -> None:
    with pytest.raises(Problem, match="choose one of en, de"):
        practise_settings("language=xx")
