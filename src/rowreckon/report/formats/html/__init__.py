"""The report as one HTML file that needs nothing else: no script, no outside resource, its styles pinned by hash."""

from __future__ import annotations

from rowreckon.report.formats.html.page import render_html

__all__ = ["render_html"]
