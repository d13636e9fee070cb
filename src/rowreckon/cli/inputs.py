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
    from rowreckon.intake import read_each

    inputs: list[Capture | Rejected] = []
    begun = 0
    try:
        for path in paths:
            begun += 1
            if path == "-":
                inputs.extend(_of_stdin(stdin, limits))
            else:
                inputs.extend(read_each(path, limits=limits))
    except KeyboardInterrupt:
        inputs.append(Rejected(source=paths[begun - 1], reason="interrupted before it was read to its end"))
        inputs += [Rejected(source=path, reason="interrupted before it was read") for path in paths[begun:]]
    return inputs


def _of_stdin(content: bytes | None, limits: Limits | None) -> list[Capture | Rejected]:
    """The plans of standard input, which is read here unless its content is given."""
    from rowreckon.intake import read_text
    from rowreckon.reading.limits import Limits as Bounds

    if content is None:
        if sys.stdin.isatty():
            typer.echo("paste the plan, then Ctrl-D", err=True)
        # One byte more than the limit tells the reader that there is more.
        content = sys.stdin.buffer.read((limits or Bounds()).max_bytes + 1)
    return read_text(content, limits=limits)
