"""The operating-system account that a throw-away server runs under.

PostgreSQL refuses to run as root.  Under root the server therefore runs as `nobody`, an account that exists
everywhere and owns nothing; a new system user would outlive the run, and an existing `postgres` user may own
somebody's real database files.
"""

from __future__ import annotations

import os
import subprocess
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from rowreckon.errors import CannotStart


@dataclass(frozen=True, slots=True)
class Account:
    """Numeric user and group that server processes get; both None means: the account of this process."""

    uid: int | None = None
    gid: int | None = None

    def popen_options(self) -> dict[str, Any]:
        """Keyword arguments for `subprocess` that make the child run under this account."""
        if self.uid is None:
            return {}
        return {"user": self.uid, "group": self.gid, "extra_groups": []}

    def numbers(self) -> tuple[int, int]:
        """Its user and group, also where they are this process's."""
        return (os.geteuid(), os.getegid()) if self.uid is None or self.gid is None else (self.uid, self.gid)

    def own(self, path: Path) -> None:
        """Hand one file or folder over to the account; nothing to do for one's own account."""
        if self.uid is not None and self.gid is not None:
            os.chown(path, self.uid, self.gid)

    def run(
        self, command: Sequence[str | Path], *, timeout: float, environment: Mapping[str, str] | None = None
    ) -> subprocess.CompletedProcess[str]:
        """Run a short command under the account, output captured as text; by default in a server's environment.

        Raises OSError where it can't be executed (PermissionError: not reachable for the account).
        """
        return subprocess.run(
            [str(word) for word in command],
            check=False,
            stdin=subprocess.DEVNULL,
            capture_output=True,
            text=True,
            errors="replace",
            timeout=timeout,
            cwd="/",
            env=dict(clean_environment() if environment is None else environment),
            **self.popen_options(),
        )


def server_account() -> Account:
    """The account for server processes: one's own, or `nobody` under root.

    Raises CannotStart where the platform has no such accounts.
    """
    if os.name != "posix":
        raise CannotStart(
            "the embedded server needs Unix-domain sockets, which this platform lacks",
            hint="name a running server with --dsn instead",
        )
    if os.geteuid() != 0:
        return Account()
    import pwd

    try:
        entry = pwd.getpwnam("nobody")
    except KeyError:
        raise CannotStart(
            "PostgreSQL does not run as root, and this system has no account 'nobody' to run it under",
            hint="run the command as an ordinary user",
        ) from None
    return Account(entry.pw_uid, entry.pw_gid)


def clean_environment() -> Mapping[str, str]:
    """The environment of server processes: none of the caller's PG* variables, C locale, UTC."""
    return {"PATH": os.environ.get("PATH", os.defpath), "LC_ALL": "C", "TZ": "UTC"}
