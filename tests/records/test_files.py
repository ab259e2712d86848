"""Files: appended lines are whole whatever happened before, replaced files are never partial."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.records.files import StopError, append_lines, read_lines, write_atomic

LINE = st.text(st.characters(blacklist_characters="\n\r", blacklist_categories=("Cs",)))


@given(st.lists(st.lists(LINE, max_size=3), max_size=6), st.integers(0, 300))
def test_what_was_appended_whole_comes_back(
    tmp_path_factory: pytest.TempPathFactory, batches: list[list[str]], cut: int
) -> None:
    """Between two appends the file loses its end, as after a kill; whole lines stay."""
    path = tmp_path_factory.mktemp("lines") / "x.jsonl"
    expected: list[str] = []
    for lines in batches:
        append_lines(path, lines)
        expected += lines
        assert read_lines(path) == expected
        if path.exists():
            raw = path.read_bytes()
            keep = max(0, len(raw) - cut % 7)
            path.write_bytes(raw[:keep])
            expected = [line.decode() for line in raw[:keep].split(b"\n")[:-1]]
    append_lines(path, ["last"])
    assert read_lines(path) == [*expected, "last"]


def test_failed_append_leaves_the_file_as_it_was(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "x.jsonl"
    append_lines(path, ["first"])
    monkeypatch.setattr(os, "fsync", _full)
    with pytest.raises(StopError, match="disk is full"):
        append_lines(path, ["second" * 1000])
    assert path.read_text() == "first\n"


def test_failed_replacement_keeps_the_old_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "page.html"
    write_atomic(path, "old")
    monkeypatch.setattr(os, "fsync", _full)
    with pytest.raises(StopError, match="disk is full"):
        write_atomic(path, "new")
    assert path.read_text() == "old"
    assert [p.name for p in tmp_path.iterdir()] == ["page.html"]


def test_real_full_device_is_named_as_such() -> None:
    if not Path("/dev/full").exists():
        pytest.skip("this system has no /dev/full")
    from pipeline.records.files import disk_errors

    with (
        pytest.raises(StopError, match="disk is full"),
        disk_errors(Path("/dev/full")),
        open("/dev/full", "wb", buffering=0) as file,
    ):
        file.write(b"x")


def test_folder_that_is_a_file_is_one_sentence(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(StopError, match="cannot be written"):
        append_lines(tmp_path / "file" / "x.jsonl", ["a"])


def _full(handle: int) -> None:
    raise OSError(28, "No space left on device")
