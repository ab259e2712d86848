"""One progress bar, the same everywhere; silent where the output is no terminal."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn


@contextmanager
def bar(words: str) -> Iterator[Callable[[int, int | None], None]]:
    """Gives a function (done, total or None) that moves a bar on standard error."""
    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        MofNCompleteColumn(),
        TimeRemainingColumn(),
    )
    console = Console(stderr=True)
    progress = Progress(*columns, console=console, disable=not console.is_terminal)
    task = progress.add_task(words, total=None)

    def moved(done: int, total: int | None) -> None:
        progress.start()  # only now, so that a mistaken setting is one line and no bar
        progress.update(task, completed=done, total=total)

    try:
        yield moved
    finally:
        progress.stop()
