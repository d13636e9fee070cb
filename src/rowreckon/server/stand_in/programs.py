"""Where the server programs of a major release are on this machine: named, kept, in the wheel, installed,
or in a container image."""

from __future__ import annotations

import contextlib
import shutil
import subprocess
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from rowreckon import releases
from rowreckon.errors import CannotStart
from rowreckon.server.own.account import Account
from rowreckon.server.own.binaries import ServerBinaries, find_binaries, wheel_root
from rowreckon.server.own.containers import find_in_image
from rowreckon.server.own.rundir import cache_folder

_IMAGE: Final = "image:"


@dataclass(frozen=True, slots=True)
class ContainerImage:
    """An image of this machine that holds server programs, by the name that its engine knows."""

    name: str


Programs = Path | ContainerImage
"""Where somebody says that server programs are: a folder, or an image."""


def named_programs(text: str) -> Programs:
    """What --servers names: `image:NAME`, or a folder."""
    return ContainerImage(text.removeprefix(_IMAGE)) if text.startswith(_IMAGE) else Path(text)


def find_programs(major: int, named: Programs | None, account: Account, cache: Path) -> ServerBinaries:
    """The programs of a major release, where they are named or else in the usual places. Raises CannotStart."""
    if isinstance(named, ContainerImage):
        return find_in_image(named.name, major)
    found = find_binaries(installation(major, named), account, cache)
    if found.major != major:
        raise CannotStart(
            f"the server in {found.root} is PostgreSQL {found.major}, and {major} is wanted",
            hint=f"name a folder with programs of PostgreSQL {major}",
        )
    return found


PACKAGED: Final = (
    "/usr/lib/postgresql/{major}",
    "/usr/pgsql-{major}",
    "/opt/homebrew/opt/postgresql@{major}",
    "/usr/local/opt/postgresql@{major}",
)
"""Where packages put the programs of a release: those of Debian and Ubuntu, of PostgreSQL's own RPMs, of Homebrew."""
_PG_CONFIG_S: Final = 10


def installation(major: int, folder: Path | None = None) -> Path:
    """The folder with bin/postgres of a major release.

    In `folder` alone where one is named, which holds an installation or one for each release. Else in the cache folder,
    in the wheel, where `pg_config` of the search path points, or where packages put them. Raises CannotStart.
    """
    if folder is not None:
        for candidate in (folder / str(major), folder):
            if _is_there(candidate):
                return candidate
        raise CannotStart(
            f"no server programs of PostgreSQL {major} are in {folder}",
            hint=f"name a folder that holds bin/postgres, or {major}/bin/postgres",
        )
    for candidate in _elsewhere(major):
        if _is_there(candidate):
            return candidate
    if major == releases.NEWEST:
        return wheel_root()
    raise CannotStart(
        f"no server programs of PostgreSQL {major} are on this machine",
        hint=f"install its package (postgresql-{major} on Debian), or name their folder or image with --servers",
    )


def _is_there(root: Path) -> bool:
    return all((root / "bin" / program).exists() for program in ("postgres", "initdb"))


def _elsewhere(major: int) -> Iterator[Path]:
    yield cache_folder() / "matrix" / str(major)
    if major == releases.NEWEST:
        with contextlib.suppress(CannotStart):
            yield wheel_root()
    told = _told_by_pg_config(major)
    if told is not None:
        yield told
    yield from (Path(place.format(major=major)) for place in PACKAGED)


def _told_by_pg_config(major: int) -> Path | None:
    """The installation of the `pg_config` on the search path, if it is of this release."""
    program = shutil.which("pg_config")
    if program is None:
        return None
    try:
        command = [program, "--version", "--bindir"]
        done = subprocess.run(
            command, capture_output=True, text=True, errors="replace", check=False, timeout=_PG_CONFIG_S
        )
    except (OSError, subprocess.TimeoutExpired):
        return None
    lines = done.stdout.splitlines()
    if done.returncode != 0 or len(lines) != 2:
        return None
    version, folder = lines[0], Path(lines[1])
    same = version.startswith((f"PostgreSQL {major}.", f"PostgreSQL {major} "))
    return folder.parent if same and folder.name == "bin" else None
