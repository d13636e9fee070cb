"""Whole reports on the sample plans, in every format, kept as files and reviewed as diffs.

ROWRECKON_UPDATE_SNAPSHOTS=1 rewrites them; a report that differs is left beside its snapshot as `.received`.
"""

from __future__ import annotations

import io
import os
import re
from collections.abc import Callable
from pathlib import Path

import pytest
from rich.console import Console

from rowreckon import __version__
from rowreckon.auditing import audit
from rowreckon.intake import read_path
from rowreckon.report.document import Audit
from rowreckon.report.html import render_html
from rowreckon.report.junit import render_junit
from rowreckon.report.markdown import render_markdown
from rowreckon.report.terminal import render_terminal

ROOT = Path(__file__).parents[2]
KEPT = Path(__file__).parent / "snapshots"

PLANS = (
    "correlated-columns.18.json",
    "correlated-columns.17.txt",
    "function-row-default.18.json",
    "generic-plan.16.json",
    "hash-join-as-it-should-be.18.json",
    "limit.18.json",
    "merge-tail.16.json",
    "never-executed.18.json",
    "parallel-workers.14.json",
    "stale-statistics.13.json",
    "time-elsewhere.18.json",
)


def _terminal(result: Audit, width: int) -> str:
    file = io.StringIO()
    render_terminal(result, Console(file=file, width=width))
    return file.getvalue()


def _html(result: Audit) -> str:
    """Without the style sheet and its hash, which are no part of the story."""
    text = re.sub(r"<style>.*?</style>", "<style></style>", render_html(result), flags=re.DOTALL)
    return re.sub(r"sha256-[^&]*", "sha256-", text)


FORMATS: dict[str, Callable[[Audit], str]] = {
    "terminal-80.txt": lambda result: _terminal(result, 80),
    "terminal-60.txt": lambda result: _terminal(result, 60),
    "report.md": render_markdown,
    "report.html": _html,
    "report.json": lambda result: result.to_json(),
    "junit.xml": lambda result: render_junit(result, {"crossed", "undecided"}),
}


def _audited(name: str) -> Audit:
    captures = read_path(ROOT / "sample_plans" / name)
    return audit([c.model_copy(update={"name": name}) if hasattr(c, "name") else c for c in captures])


@pytest.mark.parametrize("form", sorted(FORMATS))
@pytest.mark.parametrize("name", PLANS)
def test_report_is_the_one_that_was_reviewed(name: str, form: str) -> None:
    """Byte for byte."""
    text = FORMATS[form](_audited(name)).replace(f"rowreckon {__version__}", "rowreckon VERSION")
    text = text.replace(f'"tool_version": "{__version__}"', '"tool_version": "VERSION"')
    path = KEPT / name / form
    if os.environ.get("ROWRECKON_UPDATE_SNAPSHOTS") == "1":
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
    received = path.with_name(f"{path.name}.received")
    if not path.is_file() or path.read_text("utf-8") != text:
        received.write_text(text, encoding="utf-8")
        pytest.fail(f"{form} of {name} is not the reviewed one: compare {received.name} with it in {KEPT.name}/{name}")
    received.unlink(missing_ok=True)
