"""Which page tells of an audit: that of a list, of one plan, or of none."""

from __future__ import annotations

from rowreckon.document.audit import Audit
from rowreckon.report.formats.html.audit_page import render_nothing
from rowreckon.report.formats.html.list_page import render_list
from rowreckon.report.formats.html.plan_page import render_plan
from rowreckon.report.words.sources import with_short_sources


def render_html(audit: Audit) -> str:
    """The audit as one self-contained HTML document: same audit, same bytes."""
    if not audit.plans:
        return render_nothing(audit)
    audit, folder = with_short_sources(audit)
    return render_plan(audit, folder) if len(audit.plans) == 1 else render_list(audit, folder)
