"""One language: translated sentences, plural forms, numbers and dates.

English is the source. Sentences are `str.format` templates with named places, so that a
translation may order them as its grammar needs. Call the object `t`: `t("Sharp film")`,
`t.plural(...)` and `t.within(...)` are how the catalogue's extractor finds a sentence.
"""

from __future__ import annotations

import gettext
import re
from dataclasses import dataclass, field
from datetime import date
from functools import lru_cache
from pathlib import Path
from typing import Any

from pipeline.knee.errors import Problem

DOMAIN = "squareon"
CATALOGUES = Path(__file__).parent / "catalogues"
ACCENTED = "en-XA"
"""English with every letter accented: what stays plain does not go through the catalogue."""
_ACCENTS = str.maketrans("AEIOUYCNaeiouycnsz", "ÅÉÎÖÛÝÇÑåéîöûýçñšž")


def mark(sentence: str) -> str:
    """Notes a sentence for the catalogue where it is made, to be translated where it is shown."""
    return sentence


def mark_within(context: str, word: str) -> str:
    """Notes a word that is translated differently in different contexts."""
    return word


@dataclass(frozen=True)
class Speech:
    """`code`: BCP 47, "en" or a folder of `catalogues/`."""

    code: str
    words: gettext.NullTranslations = field(repr=False, compare=False)

    def __call__(self, sentence: str, /, **values: Any) -> str:
        """The sentence in this language, with `values` in its places."""
        return self.words.gettext(sentence).format(**values) if sentence else ""

    def plural(self, one: str, many: str, n: int, /, **values: Any) -> str:
        """The form that this language uses for `n`, which is also the place `{n}`."""
        return self.words.ngettext(one, many, n).format(n=self.number(n, 0), **values)

    def within(self, context: str, word: str) -> str:
        """A word whose translation depends on where it stands."""
        return self.words.pgettext(context, word)

    def number(self, value: float, digits: int = 1, *, signed: bool = False) -> str:
        """`digits` after the decimal sign; `signed`: also a plus, and a true minus sign."""
        from babel.numbers import format_decimal

        pattern = "#,##0" + ("." + "0" * digits if digits else "")
        text = format_decimal(round(abs(value), digits), format=pattern, locale=self._locale)
        if round(abs(value), digits) == 0:
            return text
        return ("\u2212" if value < 0 else "+" if signed else "") + text

    def share(self, value: float, digits: int = 0) -> str:
        """A share of 1 as per cent."""
        return self(mark("{percent} %"), percent=self.number(100 * value, digits))

    def day(self, when: date) -> str:
        from babel.dates import format_date

        return format_date(when, format="medium", locale=self._locale)

    def month(self, when: date) -> str:
        """Month and year."""
        from babel.dates import format_skeleton

        return format_skeleton("yMMMM", when, locale=self._locale)

    @property
    def _locale(self) -> str:
        return self.code.split("-")[0]


def languages() -> tuple[str, ...]:
    """English and those that have a catalogue."""
    found = (path.name for path in CATALOGUES.glob("*/") if (path / "LC_MESSAGES").is_dir())
    return ("en", *sorted(found))


@lru_cache
def speech(code: str) -> Speech:
    """The language of that code; `ACCENTED` for those who look for forgotten sentences.

    Raises:
        Problem: there is no catalogue for it.
    """
    if code == "en":
        return Speech(code, gettext.NullTranslations())
    if code == ACCENTED:
        return Speech(code, _Accented())
    if code not in languages():
        known = ", ".join(languages())
        raise Problem("language", f"{code!r} is not known", f"choose one of {known}")
    return Speech(code, gettext.translation(DOMAIN, CATALOGUES, [code]))


class _Accented(gettext.NullTranslations):
    """Puts accents on every letter outside places."""

    def gettext(self, message: str) -> str:
        parts = re.split(r"(\{[^}]*\})", message)
        return "".join(p if p.startswith("{") else p.translate(_ACCENTS) for p in parts)

    def ngettext(self, msgid1: str, msgid2: str, n: int) -> str:
        return self.gettext(msgid1 if n == 1 else msgid2)

    def pgettext(self, context: str, message: str) -> str:
        return self.gettext(message)
