"""Words that went round the catalogue, found in the accented language."""

from __future__ import annotations

import re
from typing import Any

import pytest
from matplotlib.text import Text

from pipeline.records.paper import charts


def plain_words(text: str) -> list[str]:
    """Words of three and more letters that the accented language would have changed."""
    return [
        word
        for word in re.findall(r"[^\W\d_]{3,}", text)
        if word.isascii() and re.search(r"[aeiouycnszAEIOUYCN]", word)
    ]


def words_drawn(monkeypatch: pytest.MonkeyPatch, picture: str) -> list[str]:
    """Fills with the texts of charts as they are drawn: in the files they are outlines.

    `picture`: where the drawing module has `charts.picture`.
    """
    drawn: list[str] = []
    make = charts.picture

    def listening(figure: Any, *values: Any, **named: Any) -> Any:
        made = make(figure, *values, **named)
        drawn.extend(text.get_text() for text in figure.findobj(Text))
        return made

    monkeypatch.setattr(picture, listening)
    return drawn
