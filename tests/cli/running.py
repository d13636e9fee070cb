"""Runs the command as a person would, and gives what it printed."""

from __future__ import annotations

import subprocess
from collections.abc import Sequence
from pathlib import Path

from .warm import run

SAMPLES = Path(__file__).parents[2] / "sample_plans"


def rowreckon(*arguments: str, stdin: str = "", **environment: str) -> subprocess.CompletedProcess[str]:
    """`rowreckon ARGUMENTS` with this text on standard input and these variables set."""
    return _run(arguments, stdin, environment, 120)


def rowreckon_long(*arguments: str) -> subprocess.CompletedProcess[str]:
    """The same for what may take minutes."""
    return _run(arguments, "", {}, 1200)


def run_as_given(*arguments: str) -> subprocess.CompletedProcess[str]:
    """The command with these arguments and no others, for what must go without any leave."""
    return run(arguments, "", {}, 1200)


def as_superuser(arguments: Sequence[str]) -> tuple[str, ...]:
    """The arguments with leave to connect as the superuser of a throw-away server, where the command asks for it."""
    given = tuple(arguments)
    asks = given[:1] in (("sweep",), ("trial",)) or (given[:1] == ("audit",) and {"--dsn", "--dsn-file"} & {*given})
    return (*given, "--allow-privileged-role") if asks else given


def _run(
    arguments: tuple[str, ...], stdin: str, environment: dict[str, str], timeout: float
) -> subprocess.CompletedProcess[str]:
    return run(as_superuser(arguments), stdin, environment, timeout)
