"""Reports kept as files and reviewed as diffs: every format on stored audits, a whole run on few captures.

The stored audits hold the layout apart from the pipeline: what a verdict says may change without a change here.
ROWRECKON_UPDATE_SNAPSHOTS=1 rewrites the reports, ROWRECKON_UPDATE_SNAPSHOTS=audits the stored audits first; a report
that differs is left beside its snapshot as `.received`.
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
from rowreckon.document.audit import Audit
from rowreckon.intake import read_path
from rowreckon.report.formats.compare_text import comparison_markdown, render_comparison
from rowreckon.report.formats.html import render_html
from rowreckon.report.formats.junit import render_junit
from rowreckon.report.formats.markdown import render_markdown
from rowreckon.report.formats.terminal import render_terminal
from tests.report import pictured

ROOT = Path(__file__).parents[2]
CAPTURES = Path(__file__).parent / "captures"
KEPT = Path(__file__).parent / "snapshots"
STORED = pictured.STORED

# Stored audit: the plans that it was made of.
AUDITS = {
    "one-crossed": (CAPTURES / "stale-statistics.capture.json",),
    "inner-side": (CAPTURES / "correlated-range.capture.json",),
    "two-joins": (CAPTURES / "join-key-skew.capture.json",),
    "no-join": (ROOT / "sample_plans" / "time-elsewhere.18.json",),
    "undecided": (ROOT / "sample_plans" / "function-row-default.18.json",),
    "several": (
        *sorted(CAPTURES.iterdir()),
        *(ROOT / "sample_plans" / name for name in ("limit.18.json", "never-executed.18.json", "memoize.18.json")),
    ),
}
AS_MEASURED = ("tried", "list", "archive")
"""Stored audits that are kept as they came once: a trial's measured times, a sweep's list with queries that did not
run, an archive's log in which queries recur."""
WHOLE_RUNS = ("stale-statistics", "correlated-columns")


def _audited(paths: tuple[Path, ...]) -> Audit:
    """An audit of these files that does not tell where they lie."""
    captures = [c for path in paths for c in read_path(path)]
    result = audit([c.model_copy(update={"name": Path(c.name).name}) if hasattr(c, "name") else c for c in captures])
    return result.model_copy(update={"tool_version": "VERSION"})


def _terminal(result: Audit, width: int) -> str:
    file = io.StringIO()
    render_terminal(result, Console(file=file, width=width))
    return file.getvalue()


def _html(page: str) -> str:
    """Without the style sheet and its hash, which are no part of the story."""
    text = re.sub(r"<style>.*?</style>", "<style></style>", page, flags=re.DOTALL)
    return re.sub(r"sha256-[^']*", "sha256-", text)


FORMATS: dict[str, Callable[[Audit], str]] = {
    "terminal-80.txt": lambda result: _terminal(result, 80),
    "terminal-60.txt": lambda result: _terminal(result, 60),
    "report.md": render_markdown,
    "report.html": lambda result: _html(render_html(result)),
    "junit.xml": lambda result: render_junit(result, {"crossed", "undecided"}),
}


def _stored(name: str) -> Audit:
    path = STORED / f"{name}.json"
    if os.environ.get("ROWRECKON_UPDATE_SNAPSHOTS") == "audits" and name in AUDITS:
        path.parent.mkdir(exist_ok=True)
        path.write_text(_audited(AUDITS[name]).to_json(), encoding="utf-8")
    return pictured.stored(name)


def _reviewed(path: Path, text: str) -> None:
    """Fails unless the file holds this very text; leaves the text beside it."""
    if os.environ.get("ROWRECKON_UPDATE_SNAPSHOTS"):
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
    received = path.with_name(f"{path.name}.received")
    if not path.is_file() or path.read_text("utf-8") != text:
        received.write_text(text, encoding="utf-8")
        pytest.fail(f"this is not the reviewed report: compare {received.relative_to(KEPT)} with it in {KEPT.name}/")
    received.unlink(missing_ok=True)


@pytest.mark.parametrize("name", sorted((*AUDITS, *AS_MEASURED)))
def test_report_is_the_one_that_was_reviewed(name: str) -> None:
    """Byte for byte, in every format."""
    result = _stored(name)
    for form, render in FORMATS.items():
        _reviewed(KEPT / name / form, render(result))


@pytest.mark.parametrize("form", ["terminal-80.txt", "report.md", "report.html"])
def test_comparison_is_the_one_that_was_reviewed(form: str) -> None:
    """In every format."""
    comparison = pictured.comparison()
    if form == "report.md":
        text = comparison_markdown(comparison)
    elif form == "report.html":
        text = _html(pictured.page("comparison"))
    else:
        file = io.StringIO()
        render_comparison(comparison, Console(file=file, width=80))
        text = file.getvalue()
    _reviewed(KEPT / "comparison" / form, text)


@pytest.mark.parametrize("name", WHOLE_RUNS)
def test_a_whole_run_is_the_one_that_was_reviewed(name: str) -> None:
    """From the capture to the terminal: what a change to the pipeline makes of it is looked at."""
    result = _audited((CAPTURES / f"{name}.capture.json",))
    _reviewed(KEPT / "whole-runs" / f"{name}.txt", _terminal(result, 80))


def test_the_version_is_the_packages() -> None:
    """The stored audits carry a stand-in for it."""
    assert audit(read_path(ROOT / "sample_plans" / "limit.18.json")).tool_version == __version__
