"""Nothing stands at the top of the project but what its design names, and files that begin with a dot."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
NAMED = {"DEVELOPERS.md", "LICENSE", "README.md", "docker", "pyproject.toml", "sample_plans", "src", "tests"}


def test_the_top_level_holds_what_is_named() -> None:
    """A file that a command wrote here by mistake must not be kept."""
    if not (ROOT / ".git").exists() or shutil.which("git") is None:
        pytest.skip("no checkout: nothing tells which files are kept")
    # the checkout may belong to another account than the one that tests it
    command = ["git", "-c", "safe.directory=*", "ls-files", "-z"]
    kept = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=True).stdout
    top = {name.split("/")[0] for name in kept.split("\0") if name}
    assert {name for name in top if not name.startswith(".")} == NAMED
