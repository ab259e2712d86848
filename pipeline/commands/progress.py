"""One progress bar, the same everywhere; silent where the output is no terminal."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn


@contextmanager
def bar(words: str) -> Iterator[Callable[[int, int], None]]:
    """Gives a function (done, total) that moves a bar on standard error."""
    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        MofNCompleteColumn(),
        TimeRemainingColumn(),
    )
    with Progress(*columns, console=Console(stderr=True)) as progress:
        task = progress.add_task(words, total=None)
        yield lambda done, total: progress.update(task, completed=done, total=total)
