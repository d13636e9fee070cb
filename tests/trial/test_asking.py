"""What a person at a terminal is asked, and what scripts need in place of an answer."""

from __future__ import annotations

import os
import pty
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.cli.running import as_superuser, rowreckon_long

from .scene import Scene, copies_on, scene


@pytest.fixture(scope="module")
def huts(server: str, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Scene]:
    """One small fault."""
    folder = tmp_path_factory.mktemp("asking")
    with scene(server, folder, name="rr_asking", faults=("stale_new_status",)) as made:
        yield made


def _at_a_terminal(arguments: list[str], answer: str) -> tuple[int, str]:
    """Run the command with a terminal at both ends; exit status and what stood on it."""
    ours, theirs = pty.openpty()
    process = subprocess.Popen(
        [sys.executable, "-m", "rowreckon", *as_superuser(arguments)],
        stdin=theirs,
        stdout=subprocess.DEVNULL,
        stderr=theirs,
        env={**os.environ, "COLUMNS": "400", "NO_COLOR": "1", "TERM": "dumb"},
    )
    os.close(theirs)
    said = b""
    while True:
        try:
            block = os.read(ours, 4096)
        except OSError:
            break
        if not block:
            break
        asked_before = said.count(b"[y/N]")
        said += block
        if said.count(b"[y/N]") > asked_before:
            os.write(ours, answer.encode() + b"\n")
    os.close(ours)
    return process.wait(timeout=120), said.decode()


def test_no_means_no(huts: Scene) -> None:
    """The price stands before the question; whoever says no gets no copy."""
    status, said = _at_a_terminal(huts.arguments("--ask-above", "1kB"), "n")
    assert status == 2
    assert said.index("new logins to that database wait") < said.index("Make these copies?")
    assert "nothing was changed" in said
    assert copies_on(huts.dsn) == []


def test_yes_means_yes(huts: Scene, tmp_path: Path) -> None:
    """Whoever says yes gets the trial; small copies on this machine need no word."""
    status, said = _at_a_terminal(huts.arguments("--ask-above", "1kB", "--budget", "20s"), "y")
    assert status in (0, 2), said  # 2 where the budget does not last for every change on this machine
    assert said.count("[y/N]") == 1
    status, said = _at_a_terminal(huts.arguments("--budget", "20s"), "n")
    assert status in (0, 2), said
    assert "[y/N]" not in said


@pytest.mark.parametrize("how", [("--ask-above", "1kB"), ("--in-place",)], ids=["copy", "in place"])
def test_scripts_need_yes(huts: Scene, how: tuple[str, ...]) -> None:
    """Where nobody can be asked, nothing is done without --yes."""
    done = rowreckon_long(*huts.arguments(*how))
    assert done.returncode == 2
    assert "--yes" in done.stderr
    assert copies_on(huts.dsn) == []


def test_captures_are_not_run_again(huts: Scene, tmp_path: Path) -> None:
    """What a sweep saved is audited as it was, so that the numbers of the changes are those of its report."""
    rowreckon_long("sweep", str(huts.queries), "--dsn", huts.dsn, "--save", str(tmp_path / "c"))
    with huts.connect() as connection:
        before = connection.execute("select sum(seq_scan) from pg_stat_user_tables").fetchone()
    tried = rowreckon_long(*huts.arguments("--captures", str(tmp_path / "c"), "--remedy", "1", "--budget", "20s"))
    assert tried.returncode == 0, tried.stderr
    assert "Tried on a copy" in " ".join(tried.stdout.split())
    with huts.connect() as connection:
        assert connection.execute("select sum(seq_scan) from pg_stat_user_tables").fetchone() == before


def test_in_place_is_always_asked_about(server: str, tmp_path: Path) -> None:
    """With the list of what a rollback does not undo; a second trial then no longer sees that the table changed."""
    with scene(server, tmp_path, name="rr_asking_in_place", faults=("stale_new_status",)) as huts:
        _ask_in_place(huts)


def _ask_in_place(huts: Scene) -> None:
    status, said = _at_a_terminal(huts.arguments("--in-place"), "n")
    assert status == 2
    assert said.index("not undone by the rollback") < said.index("Go on?")
    status, said = _at_a_terminal(huts.arguments("--in-place", "--budget", "30s"), "y")
    assert status == 0, said
    # the counters say that the table was just analyzed: nothing is called stale any more
    assert "proposes no change" in rowreckon_long(*huts.arguments()).stderr
