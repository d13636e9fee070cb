"""A long list is cut, but never so that a query that failed goes unnamed."""

from __future__ import annotations

import re

from rowreckon.api import render
from rowreckon.document.audit import Audit, Plan, Summary


def _long_list() -> Audit:
    ran = [Plan(source=f"ran {n}", analyzed=True, execution_ms=5.0) for n in range(150)]
    failed = [
        Plan(source=f"broken {n}", analyzed=False, outcome="failed", sqlstate="42703", line=n, reason="no such column")
        for n in range(30)
    ]
    return Audit(tool_version="0", plans=(*ran, *failed), summary=Summary(plans=180))


def test_every_failure_is_named_with_its_state_and_line() -> None:
    """In the terminal's and in Markdown's list, also beyond the rows that are shown."""
    audit = _long_list()
    for form in ("text", "markdown"):
        text = render(audit, form)

        assert all(re.search(rf"\bbroken {n}\b", text) for n in range(30)), form
        assert text.count("42703") >= 30
        assert "30 queries did not run to the end" in " ".join(text.split())
