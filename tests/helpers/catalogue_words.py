"""Words that went round the catalogue, found in the accented language."""

from __future__ import annotations

import re


def plain_words(text: str) -> list[str]:
    """Words of three and more letters that the accented language would have changed."""
    return [
        word
        for word in re.findall(r"[^\W\d_]{3,}", text)
        if word.isascii() and re.search(r"[aeiouycnszAEIOUYCN]", word)
    ]
