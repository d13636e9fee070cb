"""Plans from paths or standard input."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from typing import TYPE_CHECKING

import typer

if TYPE_CHECKING:
    from rowreckon.capture import Capture
    from rowreckon.document.audit import Rejected
    from rowreckon.reading.limits import Limits


def read_inputs(
    paths: Sequence[str], limits: Limits | None = None, stdin: bytes | None = None
) -> list[Capture | Rejected]:
    """Every plan of these files, folders, or standard input (-), in order; `stdin` is it where it was read already.

    After Ctrl-C what was read until then, and the rest named as not read.
    """
    from rowreckon.document.audit import Rejected
    from rowreckon.intake import read_each, read_text

    inputs: list[Capture | Rejected] = []
    begun = 0
    try:
        for path in paths:
            begun += 1
            if path == "-":
                inputs.extend(read_text(_stdin() if stdin is None else stdin, limits=limits))
            else:
                inputs.extend(read_each(path, limits=limits))
    except KeyboardInterrupt:
        inputs.append(Rejected(source=paths[begun - 1], reason="interrupted before it was read to its end"))
        inputs += [Rejected(source=path, reason="interrupted before it was read") for path in paths[begun:]]
    return inputs


def _stdin() -> bytes:
    if sys.stdin.isatty():
        typer.echo("paste the plan, then Ctrl-D", err=True)
    return sys.stdin.buffer.read()
