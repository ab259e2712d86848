"""The pages of the documentation: up to date, complete, without dead links."""

from __future__ import annotations

import importlib.util
import re
from pathlib import Path
from types import ModuleType
from typing import Any
from urllib.parse import unquote

import cv2
import pytest

from pipeline.commands.caution import CAUTION
from pipeline.contracts import STAGES
from pipeline.demo import FILES

ROOT = Path(__file__).parents[2]
DOCS = ROOT / "docs"
PAGES = [
    ROOT / "README.md",
    ROOT / "DEVELOPERS.md",
    *sorted(DOCS.rglob("*.md")),
    *sorted((ROOT / "models").rglob("*.md")),
]
FIGURES = sorted(path for path in (DOCS / "figures").iterdir() if path.is_file())
CODE = re.compile(r"^ *```.*?^ *```", re.M | re.S)
LINK = re.compile(r"!?\[(?:[^\[\]]|\[[^\]]*\])*\]\(([^)\s]+)\)")


def script(name: str) -> ModuleType:
    spec = importlib.util.spec_from_file_location(name, DOCS / f"{name}.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def reference() -> Any:
    return script("make_reference")


@pytest.fixture(scope="module")
def made(reference: Any) -> dict[Path, str]:
    pages: dict[Path, str] = reference.pages()
    return pages


def prose(page: Path) -> str:
    return CODE.sub("", page.read_text())


def links(page: Path) -> list[str]:
    return LINK.findall(prose(page))


def anchors(page: Path) -> set[str]:
    """Names of a page's headings as they are commonly made into anchors."""
    heads = re.findall(r"^#+ (.+)$", prose(page), re.M)
    return {re.sub(r"[^\w\- ]", "", head.lower()).replace(" ", "-") for head in heads}


def test_generated_pages_are_up_to_date(made: dict[Path, str]) -> None:
    stale = [
        str(path.relative_to(ROOT))
        for path, text in made.items()
        if not path.exists() or path.read_text().split() != text.split()
    ]
    assert not stale, "run python docs/make_reference.py"


@pytest.mark.parametrize("page", PAGES, ids=lambda p: str(p.relative_to(ROOT)))
def test_links_resolve(page: Path) -> None:
    dead = []
    for link in links(page):
        if re.match(r"[a-z]+:", link):
            continue
        target, _, anchor = unquote(link).partition("#")
        path = (page.parent / target).resolve() if target else page
        if not path.exists() or (anchor and anchor not in anchors(path)):
            dead.append(link)
    assert not dead


def test_the_index_names_every_page() -> None:
    index = DOCS / "index.md"
    named = {(DOCS / link).resolve() for link in links(index)}
    every = {path.resolve() for path in DOCS.rglob("*.md")} - {index.resolve()}
    assert not {str(path.relative_to(DOCS)) for path in every - named}


def test_readme_leads_to_the_index() -> None:
    assert "docs/index.md" in links(ROOT / "README.md")


def test_the_first_tutorial_has_the_readmes_first_command() -> None:
    commands = re.findall(
        r"^```\w*\n(python3 -m venv .*)\n```$", (ROOT / "README.md").read_text(), re.M
    )
    assert len(commands) == 2
    assert commands[0] in (DOCS / "tutorials/first-films.md").read_text()
    assert commands[1] == (ROOT / ".ci/run").read_text().splitlines()[-1]


def test_the_first_tutorial_shows_what_the_demonstration_prints() -> None:
    page = (DOCS / "tutorials/first-films.md").read_text()
    assert f"{FILES} files read; results in squareon-demo/results" in page
    assert CAUTION in page


def test_every_plugin_and_command_is_in_the_reference(reference: Any) -> None:
    plugins = (DOCS / "reference/plugins.md").read_text()
    commands = (DOCS / "reference/commands.md").read_text()
    for stage in STAGES:
        part = plugins.partition(f"\n## {stage}\n")[2].partition("\n## ")[0]
        assert part, stage
        for name in reference.own_names(stage):
            assert f"| `{name}` | " in part
    for name in reference.own_names("command"):
        assert f"## squareon {name}\n" in commands


def test_every_setting_says_what_it_means(reference: Any) -> None:
    page = reference.settings_page()
    bare = re.findall(r"^\| `([\w.]+)` \|.*\|  \|$", page, re.M)
    assert not bare


def test_every_option_in_words_comes_from_a_docstring(reference: Any) -> None:
    """The words are found for plain, grouped and inherited attributes, wrapped ones included."""

    class Base:
        """Base.

        Attributes:
            one, two: first and
                second.
        """

    class Derived(Base):
        """Derived.

        Attributes:
            three: third.

        Raises something.
        """

    assert reference.attribute_words(Derived) == {
        "one": "first and second.",
        "two": "first and second.",
        "three": "third.",
    }


def test_figures_are_small_and_used() -> None:
    text = "".join(page.read_text() for page in PAGES)
    for figure in FIGURES:
        assert figure.stat().st_size < 250_000, figure.name
        assert cv2.imread(str(figure)) is not None, figure.name
        assert f"figures/{figure.name}" in text, figure.name
    assert sum(figure.stat().st_size for figure in FIGURES) < 3_000_000


def test_every_picture_has_words_for_those_who_cannot_see_it() -> None:
    for page in PAGES:
        assert not re.search(r"!\[\s*\]\(", page.read_text()), page.name


def test_every_measured_table_has_a_block_on_its_page(reference: Any) -> None:
    for block, where in reference.MEASURED.values():
        page = (DOCS / where).read_text()
        assert "| 7 |" in reference.with_block(page, block, "| 7 |")


def test_figures_go_into_the_pages_that_show_them(
    reference: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    shown = tmp_path / "docs" / "reference" / "accuracy.md"
    shown.parent.mkdir(parents=True)
    shown.write_text("a\n<!-- begin goals -->\nold\n<!-- end goals -->\nb\n")
    (tmp_path / "goals.md").write_text("new\n")
    monkeypatch.setattr(reference, "ROOT", tmp_path)
    assert reference.take_figures(tmp_path) == ["goals.md"]
    assert shown.read_text() == "a\n<!-- begin goals -->\nnew\n<!-- end goals -->\nb\n"


def test_the_accuracy_page_takes_an_assessment(reference: Any) -> None:
    page = (DOCS / "reference/accuracy.md").read_text()
    filled = reference.with_block(page, "figures", "| 1 |")
    assert "<!-- begin figures -->\n| 1 |\n<!-- end figures -->" in filled
    with pytest.raises(ValueError, match="no block"):
        reference.with_block(page, "something else", "")
