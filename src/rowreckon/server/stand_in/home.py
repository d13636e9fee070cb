"""The server process of a stand-in: one run that is filled, ends in order, has its files set, and starts again.

It listens on a Unix-domain socket in a folder of its own and nowhere else, and is gone afterwards, whatever happens.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from pathlib import Path
from typing import Final

from rowreckon.server.own.account import Account, server_account
from rowreckon.server.own.binaries import ServerBinaries
from rowreckon.server.own.embedded import SETTINGS, dsn_of
from rowreckon.server.own.process import ServerProcess, init_data
from rowreckon.server.own.rundir import RunFolder, cache_folder, new_run_folder
from rowreckon.signals import terminated_like_ctrl_c

from .programs import ContainerImage, Programs, find_programs

_SETTINGS: Final = {
    **SETTINGS,
    "max_connections": "10",
    "shared_buffers": "16MB",
    "wal_level": "minimal",
    # nothing is executed here, so nothing may write: not to a temporary file, not by a long statement
    "temp_file_limit": "10MB",
    "max_wal_size": "200MB",
    "statement_timeout": "20s",
    "lock_timeout": "5s",
    "max_locks_per_transaction": "512",
    "track_activities": "off",
    "session_preload_libraries": "",
    "shared_preload_libraries": "",
}


class Home:
    """The folder and server of one stand-in; `start` and `end_in_order` take turns, `leave` ends all."""

    def __init__(self, binaries: ServerBinaries, run: RunFolder, account: Account) -> None:
        self.binaries = binaries
        self.account = account
        self._run = run
        self._server: ServerProcess | None = None

    @property
    def data(self) -> Path:
        return self._run.data

    @property
    def major(self) -> int:
        return self.binaries.major

    def dsn(self, role: str, database: str) -> str:
        return dsn_of(self._run.path, role, database)

    def other_programs(self, version: int) -> tuple[str, ...]:
        """A note where they are of another minor release than the source's (server_version_num)."""
        minor = self.binaries.version.partition(".")[2]
        if not minor.isdecimal() or int(minor) == version % 10000:
            return ()
        return (f"the stand-in's server was {self.binaries.told}, the source's {version // 10000}.{version % 10000}",)

    def start(self, *, last: bool) -> None:
        """Start the server; after the `last` start its data go with it. Raises CannotStart."""
        self._server = ServerProcess(self.binaries, self._run, self.account, _SETTINGS, keep_data=not last)

    def end_in_order(self) -> None:
        """Have all pages written and the server end. Raises CannotStart."""
        assert self._server is not None
        self._server.end_in_order()
        self._server = None

    def leave(self) -> None:
        """Stop the server, and remove all of it; safe to call twice."""
        if self._server is not None:
            self._server.stop()
            self._server = None
        self._run.remove()


@contextlib.contextmanager
def home(major: int, named: Programs | None = None) -> Iterator[Home]:
    """A place for a stand-in of this major release, with data and no server yet; removed at the end of the block.

    `named` is a folder that holds installations by major release, or is one, or an image. Raises CannotStart.
    """
    account = server_account()
    cache = cache_folder()
    binaries = find_programs(major, named, account, cache)
    with terminated_like_ctrl_c():
        run = new_run_folder(cache / "servers", account, contained=isinstance(named, ContainerImage))
        place = Home(binaries, run, account)
        try:
            # initdb of 18 switches checksums on, and pages that are set from outside have none
            init_data(binaries, run, account, ["--no-data-checksums"] if major >= _CHECKSUMS_BY_DEFAULT else [])
            yield place
        finally:
            place.leave()


_CHECKSUMS_BY_DEFAULT: Final = 18
