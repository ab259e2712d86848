"""Plugins: listed without importing, loaded by name, options checked, broken ones survived."""

from __future__ import annotations

import os
import subprocess
import sys
import tomllib
from dataclasses import dataclass, field
from importlib.metadata import distribution
from pathlib import Path
from typing import Any, Literal

import pytest
from hypothesis import given
from hypothesis import strategies as st
from squareon_fakes import SETTINGS, FakeDetector, write_film

from pipeline import registry
from pipeline.batch import ReadSettings, read_batch
from pipeline.contracts import STAGES, Detector
from pipeline.knee.errors import Problem
from pipeline.registry import build, build_section, check_options, list_plugins, load

ROOT = Path(__file__).parents[2]


@dataclass(frozen=True)
class Options:
    whole: int = 1
    number: float = 0.5
    words: str = "a"
    yes: bool = False
    pair: tuple[float, float] = (0.0, 1.0)
    many: tuple[str, ...] = ()
    choice: Literal["near", "far"] = "near"
    perhaps: float | None = None
    part: Detector | None = None
    folder: Path = Path()
    table: dict[str, int] = field(default_factory=dict)


@pytest.mark.parametrize(
    ("key", "given", "got"),
    [
        ("whole", 3, 3),
        ("number", 2, 2.0),
        ("pair", [1, 2.5], (1.0, 2.5)),
        ("many", ["a", "b"], ("a", "b")),
        ("choice", "far", "far"),
        ("perhaps", None, None),
        ("perhaps", 3, 3.0),
        ("folder", "x/y", Path("x/y")),
        ("table", {"a": 1}, {"a": 1}),
        ("part", {"name": "squareon_fakes:FakeDetector", "threads": 4}, FakeDetector(4)),
        ("part", "squareon_fakes:FakeDetector", FakeDetector()),
    ],
)
def test_fitting_options_take_their_field_type(key: str, given: Any, got: Any) -> None:
    value = check_options(Options, {key: given}, "here")[key]
    assert value == got
    assert type(value) is type(got)


@pytest.mark.parametrize(
    ("key", "given", "says"),
    [
        ("whole", "3", "a whole number"),
        ("whole", 3.5, "a whole number"),
        ("whole", True, "a whole number"),
        ("number", "2", "a number"),
        ("number", False, "a number"),
        ("words", 3, "text"),
        ("yes", 1, "true or false"),
        ("pair", [1], "a list of 2"),
        ("pair", "ab", "a list of 2"),
        ("many", "ab", "a list, each text"),
        ("choice", "middle", "near, far"),
        ("perhaps", "x", "a number or null"),
        ("table", {"a": "b"}, "a mapping"),
    ],
)
def test_wrong_types_are_named_in_plain_words(key: str, given: Any, says: str) -> None:
    with pytest.raises(Problem) as caught:
        check_options(Options, {key: given}, "here")
    assert says in caught.value.what
    assert key in caught.value.source
    assert "\n" not in str(caught.value)


def test_unknown_option_names_the_nearest() -> None:
    with pytest.raises(Problem, match="did you mean number"):
        check_options(Options, {"numbr": 1.0}, "here")


def test_missing_required_option_is_named() -> None:
    @dataclass
    class Needy:
        must: int

    with pytest.raises(Problem, match="needs a value for must"):
        check_options(Needy, {}, "here")


@given(st.dictionaries(st.text(max_size=8), st.integers() | st.text() | st.none(), max_size=4))
def test_any_options_either_fit_or_give_a_problem(options: dict[str, Any]) -> None:
    try:
        checked = check_options(Options, options, "here")
    except Problem:
        return
    assert Options(**checked)
    assert set(checked) == set(options) <= set(Options.__dataclass_fields__)


def test_every_stage_lists_what_pyproject_declares() -> None:
    """Entry points are copied at installation: a changed pyproject.toml needs a new one."""
    declared = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]["entry-points"]
    wanted = {
        (group, name, value)
        for group, entries in declared.items()
        for name, value in entries.items()
    }
    installed = {
        (entry.group, entry.name, entry.value)
        for entry in distribution("squareon").entry_points
        if entry.group.startswith("squareon.")
    }
    assert installed == wanted, "pyproject.toml has changed: run `pip install -e .` again"
    assert {f"squareon.{stage}" for stage in STAGES} == set(declared)


def test_listing_imports_nothing() -> None:
    code = (
        "import sys; from pipeline.registry import list_plugins; before = set(sys.modules);"
        "assert list_plugins(); new = {m for m in set(sys.modules) - before"
        " if m.split('.')[0] in ('models', 'synthetic_data', 'torch')};"
        "assert not new, new"
    )
    subprocess.run([sys.executable, "-c", code], check=True, cwd=ROOT, timeout=300)


def test_unknown_names_suggest_the_nearest() -> None:
    with pytest.raises(Problem, match="did you mean jsonl"):
        load("writer", "jsnl")
    with pytest.raises(Problem, match="did you mean writer"):
        load("writr", "jsonl")


def test_wrong_contract_is_refused() -> None:
    with pytest.raises(Problem, match="no detect"):
        build("detector", "squareon_fakes:FakePose")
    with pytest.raises(Problem, match="is not a class"):
        load("detector", "squareon_fakes:film_of")
    with pytest.raises(Problem, match="names no plugin"):
        build_section("detector", {"threads": 2})


# ---- a package from outside -------------------------------------------------------------------

PLUGIN = '''
from dataclasses import dataclass

@dataclass(frozen=True)
class CountingWriter:
    """Counts readings; `prefix` is written before the number."""

    prefix: str = "readings: "

    def write(self, out, film, readings):
        with open(out / "count.txt", "a") as file:
            file.write("x" * len(readings))

    def finish(self, out):
        path = out / "count.txt"
        path.write_text(f"{self.prefix}{len(path.read_text())}")
'''


@pytest.fixture
def outside(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder on the import path that holds one installed distribution with three plugins."""
    site = tmp_path / "site"
    (site / "outside_writer-1.2.dist-info").mkdir(parents=True)
    (site / "outside_writer.py").write_text(PLUGIN)
    (site / "outside_broken.py").write_text("import a_package_that_nobody_has\n")
    (site / "outside_rude.py").write_text("raise SystemExit('bye')\n")
    info = site / "outside_writer-1.2.dist-info"
    (info / "METADATA").write_text("Metadata-Version: 2.1\nName: outside-writer\nVersion: 1.2\n")
    (info / "entry_points.txt").write_text(
        "[squareon.writer]\ncount = outside_writer:CountingWriter\n"
        "broken = outside_broken:Writer\nrude = outside_rude:Writer\n"
        "hollow = outside_writer:Missing\n"
    )
    monkeypatch.syspath_prepend(str(site))
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join([str(site), str(ROOT / "tests/helpers")]))
    return site


def test_plugin_from_outside_is_listed_with_its_origin(outside: Path) -> None:
    (found,) = [p for p in list_plugins(stage="writer") if p.name == "count"]
    assert (found.distribution, found.version) == ("outside-writer", "1.2")
    assert found.object_reference == "outside_writer:CountingWriter"
    assert "outside_writer" not in sys.modules


def test_plugin_from_outside_is_built_with_its_options(outside: Path) -> None:
    writer = build("writer", "count", {"prefix": "n="})
    assert writer.prefix == "n="
    with pytest.raises(Problem, match="did you mean prefix"):
        build("writer", "count", {"prefx": "n="})


@pytest.mark.parametrize(
    ("name", "says"),
    [("broken", "a_package_that_nobody_has"), ("rude", "SystemExit: bye"), ("hollow", "Missing")],
)
def test_broken_plugin_is_a_problem_and_nothing_worse(outside: Path, name: str, says: str) -> None:
    with pytest.raises(Problem, match=says):
        build("writer", name)
    errors = {p.name: p.error for p in list_plugins(check=True, stage="writer")}
    assert says in (errors[name] or "")
    assert errors["count"] is None
    assert errors["jsonl"] is None


def test_plugins_command_tells_why_one_failed(outside: Path) -> None:
    done = _squareon(["plugins", "--stage", "writer"])
    assert done.returncode == 1
    lines = {line.split()[1]: line for line in done.stdout.splitlines()}
    assert "a_package_that_nobody_has" in lines["broken"]
    assert lines["count"].rstrip().endswith("ok")
    assert "outside-writer 1.2" in lines["count"]
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize("workers", [1, 2])
def test_plugin_from_outside_runs_by_its_name(outside: Path, tmp_path: Path, workers: int) -> None:
    for number in range(3):
        write_film(tmp_path / "films" / f"{number}.film", view="AP")
    writer = {"jsonl": {}, "count": {"prefix": "n="}}
    settings = ReadSettings(**{**SETTINGS, "writer": writer, "workers": workers})
    read_batch([tmp_path / "films"], tmp_path / "out", settings)
    assert (tmp_path / "out" / "count.txt").read_text() == "n=3"


def test_same_name_twice_asks_which(outside: Path) -> None:
    second = outside / "second-1.0.dist-info"
    second.mkdir()
    (second / "METADATA").write_text("Metadata-Version: 2.1\nName: second\nVersion: 1.0\n")
    (second / "entry_points.txt").write_text("[squareon.writer]\ncount = second:Writer\n")
    with pytest.raises(Problem, match="both offer"):
        registry.load("writer", "count")


def _squareon(words: list[str], **more: Any) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "pipeline.cli", *words],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=300,
        **more,
    )
