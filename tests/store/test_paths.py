"""Paths of films stand in the store only under its key, and the films are found all the same."""

from __future__ import annotations

from pathlib import Path

import pytest
from cryptography.hazmat.primitives.ciphers.aead import AESSIV
from store_cases import KEY, moved, reading_row

from pipeline.knee.errors import Problem
from pipeline.records.store import Filter, Store, copy_store, open_original
from pipeline.records.store.secret import MARK, close, reopen

FOLDER = "Quillonby^Persephone 19310203"


def test_the_cipher_is_that_of_rfc_5297() -> None:
    """Appendix A.1 of RFC 5297; its letters from memory."""
    key = bytes.fromhex("fffefdfcfbfaf9f8f7f6f5f4f3f2f1f0f0f1f2f3f4f5f6f7f8f9fafbfcfdfeff")
    header = bytes.fromhex("101112131415161718191a1b1c1d1e1f2021222324252627")
    closed = AESSIV(key).encrypt(bytes.fromhex("112233445566778899aabbccddee"), [header])
    assert closed.hex() == "85632d07c6e8f37f950acd320a2ecc9340c02b9690c4dc04daef7f6afe5c"


@pytest.mark.parametrize("text", ["films/1.dcm", "closed:abc", "übung/\udcff.dcm", "x" * 3000])
def test_what_was_closed_opens_again(text: str) -> None:
    closed = close(KEY, text)
    assert closed.startswith(MARK)
    assert closed.isascii()
    assert closed == close(KEY, text) != close(b"another key, not secret either", text)
    assert reopen(KEY, closed) == text


def test_another_key_or_a_changed_letter_opens_nothing() -> None:
    closed = close(KEY, "films/1.dcm")
    for wrong_key, wrong in (
        (b"another key, not secret either", closed),
        (KEY, closed[:-6] + ("A" if closed[-6] != "A" else "B") + closed[-5:]),
        (KEY, MARK + "AAAA"),
    ):
        with pytest.raises(Problem, match="does not open"):
            reopen(wrong_key, wrong)
    assert reopen(KEY, "as/older/stores/have.it") == "as/older/stores/have.it"


def test_no_path_is_in_the_files_and_the_film_is_found(tmp_path: Path) -> None:
    films = tmp_path / FOLDER
    films.mkdir()
    (films / "0.dcm").write_bytes(b"invented")
    row = reading_row(0, films)
    with Store.open(str(tmp_path / "results" / "store.sqlite"), KEY) as store:
        id = store.add_reading(row)
        assert store.readings()[0].source == row["film"]["source"]
        assert open_original(store.reading(id)) == films / "0.dcm"
        final = moved(store.reading(id).current, notch_apex=1.0)
        decision = store.decide(
            id, expected_revision=1, kind="accept_with_changes", reviewer="A", final=final
        )
        assert decision.final is not None
        assert decision.final["film"]["source"] == row["film"]["source"]
        films.rename(tmp_path / f"{FOLDER} moved")
        store.add_reading(reading_row(0, tmp_path / f"{FOLDER} moved"))
        assert open_original(store.reading(id)).parent.name == f"{FOLDER} moved"
        assert store.verify() == []
        copy_store(store, str(tmp_path / "elsewhere" / "copy.sqlite")).close()
        content = b"".join(
            path.read_bytes()
            for folder in ("results", "elsewhere")
            for path in (tmp_path / folder).iterdir()
        )
    assert row["film"]["sha256"].encode() in content
    for word in (FOLDER, "Quillonby", "Persephone", "19310203", "0.dcm", str(tmp_path)):
        assert word.encode() not in content, word


def test_paths_are_searched_and_sorted_without_standing_there(store: Store) -> None:
    for number in (3, 1, 2):
        store.add_reading(reading_row(number, Path(FOLDER)))
    found = store.readings(Filter(search="/2.DCM"))
    assert [Path(row.source).name for row in found] == ["2.dcm"]
    listed = store.readings(order="source", limit=2, offset=1)
    assert [Path(row.source).name for row in listed] == ["2.dcm", "3.dcm"]
    assert store.progress(Filter(search="quillonby"))["proposed"] == 3
    assert sum(store.progress(Filter(search="nobody")).values()) == 0
