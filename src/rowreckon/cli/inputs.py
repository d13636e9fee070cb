"""Plans from paths or standard input, and what is said of those that could not be read."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

import typer

if TYPE_CHECKING:
    from rowreckon.capture import Capture
    from rowreckon.document.audit import Rejected
    from rowreckon.reading.limits import Limits


def read_inputs(
    paths: Sequence[str], limits: Limits | None = None, stdin: bytes | None = None
) -> list[Capture | Rejected]:
    """Every plan of these files, folders, or standard input (-), in order; `stdin` is it where it was read already."""
    from rowreckon.intake import read_path, read_text

    inputs: list[Capture | Rejected] = []
    for path in paths:
        if path == "-":
            inputs.extend(read_text(_stdin() if stdin is None else stdin, limits=limits))
        else:
            inputs.extend(read_path(path, limits=limits))
    return inputs


def _stdin() -> bytes:
    if sys.stdin.isatty():
        typer.echo("paste the plan, then Ctrl-D", err=True)
    return sys.stdin.buffer.read()


def tell_rejected(rejected: Iterable[Rejected]) -> None:
    """One sentence on standard error for each input that could not be read."""
    from rowreckon.report.words.escape import clean

    for item in rejected:
        place = f" ({item.where})" if item.where else ""
        typer.echo(f"rowreckon: {clean(item.source)}{clean(place)}: {clean(item.reason)}", err=True)
