"""Copies of server programs: a killed run's half is cleared at the next start, a living one's is left alone."""

from __future__ import annotations

import signal
import subprocess
import sys
from pathlib import Path

import pytest

from rowreckon.server.own.copies import clear_copies, copy_once

COPYING = """
import os, signal, sys
from pathlib import Path
from rowreckon.server.own import copies

def stopped(scratch, target):
    print("copied", flush=True)
    sys.stdin.readline()
    os.kill(os.getpid(), signal.SIGKILL)

Path.rename = stopped
copies.copy_once(Path(sys.argv[1]), Path(sys.argv[2]))
"""


@pytest.fixture
def root(tmp_path: Path) -> Path:
    """A folder that looks like an installation in a wheel, closed to others."""
    program = tmp_path / "package" / "pginstall" / "bin" / "postgres"
    program.parent.mkdir(parents=True)
    program.write_text("a program")
    program.chmod(0o700)
    return program.parent.parent


def test_a_killed_run_leaves_nothing(root: Path, tmp_path: Path) -> None:
    """While it lives, its half stays; afterwards the next start clears it, and the next copy is whole."""
    cache = tmp_path / "cache"
    command = [sys.executable, "-c", COPYING, str(root), str(cache / "postgres-16")]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as run:
        assert run.stdout is not None
        assert run.stdin is not None
        assert run.stdout.readline() == b"copied\n"
        clear_copies(cache)
        assert len(list(cache.glob("copying-*"))) == 1
        run.stdin.write(b"\n")
        run.stdin.flush()
        assert run.wait() == -signal.SIGKILL
    assert len(list(cache.glob("copying-*"))) == 1
    assert not (cache / "postgres-16").exists()

    clear_copies(cache)
    assert list(cache.glob("copying-*")) == []

    copy_once(root, cache / "postgres-16")
    copied = cache / "postgres-16" / "package" / "pginstall" / "bin" / "postgres"
    assert copied.read_text() == "a program"
    assert copied.stat().st_mode & 0o777 == 0o755


def test_a_copy_that_is_there_is_kept(root: Path, tmp_path: Path) -> None:
    """The second run takes the first one's."""
    target = tmp_path / "cache" / "postgres-16"
    copy_once(root, target)
    (root / "bin" / "postgres").write_text("another program")
    copy_once(root, target)
    assert (target / "package" / "pginstall" / "bin" / "postgres").read_text() == "a program"
