"""Standard streams that never bring a run down: a reader that goes away, a full disk, a stream that is not there."""

from __future__ import annotations

import errno
import io
import os
import sys
from pathlib import Path
from typing import TextIO

_GONE = (errno.EPIPE, errno.EIO, errno.ESHUTDOWN, errno.ECONNRESET)
"""Nobody reads any more: `| head`, a terminal that was closed."""


class _Quiet(io.FileIO):
    """A file that takes everything, also when nobody reads it any more; `trouble` is what else went wrong."""

    trouble: OSError | None = None

    def write(self, data: object, /) -> int:
        """Write, or from the first failure on pass over what is to be written."""
        view = memoryview(data)  # type: ignore[arg-type]  # the buffered writer above gives bytes
        try:
            return super().write(view) or 0
        except OSError as error:
            if error.errno not in _GONE:
                self.trouble = error
            nowhere = os.open(os.devnull, os.O_WRONLY)
            os.dup2(nowhere, self.fileno())
            os.close(nowhere)
            return view.nbytes


_out: _Quiet | None = None


def make_quiet() -> None:
    """Put such streams in the place of this process's own, once."""
    global _out
    if _out is not None:
        return
    if sys.stdin is None:
        sys.stdin = Path(os.devnull).open(encoding="utf-8")  # noqa: SIM115 - lives as long as the process
    _out = _Quiet(_open_number(1), "wb", closefd=False)
    sys.stdout = _text(_out, sys.stdout)
    sys.stderr = _text(_Quiet(_open_number(2), "wb", closefd=False), sys.stderr, always_by_line=True)


def output_trouble() -> str | None:
    """Why standard output could not be written, after writing out what waits; None where it could, or nobody reads."""
    sys.stdout.flush()
    sys.stderr.flush()
    if _out is None or _out.trouble is None:
        return None
    return _out.trouble.strerror or str(_out.trouble)


def _open_number(number: int) -> int:
    """The number of a standard stream, led to nowhere where it was closed before this process began."""
    try:
        os.fstat(number)
    except OSError:
        nowhere = os.open(os.devnull, os.O_RDWR)
        if nowhere != number:
            os.dup2(nowhere, number)
            os.close(nowhere)
    return number


def _text(raw: _Quiet, before: TextIO | None, *, always_by_line: bool = False) -> TextIO:
    """A text stream over the file, in the encoding that the one before had; what it can't hold is written escaped."""
    return io.TextIOWrapper(
        io.BufferedWriter(raw),
        encoding=getattr(before, "encoding", None) or "utf-8",
        errors="backslashreplace",
        line_buffering=always_by_line or raw.isatty(),
    )
