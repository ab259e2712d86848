"""Every code that is written stands in a dictionary, or says plainly that it is private."""

from __future__ import annotations

import re

import pytest
from pydicom.sr._concepts_dict import concepts

from pipeline.knee.landmarks import LANDMARKS
from pipeline.records.export import codes as c

KNOWN = {
    (scheme, value, meaning.lower())
    for scheme, table in concepts.items()
    for held in table.values()
    for value, (meaning, _) in held.items()
}


@pytest.mark.parametrize("name", c.STANDARD)
def test_a_standard_code_is_in_the_dictionary_with_its_meaning(name: str) -> None:
    code = c.STANDARD[name]
    assert (code.scheme, code.value, code.meaning.lower()) in KNOWN


def test_units_are_ucum_annotations() -> None:
    for code in c.UNITS.values():
        assert re.fullmatch(r"\{[a-z]+\}", code.value)


def test_private_codes_are_unique_and_fit() -> None:
    private = [code for _, code in c.every() if code.scheme == c.PRIVATE]
    assert c.PRIVATE.startswith("99")
    assert len({code.value for code in private}) == len(private)
    assert len({code.meaning for code in private}) == len(private)
    for _, code in c.every():
        assert len(code.value) <= 16
        assert len(code.scheme) <= 16
        assert len(code.meaning) <= 64


def test_every_landmark_has_a_code() -> None:
    assert set(c.LANDMARK) == {landmark.name for landmark in LANDMARKS}


def test_no_unverified_anatomy_poses_as_standard() -> None:
    doubtful = ("condyle", "epicondyle", "tubercle", "fibular head", "nerve", "spine", "notch")
    for code in c.STANDARD.values():
        assert not any(word in code.meaning.lower() for word in doubtful)
