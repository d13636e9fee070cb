"""Inputs by path or by URL: local files as they are, everything with a scheme through fsspec."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, BinaryIO, cast

from rowreckon.errors import UnreadableFile

PACKED = (b"\x1f\x8b", b"\x28\xb5\x2f\xfd")
"""How a gzip or zstd file begins."""

_SUFFIXES = (".json", ".txt", ".plan", ".text", ".yaml", ".yml", ".xml", ".log", ".csv", ".out", ".gz", ".zst", ".zstd")


def is_remote(path: str) -> bool:
    """Whether the path is a URL, which fsspec opens."""
    return "://" in path


def open_plain(path: str) -> BinaryIO:
    """The file's bytes as they stand. Raises UnreadableFile."""
    try:
        if is_remote(path):
            return cast(BinaryIO, _fsspec().open(path, "rb").open())
        return Path(path).open("rb")
    except OSError as error:
        raise _unreadable(error, path) from None
    except (ValueError, ImportError) as error:
        raise UnreadableFile(f"the address cannot be opened: {error}", where=path) from None


def size_of(path: str) -> int:
    """The file's size in bytes as stored. Raises UnreadableFile."""
    try:
        if is_remote(path):
            with open_plain(path) as stream:
                return stream.seek(0, 2)
        return Path(path).stat().st_size
    except OSError as error:
        raise _unreadable(error, path) from None


def unpacked(path: str) -> BinaryIO:
    """The file's text: gzip and zstd are unpacked while reading. Raises UnreadableFile."""
    from rowreckon.reading.logs.files import open_log

    if not is_remote(path):
        return open_log(path)
    raw = open_plain(path)
    head = raw.read(4)
    raw.seek(0)
    if head.startswith(b"\x1f\x8b"):
        import gzip

        return cast(BinaryIO, gzip.GzipFile(fileobj=raw))
    if head == b"\x28\xb5\x2f\xfd":
        import zstandard

        return cast(BinaryIO, zstandard.ZstdDecompressor().stream_reader(raw, read_across_frames=True, closefd=True))
    return raw


def read_piece(stream: BinaryIO, size: int) -> bytes:
    """Up to `size` bytes of a stream, unpacked. Raises UnreadableFile where it is damaged or cut off."""
    try:
        return stream.read(size) if size else b""
    except (EOFError, OSError, ValueError) as error:
        raise UnreadableFile(f"the file cannot be read to its end: {error}") from None
    except Exception as error:  # zstandard and zlib have error classes of their own
        if type(error).__module__.partition(".")[0] not in ("zstandard", "zlib") and type(error).__name__ != "error":
            raise
        raise UnreadableFile(f"the file cannot be unpacked to its end: {error}") from None


def spread_out(paths: Sequence[str]) -> Iterator[str]:
    """Folders as the files in them, sorted by name; addresses with a pattern as what they match."""
    for path in paths:
        if is_remote(path):
            if any(sign in path for sign in "*?["):
                yield from sorted(f.full_name for f in _fsspec().open_files(path, "rb"))
            else:
                yield path
        elif Path(path).is_dir():
            found = sorted(p for p in Path(path).rglob("*") if p.is_file() and p.suffix.lower() in _SUFFIXES)
            yield from (str(p) for p in found)
        else:
            yield path


def _fsspec() -> Any:
    try:
        import fsspec  # type: ignore[import-untyped, unused-ignore]
    except ImportError:
        raise UnreadableFile(
            "an address needs fsspec", hint="pip install 'rowreckon[cluster]', or give a path"
        ) from None
    return fsspec


def _unreadable(error: OSError, path: str) -> UnreadableFile:
    hint = "check the path" if isinstance(error, FileNotFoundError) else "check path and rights"
    return UnreadableFile(f"the file cannot be read: {error.strerror or error}", where=path, hint=hint)
