"""A progress bar on standard error; nothing at all where nobody watches."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager

Report = Callable[[str, int, int], None]
"""What is being done, how many steps of it are done, how many there are."""


@contextmanager
def progress_bar() -> Iterator[Report]:
    """A function to report progress to, for as long as the block lasts."""
    if not sys.stderr.isatty():
        yield lambda step, done, total: None
        return
    from rich.console import Console
    from rich.progress import (
        BarColumn,
        MofNCompleteColumn,
        Progress,
        TextColumn,
        TimeElapsedColumn,
        TimeRemainingColumn,
    )

    columns = (
        TextColumn("{task.description}", markup=False),
        BarColumn(),
        MofNCompleteColumn(),
        TimeElapsedColumn(),
        TimeRemainingColumn(),
    )
    with Progress(*columns, console=Console(stderr=True), transient=True) as progress:
        task = progress.add_task("starting", total=1)

        def report(step: str, done: int, total: int) -> None:
            progress.update(task, description=step, completed=done, total=max(total, 1))

        yield report
