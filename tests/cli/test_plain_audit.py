"""An audit without options gives what the same words give by way of the options' parser, which it does without."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

SAMPLES = Path(__file__).parents[2] / "sample_plans"
PLAIN = (
    ("stale-statistics.18.json",),
    ("memoize.18.txt", "stale-statistics.13.json", "stale-statistics.13.json"),
    ("no-such-file.json", "limit.18.json"),
    ("README.md",),
)


def _audited(*words: str) -> subprocess.CompletedProcess[bytes]:
    command = [sys.executable, "-m", "rowreckon", "audit", *words]
    return subprocess.run(command, cwd=SAMPLES, capture_output=True, check=False)


@pytest.mark.parametrize("paths", PLAIN, ids=lambda paths: "+".join(paths))
def test_the_parser_changes_nothing(paths: tuple[str, ...]) -> None:
    """`--threshold 10` is the default: said aloud, it sends the words through the parser."""
    plain, parsed = _audited(*paths), _audited(*paths, "--threshold", "10")

    assert plain.stdout == parsed.stdout
    assert plain.stderr == parsed.stderr
    assert plain.returncode == parsed.returncode


def test_neither_the_parser_nor_pydantic_is_loaded() -> None:
    """What makes it quick, without a clock."""
    code = (
        "import sys; from rowreckon.cli.run import run;"
        f"status = run(['audit', {str(SAMPLES / 'stale-statistics.18.json')!r}]);"
        "sys.exit(status or [m for m in ('typer', 'pydantic', 'pydantic_core') if m in sys.modules] or 0)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)

    assert (done.returncode, done.stderr) == (0, "")
