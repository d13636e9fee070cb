"""An audit shows itself in a notebook as its report."""

from __future__ import annotations

from html import escape

from rowreckon.report.document import Audit


def notebook_html(audit: Audit, *, height: int = 720) -> str:
    """The HTML report in a sandboxed frame of `height` px: its styles stay inside, and nothing in it can run."""
    from rowreckon.report.html import render_html

    page = escape(render_html(audit), quote=True)
    return (
        f'<iframe title="rowreckon audit" sandbox="" referrerpolicy="no-referrer" width="100%" height="{height}" '
        f'srcdoc="{page}"></iframe>'
    )


def notebook_markdown(audit: Audit) -> str:
    """The Markdown report, for notebooks that show no HTML."""
    from rowreckon.report.markdown import render_markdown

    return render_markdown(audit)
