"""Files and streams that are read: never more of them than a limit, and what goes wrong in one sentence."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any, BinaryIO

from rowreckon.errors import InputTooLarge, UnreadableFile, UsageError
from rowreckon.files import shown

MOST_TEXT = 64 * 1024 * 1024
"""Longest query list, answer or audit that is read where no option says otherwise, in bytes."""

MOST_SETTINGS = 4 * 1024 * 1024
"""Longest configuration or file of parameters, in bytes."""

# Python's reader takes time and memory that grow with the square of a key's parts: 4 GB for 64 kB of "a.a.a…".
_MOST_PARTS = 100
_PART = r"""(?:[\w-]++|"[^"\n]*+"|'[^'\n]*+')"""
_LONG_KEY = re.compile(rf"(?:^|[{{,\[])[ \t]*+{_PART}(?:[ \t]*+\.[ \t]*+{_PART}){{{_MOST_PARTS}}}", re.M)


def read_bytes(path: Path, most: int, what: str = "the file") -> bytes:
    """What a file holds. Raises UnreadableFile, and InputTooLarge where that is more than `most` bytes."""
    try:
        with path.open("rb") as stream:
            return read_stream(stream, most, what, shown(path))
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        raise UnreadableFile(f"{what} cannot be read: {reason}", where=shown(path), hint="check the path") from None


def read_stream(stream: BinaryIO, most: int, what: str = "the input", where: str | None = None) -> bytes:
    """What is left of a stream. Raises InputTooLarge where that is more than `most` bytes."""
    content = stream.read(most + 1)
    if len(content) > most:
        raise InputTooLarge(
            f"{what} has more than {most:,} bytes, the limit", where=where, hint="raise the limit, or split the input"
        )
    return content


def read_utf8(path: Path, most: int, what: str = "the file") -> str:
    """The text of a file, line ends as \\n. Raises UnreadableFile, and InputTooLarge as `read_bytes` does."""
    try:
        text = read_bytes(path, most, what).decode("utf-8")
    except UnicodeDecodeError:
        raise UnreadableFile(f"{what} is no UTF-8 text", where=shown(path), hint="save it as UTF-8") from None
    return text.replace("\r\n", "\n").replace("\r", "\n") if "\r" in text else text


def read_toml(path: Path, what: str) -> dict[str, Any]:
    """The tables of a TOML file. Raises UnreadableFile, InputTooLarge, and UsageError where it is no TOML."""
    import tomllib

    text = read_utf8(path, MOST_SETTINGS, what)
    if _LONG_KEY.search(text) is not None:
        raise UsageError(f"{what} has a key of more than {_MOST_PARTS} parts", where=shown(path))
    try:
        return tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        # A number of thousands of digits is an error of its own, and so is nesting without end.
        reason = "it is nested too deeply" if isinstance(error, RecursionError) else str(error)
        raise UsageError(f"{what} is no TOML: {reason}", where=shown(path)) from None
