"""Files that are written: beside their place, and moved there when they are whole.

A reader sees the old file or the new one, never half of one; where writing fails, on a full disk for example, the old
one stays. What is written beside has a name that nobody can foresee and is made anew, so that no link laid in its way
is followed; a link at the place itself is replaced and not written through. What holds data (`private`) may be read by
its owner only; a report, which is made to be passed on, has the rights that the umask or the file before it gives.
"""

from __future__ import annotations

import os
import stat
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

from rowreckon.errors import UsageError

_NEW = os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_CLOEXEC", 0)
_DEVICES = Path("/dev")


def shown(path: str | Path) -> str:
    """A path as text: bytes in it that are no UTF-8 are written out (`\\xff`)."""
    return os.fsencode(path).decode("utf-8", "backslashreplace")


def write_whole(path: Path, content: str | bytes, *, private: bool = False) -> None:
    """Write a file, or leave the old one. `private` files may be read by their owner only.

    Raises UsageError where it can't be written. A path below /dev is a stream, and is written to as it is.
    """
    data = content.encode("utf-8", "backslashreplace") if isinstance(content, str) else content
    if _is_stream(path):
        _attempt(path, lambda: _write(os.open(path, os.O_WRONLY), data))
        return
    beside = path.with_name(_scratch_name())

    def work() -> None:
        _check_place(path)
        _write(os.open(beside, _NEW, 0o600 if private else 0o666), data)
        _move(beside, path, private)

    try:
        _attempt(path, work)
    finally:
        with suppress(OSError):
            beside.unlink(missing_ok=True)


def write_in_folder(path: Path, write: Callable[[Path], None]) -> None:
    """Have `write` make a private file, and move it to `path` when it is whole: for what writes its files itself.

    It is given a name in a folder beside the place, which nobody else may enter. Raises UsageError where the place or
    the disk does not take it; what `write` raises besides goes through.
    """
    import shutil

    beside = path.with_name(_scratch_name())
    inside = beside / path.name

    def work() -> None:
        _check_place(path)
        beside.mkdir(mode=0o700)
        write(inside)
        _move(inside, path, private=True)

    try:
        _attempt(path, work)
    finally:
        shutil.rmtree(beside, ignore_errors=True)


def try_file(path: Path, option: str) -> None:
    """Find out before any work whether a file can be written, and leave nothing behind.

    Raises UsageError, which names the option that asked for the file.
    """
    if _is_stream(path):
        return
    if not path.parent.is_dir():
        raise UsageError(
            f"{option}: {shown(path)!r} cannot be written: there is no folder {shown(path.parent)!r}",
            hint="make it first",
        )
    _attempt(path, lambda: _try_place(path), option)


def try_folder(path: Path, option: str) -> None:
    """Find out before any work whether files can be written into a folder that need not exist yet.

    Leaves nothing behind, the folder neither. Raises UsageError, which names the option that asked for it.
    """
    _attempt(path, lambda: _try_in(_nearest(path)), option)


def make_folder(path: Path) -> None:
    """Make the folder and those above it, where they are not there. Raises UsageError."""
    _attempt(path, lambda: path.mkdir(parents=True, exist_ok=True))


def _attempt(path: Path, work: Callable[[], None], option: str = "") -> None:
    """Do it; what the system says against it becomes one sentence."""
    try:
        work()
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        head = f"{option}: " if option else ""
        raise UsageError(
            f"{head}{shown(path)!r} cannot be written: {reason}", hint="check the folder, its rights and its space"
        ) from None


def _is_stream(path: Path) -> bool:
    return path.is_absolute() and _DEVICES in path.parents and not path.is_file()


def _scratch_name() -> str:
    return f".rowreckon-{os.urandom(12).hex()}.part"


def _write(descriptor: int, data: bytes) -> None:
    with os.fdopen(descriptor, "wb") as file:
        file.write(data)
        file.flush()
        # Some systems tell of a full disk only here.
        if stat.S_ISREG(os.fstat(descriptor).st_mode):
            os.fsync(descriptor)


def _move(beside: Path, path: Path, private: bool) -> None:
    old = _old(path)
    if private:
        beside.chmod(0o600)
    elif old is not None and stat.S_ISREG(old.st_mode):
        beside.chmod(stat.S_IMODE(old.st_mode) & 0o777)
    beside.replace(path)


def _old(path: Path) -> os.stat_result | None:
    try:
        return path.lstat()
    except FileNotFoundError:
        return None


def _check_place(path: Path) -> None:
    """Raise OSError where what stands at the path is nothing that a file may take the place of."""
    old = _old(path)
    if old is None:
        return
    if stat.S_ISDIR(old.st_mode):
        raise OSError(0, "it is a folder")
    if not stat.S_ISREG(old.st_mode) and not stat.S_ISLNK(old.st_mode):
        raise OSError(0, "what stands there is no file")
    if stat.S_ISREG(old.st_mode) and not os.access(path, os.W_OK):
        raise OSError(0, "the file there is write-protected")
    folder = path.parent.stat()
    mine = os.geteuid() if hasattr(os, "geteuid") else old.st_uid
    if folder.st_mode & stat.S_ISVTX and mine not in (0, old.st_uid, folder.st_uid):
        raise OSError(0, "the file there belongs to somebody else")


def _try_place(path: Path) -> None:
    _check_place(path)
    _try_in(path.parent)


def _try_in(folder: Path) -> None:
    if not folder.is_dir():
        raise OSError(0, f"{shown(folder)!r} is no folder")
    trial = folder / _scratch_name()
    os.close(os.open(trial, _NEW, 0o600))
    trial.unlink()


def _nearest(path: Path) -> Path:
    """The folder itself, or the nearest one above it that is there."""
    for folder in (path, *path.parents):
        if _old(folder) is not None:
            return folder
    return Path()
