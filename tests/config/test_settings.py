"""Settings: every YAML composes and builds; errors are one line with the nearest valid name."""

from __future__ import annotations

import dataclasses
import subprocess
import sys
from importlib.metadata import entry_points
from pathlib import Path
from typing import Any

import pytest
import yaml
from squareon_fakes import SETTINGS

from pipeline import cli
from pipeline.batch import ReadSettings, digest_of_settings, parts_of, readers_of
from pipeline.cli import compose, is_override, main
from pipeline.contracts import STAGES
from pipeline.knee.errors import Problem
from pipeline.registry import build, names

ROOT = Path(__file__).parents[2]
CONFIGS = ROOT / "configs"
GROUPS = sorted(p for p in CONFIGS.iterdir() if p.is_dir() and p.name != "__pycache__")


def read(*overrides: str) -> dict[str, Any]:
    return compose("read", ReadSettings, overrides)


def test_defaults_compose_and_build() -> None:
    settings = ReadSettings(**read())
    parts = parts_of(settings)
    assert parts.align.tolerance_deg == 5.0
    assert len(parts.writers) == 4
    assert len(readers_of(settings)) == 3


@pytest.mark.parametrize("name", [n for n in names("command") if (CONFIGS / f"{n}.yaml").exists()])
def test_every_commands_settings_compose(name: str) -> None:
    command = build("command", name)
    settings = compose(name, command.settings, [])
    assert set(settings) == {field.name for field in dataclasses.fields(command.settings)}


@pytest.mark.parametrize(
    "path", [p for g in GROUPS if g.name in STAGES for p in g.glob("*.yaml")], ids=str
)
def test_every_group_file_builds(path: Path) -> None:
    section = yaml.safe_load(path.read_text())
    if path.parent.name in cli.SINGLE:
        options = {key: value for key, value in section.items() if key != "name"}
        build(path.parent.name, section["name"], options)
    else:
        for name, options in section.items():
            build(path.parent.name, name, options)


def test_groups_are_stages_or_sections_of_a_command() -> None:
    known = set(STAGES)
    for name in names("command"):
        command = build("command", name)
        if command.settings is not None:
            known |= {field.name for field in dataclasses.fields(command.settings)}
    for group in GROUPS:
        assert group.name in known | {f"{name}" for name in names("command")}, group


def test_values_and_choices_are_overridden() -> None:
    settings = read(
        "align.tolerance=strict", "detector.threads=2", "target=revised", "writer=tables"
    )
    assert settings["align"]["tolerance"] == "strict"
    assert settings["detector"] == {**settings["detector"], "name": "onnx", "threads": 2}
    assert list(settings["target"]) == ["revised"]
    assert list(settings["writer"]) == ["jsonl", "table"]
    parts = parts_of(ReadSettings(**settings))
    assert parts.align.tolerance_deg == 2.0


def test_plugin_without_a_file_is_chosen_by_its_name() -> None:
    (jsonl,) = [e for e in entry_points(group="squareon.writer") if e.name == "jsonl"]
    assert not (CONFIGS / "writer" / f"{jsonl.name}.yaml").exists()
    assert read("writer=jsonl")["writer"] == {"jsonl": {}}


def test_plugin_in_this_tree_needs_one_file_and_one_config_file(tmp_path: Path) -> None:
    """An object reference stands in place of a name: no entry point, no installation."""
    settings = ReadSettings(**{**read(), **{k: SETTINGS[k] for k in ("detector", "pose")}})
    assert parts_of(settings).detector.weights == "fake weights"


@pytest.mark.parametrize(
    ("override", "says"),
    [
        ("worker=2", "did you mean workers"),
        ("workers=many", "expected a whole number, got many"),
        ("min_view_probability=high", "expected a number"),
        ("detector=onx", "did you mean onnx"),
        ("writer=nothing_like_it", "choose one of"),
        ("align.tolerence=strict", "did you mean tolerance"),
        ("align.ap_rotation_zero=x", "expected a number, got 'x'"),
        ("align.tolerance=loose", "use one of usable, strict"),
        ("detector.threds=2", "did you mean threads"),
        ("detector.threads=two", "expected a whole number"),
        ("writer.overlay.size=big", "expected a whole number"),
        ("writer.overly.size=3", "did you mean overlay"),
        ("workers=[1", "write key=value"),
        ("detector=3", "write key=value"),
        ("workers=-1", "give 0 or more"),
        ("min_view_probability=2", "a number from 0 to 1"),
        ("min_view_probability=nan", "a number from 0 to 1"),
        ("align.widening=nan", "must be above 0"),
        ("align.both_below=1.5", "a number from 0 to 1"),
        ("target.classical.limit_mm=-3", "must be above 0"),
        ("target.classical.band_percent=[60,50]", "two rising numbers"),
    ],
)
def test_a_mistake_is_one_line_with_the_nearest_name(override: str, says: str) -> None:
    with pytest.raises(Problem) as caught:
        parts_of(ReadSettings(**read(override)))
    assert says in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("word", "is_one"),
    [
        ("align.tolerance=strict", True),
        ("+writer.count={}", True),
        ("~writer.page", True),
        ("archive/2024", False),
        ("./a=b.dcm", False),
        ("/data/x=1/film.dcm", False),
        ("--out", False),
        ("film.dcm", False),
    ],
)
def test_paths_and_settings_are_told_apart(word: str, is_one: bool) -> None:
    assert is_override(word) is is_one


def test_digest_follows_what_decides_a_reading() -> None:
    one = digest_of_settings(ReadSettings(**read()))
    assert digest_of_settings(ReadSettings(**read("workers=7"))) == one
    assert digest_of_settings(ReadSettings(**read("align.tolerance=strict"))) != one


# ---- the command line --------------------------------------------------------------------------


def test_help_teaches_by_example(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--help"]) == 0
    text = capsys.readouterr().out
    assert "examples:" in text
    assert all(name in text for name in names("command"))
    assert "human" in text or "person to review" in text


@pytest.mark.parametrize("name", names("command"))
def test_every_command_has_help_with_an_example(
    name: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as caught:
        main([name, "--help"])
    assert caught.value.code == 0
    text = capsys.readouterr().out
    assert f"squareon {name}" in text.split("examples:")[1]


def test_unknown_command_names_the_nearest(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["raed"]) == 2
    assert "did you mean read" in capsys.readouterr().err


def test_mistaken_setting_ends_with_status_2(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["read", "x", "--out", "y", "worker=3"]) == 2
    error = capsys.readouterr().err
    assert error.count("\n") == 1
    assert "did you mean workers" in error


def test_print_config_is_yaml_of_the_settings(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["read", "x", "--out", "y", "--print-config", "align.tolerance=strict"]) == 0
    printed = yaml.safe_load(capsys.readouterr().out)
    assert printed["align"]["tolerance"] == "strict"
    assert set(printed) == {field.name for field in dataclasses.fields(ReadSettings)}


def test_version_is_the_installed_one(capsys: pytest.CaptureFixture[str]) -> None:
    from importlib.metadata import version

    assert main(["--version"]) == 0
    assert capsys.readouterr().out == f"squareon {version('squareon')}\n"


def test_package_that_stands_in_front_is_named(tmp_path: Path) -> None:
    (tmp_path / "models").mkdir()
    (tmp_path / "models" / "__init__.py").write_text("")
    code = (
        "import sys; sys.path.insert(0, sys.argv.pop(1));"
        "from pipeline.cli import main; sys.exit(main(['--version']))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(tmp_path)],
        capture_output=True,
        text=True,
        cwd=ROOT,
        timeout=300,
    )
    assert done.returncode == 2
    assert "another package of that name" in done.stderr
    assert str(tmp_path) in done.stderr
