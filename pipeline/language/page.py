"""Pages made in the browser: their sentences stand in their own files as `t("...")`.

The server sends a page its sentences in the wanted language along with the page, from the same
catalogue as everything else; `pipeline/review/page/language.js` is what looks them up there.
"""

from __future__ import annotations

import html
import json
import re
from collections.abc import Iterable, Iterator
from pathlib import Path

from pipeline.language.speech import Speech

SENTENCE = re.compile(r'\bt\(\s*("(?:[^"\\\n]|\\.)*")')
IN_MARKUP = re.compile(r'\{\{t\(("(?:[^"\\\n]|\\.)*")\)\}\}')


def sentences_of(text: str) -> list[str]:
    """The sentences of a script or a page, in order."""
    return [json.loads(found) for found in SENTENCE.findall(text)]


def page_files(*folders: Path) -> Iterator[Path]:
    """The files of pages that may hold sentences."""
    for folder in folders:
        yield from sorted(path for path in folder.iterdir() if path.suffix in (".js", ".html"))


def spoken(t: Speech, index: str, files: Iterable[Path]) -> str:
    """A page's first file in a language, with the sentences of all its files for its scripts.

    Fills `{{language}}`, `{{words}}` (JSON, to be kept in an element that is never run) and each
    `{{t("...")}}`. Places in scripts' sentences stay: the page fills them.
    """
    told = {
        sentence: t.words.gettext(sentence)
        for path in files
        if path.suffix == ".js"
        for sentence in sentences_of(path.read_text("utf-8"))
    }
    words = json.dumps(told, ensure_ascii=False).replace("<", "\\u003c")
    index = IN_MARKUP.sub(lambda found: html.escape(t(json.loads(found[1]))), index)
    return index.replace("{{language}}", t.code).replace("{{words}}", words)
