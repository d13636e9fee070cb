"""Giving a stand-in's files the lengths and first pages of the source's, while its server is down; sparsely.

The planner takes a relation's size from the length of its file.  A length takes no room: the file systems of Linux and
macOS keep no blocks for what was never written, and one that does is refused before it fills.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Final

from rowreckon.errors import CannotStart
from rowreckon.server.own.account import Account
from rowreckon.stand_in.figures import GinCounters
from rowreckon.stand_in.pages import PAGE, brin_meta, btree_pages, gin_meta

SEGMENT_PAGES: Final = 131_072
"""Pages of a segment file (RELSEG_SIZE): 1 GB, as PostgreSQL is built unless told otherwise."""
_PROBE: Final = 64 * 1024 * 1024


@dataclass(frozen=True, slots=True)
class Length:
    """A relation's file, how many pages it gets, and what an index needs besides."""

    path: str
    pages: int
    method: str | None = None
    height: int | None = None
    table_pages: int = 0
    counters: GinCounters | None = None


def set_lengths(data: Path, account: Account, lengths: Iterable[Length]) -> list[str]:
    """Set all files; gives which B-trees are lower than the source's, by path. Raises CannotStart."""
    wanted = list(lengths)
    try:
        _try_sparse(data)
        return [each.path for each in wanted if not set_length(data, account, each)]
    except OSError as error:
        raise _no_room(error) from None


def make_files(data: Path, account: Account, files: Mapping[str, int | None]) -> None:
    """Files below the data folder of so many bytes, sparsely; none where that is None. Raises CannotStart."""
    try:
        for name, size in files.items():
            if size is not None:
                path = data / name
                path.parent.mkdir(mode=0o700, exist_ok=True)
                account.own(path.parent)
                with path.open("wb") as file:
                    file.truncate(size)
                account.own(path)
    except OSError as error:
        raise _no_room(error) from None


def _no_room(error: OSError) -> CannotStart:
    return CannotStart(
        f"the stand-in's files could not be given their sizes: {error.strerror or error}",
        hint="check the space in the cache folder, or set XDG_CACHE_HOME to another file system",
    )


def _try_sparse(data: Path) -> None:
    probe = data / "rowreckon-probe"
    try:
        with probe.open("wb") as file:
            file.truncate(_PROBE)
        if probe.stat().st_blocks * 512 > _PROBE // 2:
            raise CannotStart(
                f"the file system of {data} has no sparse files, and a stand-in would fill it",
                hint="set XDG_CACHE_HOME to a folder on another file system",
            )
    finally:
        probe.unlink(missing_ok=True)


def set_length(data: Path, account: Account, wanted: Length) -> bool:
    """Set one file; whether it is as high as was wanted. Raises OSError."""
    path = data / wanted.path
    now = path.stat().st_size // PAGE
    whole = True
    if wanted.method == "btree":
        whole = _set_height(path, wanted)
    elif wanted.method == "brin":
        _change_first(path, partial(brin_meta, table_pages=wanted.table_pages))
    elif wanted.method == "gin" and wanted.counters is not None:
        _change_first(path, partial(gin_meta, counters=wanted.counters))
    if wanted.pages > now:
        _extend(path, account, wanted.pages)
    return whole


def _change_first(path: Path, change: Callable[[bytes], bytes]) -> None:
    with path.open("r+b") as file:
        page = change(file.read(PAGE))
        file.seek(0)
        file.write(page)


def _set_height(path: Path, wanted: Length) -> bool:
    """Give a B-tree its height; whether it has the one that was wanted."""
    if not wanted.height:
        return wanted.height is not None
    height = max(0, min(wanted.height, wanted.pages - 2))
    with path.open("r+b") as file:
        meta, leaf = file.read(PAGE), file.read(PAGE)
        for block, page in btree_pages(meta, leaf, height).items():
            file.seek(block * PAGE)
            file.write(page)
    return height == wanted.height


def _extend(path: Path, account: Account, pages: int) -> None:
    for number in range(-(-pages // SEGMENT_PAGES)):
        segment = path if number == 0 else path.with_name(f"{path.name}.{number}")
        length = min(pages - number * SEGMENT_PAGES, SEGMENT_PAGES) * PAGE
        with segment.open("ab") as file:
            file.truncate(length)
        if number:
            segment.chmod(0o600)
            account.own(segment)
