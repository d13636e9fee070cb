"""The public Python API: read, audit, render. Importable without psycopg and without a terminal."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Literal

from rowreckon import auditing
from rowreckon.auditing import DEFAULT_THRESHOLD
from rowreckon.capture import Capture
from rowreckon.document.audit import Audit, Rejected
from rowreckon.intake import read_path, read_text
from rowreckon.report.formats.notebook import NotebookAudit

Format = Literal["json", "markdown", "html", "text"]


def audit(
    inputs: Iterable[Capture | Rejected], *, threshold: float = DEFAULT_THRESHOLD, curves: bool = True
) -> NotebookAudit:
    """Audit captures; see `rowreckon.auditing.audit`. In a notebook the result shows itself as the HTML report."""
    return NotebookAudit.of(auditing.audit(inputs, threshold=threshold, curves=curves))


def render(result: Audit, format: Format = "markdown", *, width: int = 100) -> str:
    """An audit as text: "json" (the contract), "markdown", "html" (one self-contained file), or "text" as a terminal
    of `width` columns without colour would show it."""
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
