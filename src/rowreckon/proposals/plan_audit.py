"""What remedies need of each audited plan."""

from __future__ import annotations

from rowreckon.capture import Capture
from rowreckon.causes import CauseFinding
from rowreckon.counts import ReckonedTree
from rowreckon.document.audit import Join
from rowreckon.frozen import frozen


@frozen
class PlanAudit:
    """One plan, audited: `index` is its place in the document, `own_ms` each node's own time (ms)."""

    index: int
    capture: Capture
    reckoned: ReckonedTree
    joins: tuple[Join, ...]
    findings: tuple[CauseFinding, ...]
    own_ms: tuple[float | None, ...]

    @property
    def execution_ms(self) -> float | None:
        """The statement's execution time, ms."""
        explain = self.capture.explain
        if explain is None:
            return None
        if explain.execution_time is not None:
            return float(explain.execution_time)
        root = explain.plan
        return None if root.actual_total_time is None else float(root.actual_total_time) * root.loops
