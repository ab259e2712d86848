"""Every word goes through the catalogue, and the second language is complete."""

from __future__ import annotations

import ast
import re
import sys
from datetime import date
from itertools import product
from pathlib import Path

import pytest
from babel.messages.pofile import read_po
from babel.numbers import parse_decimal
from catalogue_words import plain_words

from pipeline.align.beam import assumed_lie
from pipeline.align.moves import moves
from pipeline.align.options import AlignOptions
from pipeline.knee.errors import Problem
from pipeline.knee.film import HeaderHints
from pipeline.language import speech
from pipeline.language.phrases import PHRASES, known, told
from pipeline.language.speech import ACCENTED, languages

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / "docs"))
import make_catalogue  # noqa: E402

OTHERS = [code for code in languages() if code != "en"]
PLACES = re.compile(r"\{(\w*)\}")


def test_there_is_a_second_language() -> None:
    assert "de" in OTHERS


def test_the_template_holds_every_sentence_of_the_code() -> None:
    made = make_catalogue.as_po(make_catalogue.template())
    kept = make_catalogue.CATALOGUES / "squareon.pot"
    assert kept.read_bytes() == made, "run python docs/make_catalogue.py"


@pytest.mark.parametrize("language", OTHERS)
class TestEachLanguage:
    def test_is_complete_and_up_to_date(self, language: str) -> None:
        with open(make_catalogue.path_of(language), "rb") as file:
            catalogue = read_po(file)
        assert not make_catalogue.missing(catalogue)
        made = make_catalogue.as_po(make_catalogue.brought_up(make_catalogue.written(language)))
        assert make_catalogue.path_of(language).read_bytes() == made, (
            "run python docs/make_catalogue.py"
        )

    def test_what_is_used_is_what_is_written(self, language: str) -> None:
        compiled = make_catalogue.path_of(language).with_suffix(".mo").read_bytes()
        assert compiled == make_catalogue.as_mo(make_catalogue.written(language))

    def test_places_are_the_same_in_every_form(self, language: str) -> None:
        catalogue = make_catalogue.written(language)
        for message in catalogue:
            if not message.id:
                continue
            ids = [message.id] if isinstance(message.id, str) else list(message.id)
            texts = [message.string] if isinstance(message.string, str) else list(message.string)
            wanted = sorted(set(PLACES.findall(ids[-1])))
            for text in texts:
                assert sorted(set(PLACES.findall(text))) == wanted, message.id
                assert text.strip() == text or ids[0].strip() != ids[0], message.id
            if isinstance(message.id, tuple | list):
                assert len(texts) == catalogue.num_plurals

    def test_numbers_are_its_own(self, language: str) -> None:
        t = speech(language)
        for value, digits in product((0.04, 1.25, -10.66, 1234.5), (0, 1, 2)):
            text = t.number(value, digits).replace("\u2212", "-")
            assert float(parse_decimal(text, locale=language)) == round(value, digits)


def test_german_is_german() -> None:
    t = speech("de")
    assert t.number(1234.56, 1) == "1.234,6"
    assert t.number(-0.04, 1, signed=True) == "0,0"
    assert t.number(2.5, 1, signed=True) == "+2,5"
    assert t.day(date(2026, 3, 4)) == "04.03.2026"
    assert t.month(date(2026, 3, 1)) == "März 2026"
    assert [t.plural("{n} reading", "{n} readings", n) for n in (0, 1, 2)] == [
        "0 Lesungen",
        "1 Lesung",
        "2 Lesungen",
    ]
    assert (
        t.within("end", "lateral") != t.within("view", "lateral") != t.within("toward", "lateral")
    )


def test_advice_is_told_with_its_parts_in_place() -> None:
    t = speech("de")
    said = told(
        t,
        "Turn the front end of the beam toward medial by about 11 degrees (orbital turn of the "
        "C-arm), or turn the limb outward",
    )
    assert said == (
        "Das vordere Ende des Strahls um etwa 11 Grad nach medial drehen (Orbitaldrehung des "
        "C-Bogens) oder das Bein nach außen drehen"
    )
    by = told(t, "By the likelier reading (62 %): swing the foot inward, toward the midline")
    assert by.startswith("Nach der wahrscheinlicheren Lesung (62 %): den Fuß")
    share = told(t, "0.1 % of the picture is in colour; its luminance was read")
    assert share.startswith("0,1 % des Bildes")


def test_what_is_not_known_is_not_lost() -> None:
    assert told(speech("de"), "something that nobody ever wrote") == (
        "something that nobody ever wrote"
    )
    assert not known("something that nobody ever wrote")


def test_english_is_what_the_store_holds() -> None:
    sentence = "Pixel Spacing (1234.5 mm) does not fit Imager Pixel Spacing (2 mm) and was not used"
    assert told(speech("en"), sentence) == sentence


class _Pose:
    """As much of a pose as `moves` looks at."""

    def __init__(self, rotation: float, tilt: float, flexion: float | None, share: object) -> None:
        likelier = type("H", (), {"rotation_deg": rotation, "tilt_deg": tilt, "probability": 0.62})
        other = type("H", (), {"rotation_deg": -rotation, "tilt_deg": tilt, "probability": 0.38})
        self.hypotheses = (likelier(), other())
        self.flexion_deg, self.off_centre_deg = flexion, share


def test_every_move_is_known() -> None:
    assert assumed_lie(10.0) >= 0
    seen = set()
    headers = [HeaderHints(), HeaderHints(c_arm=True), HeaderHints(lying_on_side=True)]
    for view, rotation, tilt, flexion, header, front, share in product(
        ("AP", "lateral"),
        (-12.0, 0.0, 12.0),
        (-9.0, 0.0, 9.0),
        (5.0, 60.0),
        headers,
        (None, True),
        (None, (8.0, 1.0), (1.0, 8.0)),
    ):
        options = AlignOptions(tube_in_front=front)
        pose = _Pose(rotation, tilt, flexion, share)
        seen |= {move.text for move in moves(view, pose, header, options)}  # type: ignore[arg-type]
    assert len(seen) > 60
    t = speech(ACCENTED)
    for text in seen:
        assert known(text), text
        assert not plain_words(told(t, text)), told(t, text)


# ---- every sentence of a reading has its pattern -----------------------------------------------

MADE_BY = {
    "pipeline": "looks run",
    "pipeline/align": "align points",
    "pipeline/propose": "rules heights peroneal",
    "pipeline/fit": "describing plausibility landmark_fit direct_regression fused knee_shape",
    "pipeline/readers": "dicom dicom_header dicom_pixels dicom_scale grey raster itk",
}
"""Where sentences of readings are made; moves and criteria are tried by themselves."""
NOT_SAID = (
    "detector that",
    "is no probability",
    "is no depth",
    "399038007",
    ".bat .cfg",
    "nuclear medicine",
    "a set of contours",
    "Nominal Scanned Pixel Spacing",
    "the knee's lateral side",
)
"""Texts of four and more words that no reading holds alone, and names that DICOM gives."""
OF_PROBLEMS = ("Problem", "ValueError", "TypeError", "cannot_open", "_unexpected", "_damaged")


def texts(path: Path) -> list[str]:
    """Texts of four and more words, f-strings with a number in each place; docstrings left out."""
    tree = ast.parse(path.read_text("utf-8"))
    skipped: set[int] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
            skipped.add(id(node.value))
        name = ""
        if isinstance(node, ast.Call):
            name = getattr(node.func, "id", getattr(node.func, "attr", ""))
        if name in OF_PROBLEMS or name in ("mark", "mark_within"):
            skipped |= {id(child) for child in ast.walk(node)}
        if isinstance(node, ast.JoinedStr):
            skipped |= {id(child) for child in ast.walk(node) if child is not node}
    found = []
    for node in ast.walk(tree):
        if id(node) in skipped:
            continue
        if isinstance(node, ast.Constant) and isinstance(node.value, str):
            found.append(node.value)
        elif isinstance(node, ast.JoinedStr):
            parts = [part.value if isinstance(part, ast.Constant) else "7" for part in node.values]
            found.append("".join(map(str, parts)))
    return [text for text in found if len(text.split()) >= 4]


def test_every_sentence_of_a_reading_has_its_pattern() -> None:
    files = [
        ROOT / room / f"{name}.py" for room, names in MADE_BY.items() for name in names.split()
    ]
    checked = 0
    for file in files:
        for text in texts(file):
            if any(word in text for word in NOT_SAID):
                continue
            # The place of a word is not that of a number: both are tried.
            tried = (text, text.replace("7", "AP"), text.replace("7", "right"), *_mixed(text))
            assert any(known(one) for one in tried), f"{file.name}: {text!r} has no pattern"
            checked += 1
    assert checked > 40


def _mixed(text: str) -> list[str]:
    """The first place a word and the others numbers."""
    words = (
        "rest",
        "AP",
        "right",
        "the film shows",
        "which",
        "Imager Pixel Spacing",
        "the patella",
    )
    return [text.replace("7", word, 1) for word in words]


def test_criteria_are_told() -> None:
    tree = (ROOT / "pipeline/align/criteria.py").read_text("utf-8")
    names = re.findall(r'^ +"([a-z ]+)",$', tree, flags=re.M)
    names += re.findall(r'\("(condyle offset [a-z ]+)",', tree)
    sources = re.findall(r'source: str = "([^"]+)"', tree)
    assert len(names) >= 5
    assert len(sources) == 5
    for text in (*names, *sources, "medial plateau gap", "lateral plateau gap"):
        assert known(text), text


def test_no_pattern_stands_in_the_way_of_another() -> None:
    """A pattern with its places named is told by itself, not by a looser one before it."""
    t = speech("de")
    for phrase in PHRASES:
        if "{" not in phrase:
            assert told(t, phrase) == t(phrase), phrase


def test_accents_show_what_is_plain() -> None:
    t = speech(ACCENTED)
    assert not plain_words(t("Square on"))
    assert t("{n} degrees", n=3).startswith("3 ")
    assert plain_words("Square on") == ["Square"]


def test_an_unknown_language_is_one_sentence() -> None:
    with pytest.raises(Problem, match="choose one of en, de"):
        speech("xx")
