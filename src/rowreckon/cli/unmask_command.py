"""`rowreckon unmask`: the names back into what was masked with a key file."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("unmask", help="Put the names back into a masked report, with the key file that masked it.")(
        unmask_command
    )


def unmask_command(
    key_file: Annotated[Path, typer.Argument(metavar="KEYFILE", help="The file that --mask-names named.")],
    path: Annotated[str, typer.Argument(metavar="FILE | -", help="Any masked output, or - for standard input.")] = "-",
    output: Annotated[Path | None, typer.Option("--output", "-o", help="File to write; default: print it.")] = None,
) -> None:
    """Print a masked report with its names. Literals stay masked: they are kept nowhere."""
    from rowreckon.bounded import MOST_TEXT, read_bytes, read_stream
    from rowreckon.cli.masking import read_key_file
    from rowreckon.errors import UnreadableFile
    from rowreckon.files import try_file, write_whole
    from rowreckon.report.mask import unmask_text

    if output is not None:
        try_file(output, "--output")
    names = read_key_file(key_file).names
    try:
        raw = read_stream(sys.stdin.buffer, MOST_TEXT) if path == "-" else read_bytes(Path(path), MOST_TEXT)
        text = raw.decode("utf-8")
    except UnicodeDecodeError:
        raise UnreadableFile("the file is no UTF-8 text", where=path) from None
    shown = unmask_text(text, names)
    if output is None:
        sys.stdout.write(shown)
        return
    write_whole(output, shown, private=True)
