"""Where a connection string comes from: an option, or a file that nobody else can read; the rest is libpq's own."""

from __future__ import annotations

import os
import stat
from pathlib import Path
from typing import Annotated

import typer

from rowreckon.errors import UnreadableFile, UsageError

DSN_HELP = (
    "Connection string or URI, as libpq takes it; PG* variables, service files and .pgpass fill it up. The process list"
    " shows it: keep passwords out of it."
)
DsnFileOption = Annotated[
    Path | None,
    typer.Option("--dsn-file", metavar="FILE", help="File that holds the connection string; only you may read it."),
]

_MOST_BYTES = 65_536
_OTHERS = stat.S_IRWXG | stat.S_IRWXO


def chosen_dsn(dsn: str | None, file: Path | None) -> str | None:
    """The connection string of the option or of the file. Raises UsageError for both, or for a file that others can
    read, UnreadableFile for one that can't be read."""
    if file is None:
        return dsn
    if dsn:
        raise UsageError("--dsn and --dsn-file both name a server", hint="give one of them")
    try:
        with file.open("rb") as opened:
            mode = os.fstat(opened.fileno()).st_mode
            content = opened.read(_MOST_BYTES + 1)
    except OSError as error:
        raise UnreadableFile(f"the file of --dsn-file cannot be read: {error.strerror}", where=str(file)) from None
    if stat.S_ISREG(mode) and mode & _OTHERS:
        raise UsageError("others may read the file of --dsn-file", where=str(file), hint="chmod 600 it")
    if len(content) > _MOST_BYTES:
        raise UsageError("the file of --dsn-file is too long for a connection string", where=str(file))
    try:
        text = content.decode("utf-8").strip()
    except UnicodeDecodeError:
        raise UnreadableFile("the file of --dsn-file is no UTF-8 text", where=str(file)) from None
    if not text or "\0" in text:
        raise UsageError("the file of --dsn-file holds no connection string", where=str(file))
    return text
