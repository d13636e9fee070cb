"""The public Python API: read, audit, render. Importable without psycopg and without a terminal."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Literal, get_args

from rowreckon import auditing
from rowreckon.auditing import DEFAULT_THRESHOLD
from rowreckon.capture import Capture
from rowreckon.document.audit import Audit, Rejected
from rowreckon.errors import UsageError
from rowreckon.intake import read_path, read_text
from rowreckon.report.formats.notebook import NotebookAudit

Format = Literal["json", "markdown", "html", "text"]

_LONGEST_PATH = 4096
_IN_PLANS = ("(cost=", "(actual ", '"Plan"', "<explain", "Plan:")


def audit(
    inputs: str | bytes | Path | Capture | Iterable[Capture | Rejected],
    *,
    threshold: float = DEFAULT_THRESHOLD,
    curves: bool = True,
    one_database: bool | None = None,
) -> NotebookAudit:
    """Audit plans, given as their text, as the path of a file or a folder, or as captures.

    A string is EXPLAIN output, unless it is one line and names what exists: then it is a path. For the rest see
    `rowreckon.auditing.audit`. In a notebook the result shows itself as the HTML report.
    """
    audited = auditing.audit(_captures(inputs), threshold=threshold, curves=curves, one_database=one_database)
    return NotebookAudit.of(audited)


def _captures(inputs: str | bytes | Path | Capture | Iterable[Capture | Rejected]) -> Iterable[Capture | Rejected]:
    if isinstance(inputs, Path):
        return read_path(inputs)
    if isinstance(inputs, str) and _names_a_file(inputs):
        return read_path(inputs)
    if isinstance(inputs, str | bytes):
        return read_text(inputs)
    return (inputs,) if isinstance(inputs, Capture) else inputs


def _names_a_file(text: str) -> bool:
    """Whether a string is meant as a path: one short line that is no plan, or that exists."""
    if "\n" in text or len(text) > _LONGEST_PATH or "\0" in text:
        return False
    return Path(text).exists() or not any(sign in text for sign in _IN_PLANS)


def render(result: Audit, format: Format = "markdown", *, width: int = 100) -> str:
    """An audit as text: "json" (the contract), "markdown", "html" (one self-contained file), or "text" as a terminal
    of `width` columns without colour would show it. Raises UsageError for any other format."""
    if format not in get_args(Format):
        raise UsageError(f"there is no format {format!r}", hint=f"give one of {', '.join(get_args(Format))}")
    if format == "json":
        return result.to_json()
    if format == "markdown":
        from rowreckon.report.formats.markdown import render_markdown

        return render_markdown(result)
    if format == "html":
        from rowreckon.report.formats.html import render_html

        return render_html(result)
    from io import StringIO

    from rich.console import Console

    from rowreckon.report.formats.terminal import render_terminal

    console = Console(file=StringIO(), width=width, no_color=True, force_terminal=False, highlight=False)
    render_terminal(result, console)
    text = console.file
    assert isinstance(text, StringIO)
    return text.getvalue()


__all__ = ["DEFAULT_THRESHOLD", "Audit", "Capture", "Format", "Rejected", "audit", "read_path", "read_text", "render"]
