"""The excerpt of a real report that README shows: what the tool prints on a captured plan, up to the changes in detail.

python -m tests.report.readme_excerpt            print it
python -m tests.report.readme_excerpt --write    put it between README's markers
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[2]
README = ROOT / "README.md"
PLAN = "tests/report/captures/stale-statistics.capture.json"
BEGIN, END = "<!-- report: begin -->\n", "<!-- report: end -->\n"
_LAST = "What to try"


def excerpt() -> str:
    """The command and the first part of what it prints at 80 columns, as a fenced block."""
    printed = subprocess.run(
        [sys.executable, "-m", "rowreckon", "audit", PLAN],
        cwd=ROOT,
        env={**os.environ, "COLUMNS": "80", "PYTHONIOENCODING": "utf-8"},
        capture_output=True,
        encoding="utf-8",
        check=True,
    ).stdout
    shown: list[str] = []
    for line in printed.splitlines():
        if line.startswith(_LAST):
            break
        shown.append(line)
    while not shown[-1]:
        shown.pop()
    return "\n".join(["```text", f"$ rowreckon audit {PLAN}", *shown, "    […]", "```", ""])


def shown_in_readme() -> str:
    """What stands between README's markers."""
    return README.read_text("utf-8").partition(BEGIN)[2].partition(END)[0]


def _write() -> None:
    before, _, rest = README.read_text("utf-8").partition(BEGIN)
    README.write_text(before + BEGIN + excerpt() + END + rest.partition(END)[2], encoding="utf-8")


if __name__ == "__main__":
    if "--write" in sys.argv[1:]:
        _write()
    else:
        sys.stdout.write(excerpt())
