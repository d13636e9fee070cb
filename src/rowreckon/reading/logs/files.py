"""Open a log, compressed or not, and tell a log from other texts."""

from __future__ import annotations

import re
from pathlib import Path
from typing import BinaryIO, cast

from rowreckon.errors import UnreadableFile

MARK = re.compile(rb"duration: [0-9]+\.[0-9]+ ms  plan:")
"""How the log module begins its message, in every kind of log and every plan format."""

_GZIP = b"\x1f\x8b"
_ZSTD = b"\x28\xb5\x2f\xfd"


def is_log(sample: bytes) -> bool:
    """Whether the bytes hold an entry of the log module."""
    return b" ms  plan:" in sample and MARK.search(sample) is not None


def open_log(path: str | Path) -> BinaryIO:
    """A binary stream of the file's text; gzip and zstd files are unpacked while reading.

    Raises UnreadableFile where the file can't be opened, or what unpacks it is not installed.
    """
    try:
        raw = Path(path).open("rb")  # noqa: SIM115 - the caller closes it
        head = raw.read(4)
        raw.seek(0)
    except OSError as error:
        raise UnreadableFile(
            f"the file cannot be read: {error.strerror or error}", where=str(path), hint="check path and rights"
        ) from None
    if head.startswith(_GZIP):
        import gzip

        return cast(BinaryIO, gzip.GzipFile(fileobj=raw))
    if head == _ZSTD:
        try:
            import zstandard
        except ImportError:
            raw.close()
            raise UnreadableFile(
                "the file is compressed with zstd, which needs a package",
                where=str(path),
                hint="pip install zstandard, or unpack it first",
            ) from None
        return cast(BinaryIO, zstandard.ZstdDecompressor().stream_reader(raw, read_across_frames=True, closefd=True))
    return raw
