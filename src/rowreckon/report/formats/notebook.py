"""An audit that shows itself in a notebook as its report."""

from __future__ import annotations

from html import escape

from rowreckon.document.audit import Audit


class NotebookAudit(Audit):
    """The audit document with the two methods by which notebooks ask a value how to show itself."""

    @classmethod
    def of(cls, audit: Audit) -> NotebookAudit:
        """The same audit, able to show itself."""
        return cls.model_construct(**{name: getattr(audit, name) for name in Audit.model_fields})

    def _repr_html_(self) -> str:
        """The HTML report in a sandboxed frame: its styles stay inside, and nothing in it can run."""
        from rowreckon.report.formats.html import render_html

        page = escape(render_html(self), quote=True)
        return (
            '<iframe title="rowreckon audit" sandbox="" referrerpolicy="no-referrer" width="100%" height="720" '
            f'srcdoc="{page}"></iframe>'
        )

    def _repr_markdown_(self) -> str:
        """The Markdown report, for notebooks that show no HTML."""
        from rowreckon.report.formats.markdown import render_markdown

        return render_markdown(self)
