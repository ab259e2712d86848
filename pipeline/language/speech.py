"""One language: translated sentences, plural forms, numbers and dates.

English is the source. Sentences are `str.format` templates with named places, so that a
translation may order them as its grammar needs. Call the object `t`: `t("Sharp film")` is how the
catalogue's extractor finds a sentence.
"""

from __future__ import annotations

import gettext
from dataclasses import dataclass, field
from datetime import date, datetime
from functools import lru_cache
from pathlib import Path
from typing import Any

from pipeline.knee.errors import Problem

DOMAIN = "squareon"
CATALOGUES = Path(__file__).parent / "catalogues"


def mark(sentence: str) -> str:
    """Notes a sentence for the catalogue where it is made, to be translated where it is shown."""
    return sentence


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

    def number(self, value: float, digits: int = 1, *, signed: bool = False) -> str:
        """`digits` after the decimal sign; `signed`: also a plus, and a true minus sign."""
        from babel.numbers import format_decimal

        pattern = "#,##0" + ("." + "0" * digits if digits else "")
        text = format_decimal(abs(value) if signed else value, format=pattern, locale=self._locale)
        if not signed:
            return text
        zero = round(abs(value), digits) == 0
        return text if zero else ("\u2212" if value < 0 else "+") + text

    def day(self, when: date | datetime) -> str:
        from babel.dates import format_date

        return format_date(when, format="medium", locale=self._locale)

    def minute(self, when: datetime) -> str:
        """Day and minute."""
        from babel.dates import format_datetime

        return format_datetime(when, format="medium", locale=self._locale)

    @property
    def _locale(self) -> str:
        return self.code.split("-")[0]


def languages() -> tuple[str, ...]:
    """English and those that have a catalogue."""
    found = (path.name for path in CATALOGUES.glob("*/") if (path / "LC_MESSAGES").is_dir())
    return ("en", *sorted(found))


@lru_cache
def speech(code: str) -> Speech:
    """The language of that code.

    Raises:
        Problem: there is no catalogue for it.
    """
    if code == "en":
        return Speech("en", gettext.NullTranslations())
    if code not in languages():
        known = ", ".join(languages())
        raise Problem("language", f"{code!r} is not known", f"choose one of {known}")
    return Speech(code, gettext.translation(DOMAIN, CATALOGUES, [code]))
