"""The folder of one run of a throw-away server, and the clearing of what killed runs left behind.

Two locks tell a living run from a leftover without trusting process numbers, which the system reuses:
`owner.lock` is held by the process that started the run, `server.lock` by the server itself, which inherits it.
"""

from __future__ import annotations

import contextlib
import fcntl
import os
import shutil
import signal
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import IO

import platformdirs

from rowreckon.errors import CannotStart
from rowreckon.server.own.account import Account
from rowreckon.server.own.containers import remove_containers

# A Unix-domain socket's path is limited to 107 bytes on Linux and 103 on macOS, the file name included.
SOCKET_PATH_LIMIT = 100
SOCKET_NAME = ".s.PGSQL.5432"


def cache_folder() -> Path:
    """Where throw-away servers live: the user's cache folder, or the system's under root.

    Root's own home is usually closed to other accounts, and the server runs under another account then.
    """
    if os.name == "posix" and os.geteuid() == 0:
        return Path(platformdirs.site_cache_dir("rowreckon", multipath=False))
    return platformdirs.user_cache_path("rowreckon")


class RunFolder:
    """One run's folder, locked by this process: data/, the socket, the server's log."""

    def __init__(self, path: Path, owner: IO[bytes], link: Path | None = None, *, contained: bool = False) -> None:
        self.path = path
        self._owner = owner
        self._link = link
        self._contained = contained

    @property
    def data(self) -> Path:
        return self.path / "data"

    @property
    def log(self) -> Path:
        return self.path / "server.log"

    @property
    def server_lock(self) -> Path:
        return self.path / "server.lock"

    def remove(self) -> None:
        """Delete the folder, and its containers, and let its lock go; safe to call twice."""
        if self._contained:
            remove_containers(self.path)
        shutil.rmtree(self.path, ignore_errors=True)
        if self._link is not None:
            self._link.unlink(missing_ok=True)
        self._owner.close()


def new_run_folder(base: Path, account: Account, *, contained: bool = False) -> RunFolder:
    """Clear leftovers below `base`, then make and lock a fresh folder there.

    `contained`: its server runs in a container, which has to go with the folder, also when a later run clears it.
    Raises CannotStart where nothing can be written there.
    """
    try:
        base.mkdir(parents=True, exist_ok=True)
        with _locked(base / ".lock"):
            clear_leftovers(base)
            return _make(base, account, contained=contained)
    except OSError as error:
        raise CannotStart(
            f"no folder for the embedded server can be made in {base}: {error.strerror or error}",
            hint="make that folder writable, or set XDG_CACHE_HOME to one that is",
        ) from None


def clear_leftovers(base: Path) -> None:
    """Stop servers whose owner is gone and delete their folders; runs that are alive are left alone."""
    for path in sorted(base.glob("run-*")):
        with contextlib.suppress(OSError):
            real = path.resolve()
            with (real / "owner.lock").open("ab") as owner:
                if not _try_lock(owner):
                    continue
                if path.name.startswith(_CONTAINED):
                    remove_containers(real)
                else:
                    _stop_orphan(real)
                shutil.rmtree(real, ignore_errors=True)
        if path.is_symlink():
            path.unlink(missing_ok=True)
        elif path.is_dir() and not (path / "owner.lock").exists():
            shutil.rmtree(path, ignore_errors=True)


_CONTAINED = "run-contained-"
"""How the name of a run's folder begins whose server is in a container: the numbers of its processes mean nothing here,
and what its server could write into the folder has no say in this."""


def _make(base: Path, account: Account, *, contained: bool) -> RunFolder:
    path = Path(tempfile.mkdtemp(prefix=_CONTAINED if contained else "run-", dir=base))
    link: Path | None = None
    if len(os.fsencode(path / SOCKET_NAME)) > SOCKET_PATH_LIMIT:
        # the socket does not fit there: the run lives in the temporary folder, a link here keeps it findable
        path.rmdir()
        short = Path(tempfile.mkdtemp(prefix="rowreckon-"))
        path.symlink_to(short)
        path, link = short, path
    owner = (path / "owner.lock").open("ab")
    if not _try_lock(owner):
        raise OSError(f"{path} is locked already")
    account.own(path)
    return RunFolder(path, owner, link, contained=contained)


def _stop_orphan(path: Path) -> None:
    """Stop a server whose starter was killed; its inherited lock proves that the noted process number is its own."""
    with (path / "server.lock").open("ab") as lock:
        for sent in (signal.SIGQUIT, signal.SIGKILL):
            if _try_lock(lock):
                return
            with contextlib.suppress(OSError, ValueError, IndexError):
                os.kill(int((path / "data" / "postmaster.pid").read_text().split()[0]), sent)
            for _ in range(100):
                if _try_lock(lock):
                    return
                time.sleep(0.05)


@contextlib.contextmanager
def _locked(path: Path) -> Iterator[None]:
    with path.open("ab") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        yield


def _try_lock(lock: IO[bytes]) -> bool:
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True
