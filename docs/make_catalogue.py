"""Brings the catalogues of words up to date: `python docs/make_catalogue.py`.

Gathers every sentence that the code gives to the catalogue, adds new ones to each language's
`squareon.po` (untranslated), drops those that are gone, and compiles what is there. Translate what
it prints, then run it again. `--new fr` begins a language.
"""

from __future__ import annotations

import argparse
import ast
import io
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

from babel.messages.catalog import Catalog
from babel.messages.mofile import write_mo
from babel.messages.pofile import read_po, write_po

from pipeline.language.page import page_files, sentences_of
from pipeline.language.speech import DOMAIN

ROOT = Path(__file__).resolve().parents[1]
CATALOGUES = ROOT / "pipeline" / "language" / "catalogues"
"""Where they are kept, which need not be where they are installed."""
ONE, PLURAL, CONTEXT = ("t", "mark"), ("plural",), ("within", "mark_within")
"""Names of functions whose first texts are sentences (pipeline/language/speech.py); pages' scripts
have a `t` of their own (pipeline/language/page.py)."""
WHEN = datetime(2000, 1, 1, tzinfo=UTC)
"""Written as every date, so that the same words give the same file."""


def sentences(source: str) -> Iterator[tuple[int, str | tuple[str, str], str | None]]:
    """(line, sentence or its two forms, context) of a module that uses the catalogue.

    babel's own extractor does not look into f-strings.
    """
    if "pipeline.language" not in source and "def mark(" not in source:
        return
    for node in ast.walk(ast.parse(source)):
        if not isinstance(node, ast.Call):
            continue
        name = getattr(node.func, "id", getattr(node.func, "attr", ""))
        texts = [a.value for a in node.args if isinstance(a, ast.Constant) and a.value]
        texts = [text for text in texts if isinstance(text, str)]
        if name in ONE and texts:
            yield node.lineno, texts[0], None
        elif name in PLURAL and len(texts) == 2:
            yield node.lineno, (texts[0], texts[1]), None
        elif name in CONTEXT and len(texts) == 2:
            yield node.lineno, texts[1], texts[0]


def template() -> Catalog:
    """Every sentence of the code, in the order of the files."""
    made = Catalog(
        project=DOMAIN,
        copyright_holder="the contributors",
        charset="utf-8",
        creation_date=WHEN,
        fuzzy=False,
    )
    for path in sorted((ROOT / "pipeline").rglob("*.py")):
        where = path.relative_to(ROOT).as_posix()
        for _, sentence, context in sorted(sentences(path.read_text("utf-8")), key=str_of):
            made.add(sentence, locations=[(where, 0)], context=context)
    for path in page_files(*sorted((ROOT / "pipeline").glob("*/page"))):
        for text in sentences_of(path.read_text("utf-8")):
            made.add(text, locations=[(path.relative_to(ROOT).as_posix(), 0)])
    _head(made)
    return made


def str_of(found: tuple[int, object, str | None]) -> tuple[int, str]:
    return found[0], str(found[1])


def path_of(language: str) -> Path:
    return CATALOGUES / language / "LC_MESSAGES" / f"{DOMAIN}.po"


def written(language: str) -> Catalog:
    """The catalogue of a language as it is in the tree."""
    with open(path_of(language), "rb") as file:
        return read_po(file, locale=language, domain=DOMAIN)


def brought_up(catalogue: Catalog) -> Catalog:
    """With the code's sentences, and no others; translations kept."""
    catalogue.update(template(), no_fuzzy_matching=True)
    catalogue.obsolete.clear()
    catalogue.creation_date = catalogue.revision_date = WHEN
    _head(catalogue)
    catalogue.fuzzy = False
    return catalogue


def _head(catalogue: Catalog) -> None:
    """Only what is true: who wrote what is in the history of the tree."""
    catalogue.header_comment = "# Words of reports and pages; made by docs/make_catalogue.py."
    catalogue.project, catalogue.version = DOMAIN, "-"
    catalogue.msgid_bugs_address = catalogue.last_translator = catalogue.language_team = "-"


def as_po(catalogue: Catalog) -> bytes:
    file = io.BytesIO()
    write_po(file, catalogue, width=100, include_lineno=False, ignore_obsolete=True)
    return file.getvalue()


def as_mo(catalogue: Catalog) -> bytes:
    file = io.BytesIO()
    write_mo(file, catalogue)
    return file.getvalue()


def missing(catalogue: Catalog) -> list[str]:
    """Sentences without a translation, or with a doubtful one."""
    found = []
    for message in catalogue:
        if not message.id:
            continue
        texts = message.string if isinstance(message.string, tuple | list) else (message.string,)
        if message.fuzzy or not all(texts):
            found.append(message.id if isinstance(message.id, str) else message.id[0])
    return found


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--new", metavar="LANGUAGE", help="begin the catalogue of a language")
    wanted = parser.parse_args()
    if wanted.new and not path_of(wanted.new).exists():
        path_of(wanted.new).parent.mkdir(parents=True)
        path_of(wanted.new).write_bytes(as_po(brought_up(Catalog(locale=wanted.new))))
    (CATALOGUES / f"{DOMAIN}.pot").write_bytes(as_po(template()))
    for path in sorted(CATALOGUES.glob(f"*/LC_MESSAGES/{DOMAIN}.po")):
        language = path.parents[1].name
        catalogue = brought_up(written(language))
        path.write_bytes(as_po(catalogue))
        path.with_suffix(".mo").write_bytes(as_mo(catalogue))
        left = missing(catalogue)
        print(f"{language}: {len(catalogue)} sentences, {len(left)} to be translated")
        for sentence in left:
            print(f"  {sentence}")


if __name__ == "__main__":
    main()
