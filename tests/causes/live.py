"""Plans captured from a live server, judged for their causes."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import psycopg

from rowreckon.auditing import audit_capture
from rowreckon.capture import Capture
from rowreckon.causes import CauseFinding
from rowreckon.proposals import PlanAudit
from tests.faults.runner import capture

Connection = psycopg.Connection[Any]


def judged(connection: Connection, query: str, *, catalog: bool = True, threshold: float = 10.0) -> PlanAudit:
    """The query's plan, executed and audited."""
    return judged_capture(capture(connection, query, catalog=catalog), threshold=threshold)


def judged_capture(taken: Capture, *, threshold: float = 10.0) -> PlanAudit:
    """A capture, audited."""
    _, evidence = audit_capture(taken, threshold=threshold)
    assert evidence is not None
    return evidence


def evenly_timed(audit: PlanAudit, whole_ms: float = 1000.0) -> PlanAudit:
    """The audit with its time spread over all nodes: whether a remedy is proposed must not hang on the clock, by which
    the small tables of a test cost a millisecond or less."""
    explain = audit.capture.explain
    assert explain is not None
    timed = explain.model_copy(update={"execution_time": whole_ms})
    return replace(
        audit,
        capture=audit.capture.model_copy(update={"explain": timed}),
        own_ms=tuple(whole_ms / len(audit.own_ms) for _ in audit.own_ms),
    )


def codes(audit: PlanAudit) -> list[str]:
    """The codes found, best first."""
    return list(dict.fromkeys(f.code for f in audit.findings))


def first(audit: PlanAudit) -> CauseFinding:
    """The first finding."""
    return audit.findings[0]


def value(connection: Connection, query: str) -> Any:
    """The first column of a query's first row."""
    row = connection.execute(query.encode()).fetchone()
    assert row is not None
    return row[0]
