"""The house itself: lint, types, the direction of imports, what may be imported to read films."""

from __future__ import annotations

import re
import subprocess
import sys
from collections import Counter
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
ROOMS = ("pipeline", "models", "synthetic_data", "configs")

BLOCKER = """
import importlib.abc, sys

class Blocker(importlib.abc.MetaPathFinder):
    names = ("torch", "torchvision", "albumentations", "onnx", "onnxscript", "torchmetrics")

    def find_spec(self, name, path=None, target=None):
        if name.split(".")[0] in self.names:
            raise ImportError(f"{name} is blocked")

sys.meta_path.insert(0, Blocker())
"""


def run(*words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, *words], cwd=ROOT, capture_output=True, text=True, timeout=600
    )


@pytest.mark.parametrize("words", [("check",), ("format", "--check")], ids=["lint", "format"])
def test_ruff(words: tuple[str, ...]) -> None:
    done = run("-m", "ruff", *words, ".")
    assert done.returncode == 0, done.stdout + done.stderr


def test_names_of_test_files_are_their_own() -> None:
    """Two of one name are one module, and the second is not collected."""
    names = Counter(path.name for path in (ROOT / "tests").rglob("*.py"))
    names.pop("conftest.py", None)
    assert [name for name, count in names.items() if count > 1] == []


def test_types() -> None:
    done = run("-m", "mypy")
    assert done.returncode == 0, done.stdout + done.stderr


def test_imports_point_downwards() -> None:
    code = "import sys; from importlinter.cli import lint_imports_command as c; sys.exit(c())"
    done = run("-c", code, "--no-cache")
    assert done.returncode == 0, done.stdout + done.stderr


def test_every_command_ends_with_the_one_caution() -> None:
    """Those without tell nothing about films or readings."""
    words = {
        path.name: path.read_text()
        for path in [
            *(ROOT / "pipeline/commands").glob("*.py"),
            ROOT / "synthetic_data/commands.py",
        ]
        if "add_arguments" in path.read_text()
    }
    without = {
        name for name, text in words.items() if "commands.caution import CAUTION" not in text
    }
    assert without == {"copy_store.py", "demo.py", "plugins.py", "verify.py"}  # demo: as read
    assert not [name for name, text in words.items() if "not for guidance" in text]


def test_files_stay_short() -> None:
    long = {
        str(path.relative_to(ROOT)): lines
        for room in ROOMS
        for path in (ROOT / room).rglob("*.py")
        if (lines := path.read_text().count("\n")) > 500
    }
    assert not long


def test_importing_does_nothing() -> None:
    """No printing, no network, no seeding, and no plugin's library is loaded."""
    code = (
        "import random, socket, sys, numpy\n"
        "def no(*a, **k): raise AssertionError('network')\n"
        "socket.socket.connect = no\n"
        "before = random.getstate(), numpy.random.get_state()[1].tolist()\n"
        "import pipeline.cli, pipeline.registry, configs, models, synthetic_data\n"
        "assert (random.getstate(), numpy.random.get_state()[1].tolist()) == before\n"
        "heavy = {'torch', 'onnxruntime', 'SimpleITK', 'hydra', 'numba'} & set(sys.modules)\n"
        "assert not heavy, heavy\n"
    )
    done = run("-c", code)
    assert (done.returncode, done.stdout) == (0, ""), done.stderr


def test_nothing_unpickles() -> None:
    """Weights are safetensors or ONNX. Only the shape model's reader may know pickle, and the
    module that speaks with processes that it has started itself."""
    suspicious = re.compile(r"\b(pickle|cloudpickle|joblib|torch\.load|allow_pickle=True)\b")
    found = {
        str(path.relative_to(ROOT))
        for room in ROOMS
        for path in (ROOT / room).rglob("*.py")
        if any(
            suspicious.search(line) and not line.lstrip().startswith(("#", '"""'))
            for line in path.read_text().splitlines()
        )
    }
    assert found <= {"synthetic_data/anatomy/shape_data.py", "pipeline/batch/processes.py"}


def test_films_are_read_where_training_libraries_cannot_be_imported(tmp_path: Path) -> None:
    code = BLOCKER + (
        "from pathlib import Path\n"
        "from pipeline.cli import main\n"
        "from pipeline.demo import SHOTS, write_shot\n"
        "from pipeline.registry import build\n"
        f"films, out = Path({str(tmp_path)!r}) / 'films', {str(tmp_path / 'out')!r}\n"
        "for number, shot in enumerate(SHOTS[:2]):\n"
        "    scenario = build('scenario', 'knee_films', shot.options)\n"
        "    write_shot(films / shot.file, shot, scenario.make(shot.seed), number)\n"
        "status = main(['read', str(films), '--out', out, 'workers=1'])\n"
        "assert 'torch' not in sys.modules\n"
        "sys.exit(status)\n"
    )
    done = run("-c", code)
    assert done.returncode == 0, done.stdout + done.stderr
    assert (tmp_path / "out" / "readings.jsonl").read_text().count("\n") == 2


def test_ci_runs_the_readmes_second_command() -> None:
    commands = re.findall(
        r"^```\n(python3 -m venv .*)\n```$", (ROOT / "README.md").read_text(), re.M
    )
    assert len(commands) == 2
    assert commands[0].endswith("squareon demo")
    last = (ROOT / ".ci/run").read_text().splitlines()[-1]
    assert last == commands[1]
