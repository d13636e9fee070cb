"""What commands that end in an audit share: the formats, and where they are written."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING

from rowreckon.errors import UsageError

if TYPE_CHECKING:
    from rowreckon.document.audit import Audit

_SUFFIXES = {".html": "html", ".htm": "html", ".md": "markdown", ".json": "json", ".xml": "junit"}


class OutputFormat(StrEnum):
    """Formats that go to standard output."""

    terminal = "terminal"
    markdown = "markdown"
    json = "json"


class FailOn(StrEnum):
    """Verdicts that can make the exit status 1."""

    crossed = "crossed"
    held = "held"
    undecided = "undecided"


def parse_fail_on(text: str | None) -> frozenset[str]:
    """The verdicts of a comma-separated list. Raises UsageError for an unknown one."""
    wanted = frozenset(part.strip() for part in (text or "").split(",") if part.strip())
    unknown = sorted(wanted - {v.value for v in FailOn})
    if unknown:
        raise UsageError(
            f"--fail-on does not know {', '.join(unknown)}", hint="give crossed, held, undecided, separated by commas"
        )
    return wanted


def check_report_paths(paths: list[Path], suffixes: tuple[str, ...] = tuple(sorted(_SUFFIXES))) -> None:
    """Refuse an unknown report format, and a place that takes no file, before any work is done. Raises UsageError."""
    from rowreckon.files import try_file

    for path in paths:
        if path.suffix.lower() not in suffixes:
            raise UsageError(f"--report cannot tell a format from {path.name!r}", hint=f"use {', '.join(suffixes)}")
        try_file(path, "--report")


def holds_curves(output: OutputFormat, reports: Sequence[Path]) -> bool:
    """Whether what is printed or one of the reports to be written holds the joins' cost curves."""
    written = {_SUFFIXES[path.suffix.lower()] for path in reports}
    return output is OutputFormat.json or not written.isdisjoint({"html", "json"})


def holds_details(output: OutputFormat, reports: Sequence[Path], *, verbose: bool, masked: bool) -> bool:
    """Whether what is printed or one of the reports to be written holds the conditions, blocks and figures of nodes.

    What is `masked` needs them all the same: the names to be masked in sentences are found among the conditions.
    """
    return verbose or masked or bool(reports) or output is not OutputFormat.terminal


def print_audit(result: Audit, output: OutputFormat, *, verbose: bool = False) -> None:
    """Print an audit to standard output; a terminal gets nothing where nothing was audited."""
    if output is OutputFormat.json:
        sys.stdout.write(result.to_json())
        return
    if output is OutputFormat.markdown:
        from rowreckon.report.formats.markdown import render_markdown

        sys.stdout.write(render_markdown(result))
        return
    if not verbose and _nothing_to_report(result):
        return  # standard error names each input and why: a report would only say it again
    from rich.console import Console

    from rowreckon.report.formats.terminal import render_terminal

    render_terminal(result, Console(highlight=False), verbose=verbose)


def _nothing_to_report(result: Audit) -> bool:
    """Whether no input could be read, or none of the plans was run."""
    if not result.plans:
        return bool(result.rejected)
    return all(plan.nodes and not plan.analyzed and plan.outcome == "ran" for plan in result.plans)


def write_reports(result: Audit, paths: list[Path], fail_on: frozenset[str], baseline: Audit | None = None) -> None:
    """Write an audit to each path, in the format of its suffix. Raises UsageError where a path can't be written."""
    for path in paths:
        write_text(path, _render(result, _SUFFIXES[path.suffix.lower()], fail_on, baseline))


def write_text(path: Path, text: str) -> None:
    """Write a report: whole, or not at all. Raises UsageError where the path can't be written."""
    from rowreckon.files import write_whole

    write_whole(path, text)


def _render(result: Audit, form: str, fail_on: frozenset[str], baseline: Audit | None) -> str:
    if form == "json":
        return result.to_json()
    if form == "markdown":
        from rowreckon.report.formats.markdown import render_markdown

        return render_markdown(result)
    if form == "junit":
        from rowreckon.report.formats.junit import render_junit

        return render_junit(result, set(fail_on), baseline)
    from rowreckon.report.formats.html import render_html

    return render_html(result)
