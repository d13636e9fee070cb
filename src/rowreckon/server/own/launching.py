"""How a program of a server is started and told to end: as a process of this machine, or in a container of an image."""

from __future__ import annotations

import os
import signal
import subprocess
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from rowreckon.errors import CannotStart
from rowreckon.server.own.account import Account, clean_environment

_ENGINE_S = 30.0
"""How long the container engine may take for an order that starts nothing."""


@dataclass(frozen=True, slots=True)
class Launch:
    """Who starts a program here, in which environment, and what stands before its command.

    `engine` and `container` name the container it then runs in, and are empty where it is a process like any other.
    """

    account: Account
    prefix: tuple[str, ...] = ()
    environment: Mapping[str, str] = field(default_factory=clean_environment)
    engine: str = ""
    container: str = ""

    def run(self, command: Sequence[str | Path], *, timeout: float) -> subprocess.CompletedProcess[str]:
        """Run a short program. Raises OSError and subprocess.TimeoutExpired."""
        return self.account.run([*self.prefix, *command], timeout=timeout, environment=self.environment)

    def interrupt(self, status: Path) -> None:
        """Tell a server to write everything down and end; `status` is its postmaster.pid.

        Raises OSError, ValueError or IndexError where it can't be told.
        """
        if self.container:
            # the process number in its file is the container's own
            ask_engine([self.engine, "kill", "--signal", "INT", self.container])
            return
        os.kill(int(status.read_text().split()[0]), signal.SIGINT)


def ask_engine(command: Sequence[str]) -> str:
    """What the container engine prints. Raises CannotStart with its own first words where it refuses."""
    try:
        done = Account().run(command, timeout=_ENGINE_S, environment=engine_environment())
    except (OSError, subprocess.TimeoutExpired) as error:
        raise CannotStart(f"the container engine does not answer: {error}", hint="start it, and try again") from None
    if done.returncode != 0:
        said = next((line.strip() for line in done.stderr.splitlines() if line.strip()), "")
        raise CannotStart(f"the container engine says: {said or f'exit status {done.returncode}'}")
    return done.stdout


def engine_environment() -> Mapping[str, str]:
    """The environment of the engine's own client: where it finds its engine, and nothing for a server."""
    own = {name: value for name, value in os.environ.items() if name == "HOME" or name.startswith("DOCKER_")}
    return {**clean_environment(), **own}
