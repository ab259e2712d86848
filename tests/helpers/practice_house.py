"""A practice server, in a thread of this process or in one of its own, for tests of the page."""

from __future__ import annotations

import contextlib
import subprocess
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from loopback import in_thread
from review_house import House

from pipeline.cli import compose
from pipeline.practise.desk import Desk
from pipeline.practise.serve import build, desk_of
from pipeline.practise.settings import PractiseSettings
from pipeline.review.door import listen


@dataclass
class PracticeHouse(House):
    """A running practice server."""

    desk: Desk | None = None


def practise_settings(*words: str) -> PractiseSettings:
    return PractiseSettings(**compose("practise", PractiseSettings, ["port=0", *words]))


@contextlib.contextmanager
def practising(folder: Path, sets: Sequence[Path] = (), *words: str) -> Iterator[PracticeHouse]:
    """A practice server in a thread; no reader in the background unless `words` say so."""
    settings = practise_settings("advice=false", *words)
    settings.sets = [str(path) for path in sets]
    desk = desk_of(folder, settings)
    made = listen(settings.host, settings.port)
    guard, way = build(desk, settings, made.getsockname()[1])
    try:
        with in_thread(guard, made):
            yield PracticeHouse(way.address, way.token, None, desk)
    finally:
        desk.adviser.close()


def practice_process(folder: Path, port: int, *words: str) -> subprocess.Popen[str]:
    """`squareon practise` in a process of its own, as it is used."""
    arguments = ["practise", str(folder), "--no-browser", f"port={port}", *words]
    script = f"import sys\nfrom pipeline.cli import main\nsys.exit(main({arguments!r}))"
    return subprocess.Popen([sys.executable, "-c", script], stdout=subprocess.DEVNULL, text=True)


def begin(visit: Any, code: str) -> None:
    """Types a code on the overview and waits for the first film."""
    visit.page.wait_for_selector(".home")
    visit.page.fill("#code", code)
    visit.press("Enter")
    visit.page.wait_for_selector(".play[data-films='1']")
    visit.settle()
