"""One progress bar, the same everywhere; silent where the output is no terminal."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, TextColumn, TimeRemainingColumn
from rich.progress import Progress as Bars

from pipeline.contracts import Progress


@contextmanager
def bar(words: str) -> Iterator[Progress]:
    """Gives a progress that moves a bar on standard error."""
    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        MofNCompleteColumn(),
        TimeRemainingColumn(),
    )
    console = Console(stderr=True)
    bars = Bars(*columns, console=console, disable=not console.is_terminal)
    task = bars.add_task(words, total=None)

    def moved(done: int, total: int | None) -> None:
        bars.start()  # only now, so that a mistaken setting is one line and no bar
        bars.update(task, completed=done, total=total)

    try:
        yield moved
    finally:
        bars.stop()
