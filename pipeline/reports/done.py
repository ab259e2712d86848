"""Which studies are reported already, so that the same command given again goes on."""

from __future__ import annotations

import dataclasses
import hashlib
import json
from collections.abc import Sequence
from importlib.metadata import version
from pathlib import Path

from pipeline.records.files import append_lines, read_lines
from pipeline.reports.choices import Choices
from pipeline.reports.facts import Fact

NAME = "written.jsonl"


class Done:
    """`written.jsonl`: one line for each study whose reports were written without a problem."""

    def __init__(self, out: Path) -> None:
        self.out = out
        self._known: dict[str, tuple[str, list[str]]] = {}
        for line in read_lines(out / NAME):
            entry = json.loads(line)
            self._known[entry["study"]] = entry["digest"], entry["files"]

    def files(self, study: str, digest: str) -> list[Path] | None:
        """What was written for that study from the same readings; None where it must be again."""
        known, names = self._known.get(study, ("", []))
        paths = [self.out / name for name in names]
        return paths if known == digest and all(path.is_file() for path in paths) else None

    def note(self, study: str, digest: str, files: Sequence[Path]) -> None:
        """Remembers what was written."""
        entry = {"study": study, "digest": digest, "files": [path.name for path in files]}
        append_lines(self.out / NAME, [json.dumps(entry)])


def digest_of(title: str, facts: Sequence[Fact], choices: Choices, outlined: bool) -> str:
    """Changes whenever anything changes that the reports of a study tell or draw."""
    told = [
        version("squareon"),
        title,
        outlined,
        dataclasses.asdict(choices),
        [dataclasses.asdict(fact) for fact in facts],
    ]
    return hashlib.sha256(json.dumps(told, sort_keys=True, default=str).encode()).hexdigest()
