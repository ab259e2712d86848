"""The examples of the documentation work: Python blocks run, command lines are understood."""

from __future__ import annotations

import importlib
import re
import shlex
import sys
from pathlib import Path

import pytest

from pipeline import cli
from pipeline.align.options import AlignOptions
from pipeline.contracts import STAGES
from pipeline.knee.errors import Problem
from pipeline.registry import build, build_each, build_section, check_options, fulfils, list_plugins

ROOT = Path(__file__).parents[2]
DOCS = ROOT / "docs"
OWN = "squareon"
PAGES = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted(DOCS.rglob("*.md"))]
BLOCK = re.compile(r"^```(\w*)\n(.*?)^```$", re.M | re.S)


def blocks(page: Path, language: str) -> list[str]:
    return [text for kind, text in BLOCK.findall(page.read_text()) if kind == language]


@pytest.mark.parametrize("stage", STAGES)
def test_the_example_of_a_guide_runs(
    stage: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    page = DOCS / "guides" / f"{stage}.md"
    (code,) = blocks(page, "python")
    (tmp_path / f"guide_{stage}.py").write_text(code)
    monkeypatch.chdir(tmp_path)
    monkeypatch.syspath_prepend(tmp_path)
    module = importlib.import_module(f"guide_{stage}")
    sys.modules.pop(module.__name__)
    assert capsys.readouterr().out == "".join(blocks(page, "text"))
    own = [
        value
        for value in vars(module).values()
        if isinstance(value, type) and value.__module__ == module.__name__
    ]
    assert len(own) == 1
    plugin = build(stage, f"{module.__name__}:{own[0].__name__}")
    assert fulfils(plugin, STAGES[stage])
    assert own[0].__doc__


def command_lines() -> list[tuple[str, str]]:
    lines = []
    for page in PAGES:
        for block in blocks(page, "sh"):
            for line in block.replace("\\\n", " ").splitlines():
                words = line.strip().removeprefix(".venv/bin/")
                if words.startswith("squareon "):
                    lines.append((str(page.relative_to(ROOT)), words))
    return lines


@pytest.mark.parametrize(("page", "line"), command_lines())
def test_a_command_line_of_the_documentation_is_understood(page: str, line: str) -> None:
    """Command, arguments and settings are valid: only the films are missing."""
    _, name, *words = shlex.split(line, comments=True)
    if name.startswith("-"):
        assert name in ("--help", "--version")
        return
    command = build("command", name)
    overrides = [word for word in words if cli.is_override(word)]
    rest = [word for word in words if not cli.is_override(word)]
    if "--help" not in rest:
        cli._parser(name, command).parse_args(rest)
    if command.settings is None:
        assert not overrides
        return
    if "--multirun" in rest:  # the first of the values that are swept
        overrides = [cli.first_value(word) for word in overrides]
    settings = cli.compose(name, command.settings, overrides)
    check_options(command.settings, settings, name)
    for stage, section in settings.items():
        if stage in cli.SINGLE:
            build_section(stage, section)
        elif stage in STAGES:
            build_each(stage, section)
        elif stage == "align":
            AlignOptions(**check_options(AlignOptions, section, "align"))


def test_the_documentation_has_command_lines_for_every_command() -> None:
    shown = {line.split()[1] for _, line in command_lines()}
    own = {plugin.name for plugin in list_plugins(stage="command") if plugin.distribution == OWN}
    assert own <= shown


def test_a_mistaken_command_line_would_be_found() -> None:
    command = build("command", "read")
    section = cli.compose("read", command.settings, ["align.tolerance=stirct"])["align"]
    with pytest.raises(Problem, match="strict"):
        AlignOptions(**check_options(AlignOptions, section, "align"))


def test_the_guide_to_plugins_names_every_stage() -> None:
    text = (DOCS / "guides/plugins.md").read_text()
    for stage, contract in STAGES.items():
        assert f"squareon.{stage}" in text
        assert f"[`{contract.__name__}`]({stage}.md)" in text
