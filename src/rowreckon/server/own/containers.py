"""Server programs inside a container image of this machine: found, and run without a network or rights.

The run's folder is all that a container shares with the machine: its data, and the socket that is its only door.
"""

from __future__ import annotations

import contextlib
import csv
import io
import re
import secrets
import shutil
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from rowreckon.errors import CannotStart
from rowreckon.server.own.account import Account, clean_environment
from rowreckon.server.own.binaries import ServerBinaries, version_in
from rowreckon.server.own.launching import Launch, ask_engine, engine_environment

_LABEL: Final = "rowreckon.folder"
"""What a container carries of ours: the folder of its run."""
_NAME: Final = re.compile(r"[A-Za-z0-9][A-Za-z0-9._/:@-]{0,300}")
_CLOSED: Final = (
    *("--network", "none", "--cap-drop", "ALL", "--security-opt", "no-new-privileges", "--read-only"),
    *("--tmpfs", "/tmp", "--pids-limit", "100", "--log-driver", "none", "--pull", "never"),
)
"""No network, no rights beyond the account's own, nothing of the image changed, nothing kept or fetched."""
_PLACES: Final = (
    "/usr/lib/postgresql/*/bin",
    "/usr/pgsql-*/bin",
    "/usr/libexec/postgresql*",
    "/opt/*/postgresql/bin",
    "/usr/local/*/bin",
)
"""Where images have the programs, besides their search path: Debian's and Red Hat's packages, Alpine's, others."""
_SEARCH: Final = f"""
for program in "$(command -v postgres)" {" ".join(f"{place}/postgres" for place in _PLACES)}; do
  [ -x "$program" ] && [ -x "${{program%/*}}/initdb" ] && echo "${{program%/*}}|$("$program" --version)"
done
exit 0
"""


@dataclass(frozen=True, slots=True)
class ImageBinaries(ServerBinaries):
    """An installation inside an image; `root` and `bin` are folders there, `image` is what its user calls it."""

    image: str
    id: str
    engine: str
    folder: Path

    @property
    def bin(self) -> Path:
        return self.folder

    @property
    def told(self) -> str:
        return f"PostgreSQL {self.version} in the container image {self.image}"

    def launch(self, folder: Path, account: Account) -> Launch:
        name = f"rowreckon-{folder.name}-{secrets.token_hex(4)}"
        mounts = [_mount(folder, folder), _mount(_accounts(folder, account), Path("/etc/passwd"), "readonly")]
        whole = [f"{key}={value}" for key, value in clean_environment().items() if key != "PATH"]
        prefix = [
            *(self.engine, "run", "--rm", "--name", name, "--label", f"{_LABEL}={folder}", *_CLOSED),
            *("--user", _user(account), "--workdir", "/", "--entrypoint", ""),
            *(word for mount in mounts for word in ("--mount", mount)),
            *(word for each in whole for word in ("--env", each)),
            self.id,
        ]
        # the engine's client needs its caller's rights; the server in the container gets the account's
        return Launch(Account(), tuple(prefix), engine_environment(), self.engine, name)


def find_in_image(image: str, major: int) -> ImageBinaries:
    """The programs of a major release in an image that is on this machine. Raises CannotStart."""
    engine = _engine()
    if _NAME.fullmatch(image) is None:
        raise CannotStart(f"{image!r} is no name of a container image", hint="write it as in image:postgres:16")
    try:
        found = ask_engine([engine, "image", "inspect", "--format", "{{.Id}}", image]).strip()
    except CannotStart as error:
        if "no such image" not in error.what.lower():
            raise
        raise CannotStart(
            f"no container image {image} is on this machine", hint=f"fetch it first: docker pull {image}"
        ) from None
    command = [engine, "run", "--rm", *_CLOSED, "--user", "65534:65534", "--entrypoint", "", found, "/bin/sh", "-c"]
    seen: list[str] = []
    for line in ask_engine([*command, _SEARCH]).splitlines():
        folder, _, printed = line.partition("|")
        version = version_in(printed)
        if version is None:
            continue
        programs = ImageBinaries(Path(folder).parent, version, image, found, engine, Path(folder))
        if programs.major == major:
            return programs
        seen.append(version)
    has = f"that holds {', '.join(sorted(set(seen)))}" if seen else "that holds none"
    raise CannotStart(
        f"no server programs of PostgreSQL {major} are in the container image {image}, {has}",
        hint=f"name an image with postgres and initdb of PostgreSQL {major}",
    )


def remove_containers(folder: Path) -> None:
    """Remove the containers of a run, by what they carry of ours; nothing where no engine answers."""
    with contextlib.suppress(CannotStart):
        engine = _engine()
        wanted = f"label={_LABEL}={folder}"
        found = ask_engine([engine, "ps", "--all", "--quiet", "--no-trunc", "--filter", wanted]).split()
        if found:
            ask_engine([engine, "rm", "--force", "--volumes", *found])


def _engine() -> str:
    program = shutil.which("docker")
    if program is None or sys.platform != "linux":
        # elsewhere containers run in a virtual machine, and a socket in a folder does not reach out of it
        raise CannotStart(
            "a server in a container needs Docker's engine and its command `docker`, on Linux",
            hint="name a folder with server programs by --servers instead",
        )
    return program


def _user(account: Account) -> str:
    own = account.numbers()
    return f"{own[0]}:{own[1]}"


def _accounts(folder: Path, account: Account) -> Path:
    """A list of accounts for the container with the one that the server runs under, without which initdb stops."""
    path = folder / "accounts"
    uid, gid = account.numbers()
    path.write_text(f"rowreckon:x:{uid}:{gid}::/:/bin/false\n")
    path.chmod(0o444)
    return path


def _mount(source: Path, target: Path, *more: str) -> str:
    """As --mount takes it: fields of CSV, so that a path may hold a comma."""
    written = io.StringIO()
    csv.writer(written, lineterminator="").writerow(["type=bind", f"source={source}", f"target={target}", *more])
    return written.getvalue()
