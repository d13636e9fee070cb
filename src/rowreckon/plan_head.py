"""Where a plan is from: what its capture tells of that, and where the capture tells too little, its facts."""

from __future__ import annotations

from typing import Any

import rowreckon.document.audit as doc
from rowreckon.capture import Capture, SessionFacts


def head_of(capture: Capture) -> dict[str, Any]:
    """The first fields of a plan of the document, by name."""
    explain = capture.explain
    read_at = capture.catalog.read_at if capture.catalog is not None else None
    return {
        "source": capture.name,
        "query": capture.query,
        "query_id": None if explain is None or explain.query_identifier is None else str(explain.query_identifier),
        "captured_at": capture.captured_at,
        "facts_read_at": None if read_at is None else read_at.isoformat(timespec="seconds"),
        "server_version": _release(capture),
        "outcome": capture.outcome,
        "sqlstate": capture.sqlstate,
        "line": capture.line,
        "reason": capture.reason,
        "runs_ms": capture.runs_ms,
        "cache": capture.cache,
    }


def plan_without_explain(capture: Capture) -> doc.Plan:
    """What the document holds of a query that never got a plan."""
    return doc.Plan.model_validate(
        {**head_of(capture), "notes": capture.notes, "analyzed": False, "session": session_of(capture)}
    )


def _is_of_facts(capture: Capture) -> bool:
    """Whether the facts are of a server of the plan's release, as far as the plan tells it."""
    if capture.catalog is None:
        return False
    return capture.server_version is None or capture.server_version // 10000 == capture.catalog.server_version // 10000


def _release(capture: Capture) -> int | None:
    """The server's version; a plan tells the release only, and the facts of such a server the minor one too."""
    version = capture.server_version
    whole = version is not None and version % 10000 != 0
    return capture.catalog.server_version if not whole and _is_of_facts(capture) and capture.catalog else version


def session_of(capture: Capture) -> doc.Session | None:
    """The session that the plan ran in, as far as known; of a plan without one the database whose facts were read."""
    facts = capture.session
    if facts is None and capture.catalog is not None and _is_of_facts(capture):
        facts = SessionFacts(database=capture.catalog.database)
    if facts is None:
        return None if capture.settings is None else doc.Session(settings=dict(capture.settings))
    return doc.Session(
        role=facts.role,
        database=facts.database,
        search_path=facts.search_path,
        row_security=facts.row_security,
        settings={**(capture.settings or {}), **facts.settings},
    )
