"""Runs the command against a house, and says what became of each query or plan.

$ROWRECKON_ATTACKED names a folder of sources to attack instead of those that are installed: `src` of an older commit's
work tree shows what its guards let through (`pytest tests/security/test_findings.py`).
"""

from __future__ import annotations

import functools
import json
import os
import subprocess
import sys
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tests.cli.warm import run
from tests.reading.psql import psql_program

from .house import House
from .snapshot import State, differences, snapshot

PRIVILEGED = "--allow-privileged-role"
_LONGEST_S = 1200.0


def rowreckon(*arguments: str, **environment: str) -> subprocess.CompletedProcess[str]:
    """`rowreckon ARGUMENTS` with no flag but those given, and these variables set."""
    return run(arguments, "", {**_attacked(), **environment}, _LONGEST_S)


def started(*arguments: str) -> subprocess.Popen[str]:
    """The same, not waited for."""
    return subprocess.Popen(
        [sys.executable, "-m", "rowreckon", *arguments],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, **_attacked()},
    )


def _attacked() -> dict[str, str]:
    attacked = os.environ.get("ROWRECKON_ATTACKED")
    return {"PYTHONPATH": attacked} if attacked else {}


@dataclass(frozen=True)
class Attack:
    """A query list under a name of its own."""

    name: str
    text: str


@dataclass(frozen=True)
class Outcome:
    """What a run printed, and the plans in it, each query's with its outcome."""

    status: int
    stdout: str
    stderr: str
    plans: list[dict[str, Any]]

    @functools.cached_property
    def ended(self) -> dict[str, str]:
        """By query name: `ran`, `refused`, `failed`, …"""
        return {_name(plan["source"]): plan["outcome"] for plan in self.plans}

    @functools.cached_property
    def reasons(self) -> dict[str, str]:
        """By query name why it did not run, or nothing."""
        return {_name(plan["source"]): plan["reason"] or "" for plan in self.plans}

    @property
    def text(self) -> str:
        """All that was printed."""
        return self.stdout + self.stderr


def sweep(house: House, folder: Path, attacks: Iterable[Attack], *options: str, privileged: bool = False) -> Outcome:
    """Sweep these lists, each a file of its own, as `keeper` or, privileged, as `warden`."""
    write_lists(folder, attacks)
    return sweep_folder(house, folder, *options, privileged=privileged)


def sweep_folder(house: House, folder: Path, *options: str, privileged: bool = False) -> Outcome:
    """Sweep the lists that lie in a folder."""
    dsn = house.warden if privileged else house.keeper
    more = with_privilege("sweep") if privileged else []
    done = rowreckon("sweep", str(folder), "--dsn", dsn, "--format", "json", *more, *options)
    return outcome(done.returncode, done.stdout, done.stderr)


def write_lists(folder: Path, attacks: Iterable[Attack]) -> None:
    """One file an attack; the name of its last query is the attack's."""
    folder.mkdir(parents=True, exist_ok=True)
    for number, attack in enumerate(attacks):
        *before, last = attack.text.split(";;")
        lead = "".join(f"{part};\n" for part in before)
        (folder / f"{number:04d}.sql").write_text(f"{lead}-- name: {attack.name}\n{last}\n")


def outcome(status: int, stdout: str, stderr: str) -> Outcome:
    """Read the audit document that `--format json` printed."""
    assert "Traceback" not in stderr, stderr[-3000:]
    document: dict[str, Any] = json.loads(stdout) if stdout.lstrip().startswith("{") else {"plans": []}
    return Outcome(status, stdout, stderr, document["plans"])


def _name(source: str) -> str:
    """The query's own name, without the list's."""
    return source.split(": ", 1)[-1]


@functools.cache
def _help(command: str) -> str:
    return rowreckon(command, "--help").stdout


def with_privilege(command: str) -> list[str]:
    """The flag for a privileged role, where the command has it."""
    return [PRIVILEGED] if PRIVILEGED in _help(command) else []


def answered(house: House, script: Path, answer: Path, options: str = "") -> None:
    """Run the script of `ask` in psql, as a colleague does; it ends well."""
    done = subprocess.run(
        [psql_program(), "-X", "-d", f"{house.keeper} options='{options}'", "-f", script, "-o", answer],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr


@dataclass
class Watch:
    """Everything before; `unchanged` compares it with everything now."""

    house: House
    before: State

    def unchanged(self) -> None:
        """Fail, naming what changed, unless nothing did; the next check starts from where things stand now."""
        after = snapshot(self.house)
        found = differences(self.before, after)
        self.before = after
        assert not found, "\n".join(found)
