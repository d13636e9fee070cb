"""Copies of server programs in the cache folder: one at a time, and never half of one under its name.

Who holds the lock knows that whatever else was being copied belongs to a run that was killed.
"""

from __future__ import annotations

import contextlib
import fcntl
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Final

_SCRATCH: Final = "copying-"
_LOCK: Final = ".copying.lock"


def clear_copies(cache: Path) -> None:
    """Delete what killed runs were copying; what is being copied now is left alone."""
    if next(cache.glob(f"{_SCRATCH}*"), None) is not None:
        with contextlib.suppress(OSError), _alone(cache, wait=False):
            _clear(cache)


def copy_once(root: Path, target: Path) -> None:
    """Copy the installation, and the wheel's shared libraries beside it, so that relative library paths still hold.

    Nothing where the copy is there.
    """
    target.parent.mkdir(parents=True, exist_ok=True)
    with _alone(target.parent, wait=True):
        _clear(target.parent)
        if not target.exists():
            _copy(root, target)


def _copy(root: Path, target: Path) -> None:
    scratch = Path(tempfile.mkdtemp(prefix=_SCRATCH, dir=target.parent))
    try:
        package = root.parent
        shutil.copytree(
            root, scratch / package.name / root.name, symlinks=True, ignore=shutil.ignore_patterns("include")
        )
        libraries = package.with_name(f"{package.name}.libs")
        if libraries.is_dir():
            shutil.copytree(libraries, scratch / libraries.name, symlinks=True)
        for path in [scratch, *scratch.rglob("*")]:
            if not path.is_symlink():
                path.chmod(path.stat().st_mode | (0o555 if path.is_dir() or path.stat().st_mode & 0o100 else 0o444))
        scratch.rename(target)
    finally:
        shutil.rmtree(scratch, ignore_errors=True)


def _clear(cache: Path) -> None:
    for path in cache.glob(f"{_SCRATCH}*"):
        shutil.rmtree(path, ignore_errors=True)


@contextlib.contextmanager
def _alone(cache: Path, *, wait: bool) -> Iterator[None]:
    """Raises BlockingIOError where another copies and it is not to be waited for."""
    with (cache / _LOCK).open("ab") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX | (0 if wait else fcntl.LOCK_NB))
        yield
