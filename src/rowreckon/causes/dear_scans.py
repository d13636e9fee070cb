"""The scans to which most of a statement's time goes while they keep hardly any of the rows that they read, and those
in whose order a LIMIT hoped to end early."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from rowreckon.causes.limited import MANY_READ, NEARLY_ALL, ended_late, limited_above
from rowreckon.causes.scans import executions_of, is_base_scan

if TYPE_CHECKING:
    from rowreckon.causes.evidence import CauseEvidence
    from rowreckon.plan.base import PlanNode

_MOST = 0.5
"""Part of the execution's time, or of the pages where nothing was timed."""
_FELT_MS = 100.0
"""Time from which on a person feels a wait (R. B. Miller, "Response time in man-computer conversational transactions",
1968; from memory). Less is no reason for an index where a whole table is read once for what it was asked."""


def dear_scans(evidence: CauseEvidence) -> Iterator[int]:
    """Their nodes, none without a catalog, which alone tells what indexes there are."""
    if evidence.capture.catalog is None or evidence.capture.explain is None:
        return
    for number, node in enumerate(evidence.reckoned.tree.nodes):
        if is_base_scan(node) and (
            ended_late(evidence.reckoned.tree, number)
            or (_is_for_nothing(evidence, number, node) and _takes_most(evidence, number, node))
        ):
            yield number


def _is_for_nothing(evidence: CauseEvidence, number: int, node: PlanNode) -> bool:
    kept, removed = float(node.actual_rows or 0.0), float(node.rows_removed_by_filter or 0.0)
    limit = limited_above(evidence.reckoned.tree, number, None)
    wanted = min(kept, limit.rows) if limit is not None and limit.sorts else kept
    return (kept + removed) * node.loops >= MANY_READ and kept + removed >= NEARLY_ALL * max(wanted, 1.0 / NEARLY_ALL)


def _takes_most(evidence: CauseEvidence, number: int, node: PlanNode) -> bool:
    """Whether most of the time is the scan's, with the sort that reads all of it for a LIMIT."""
    tree, explain = evidence.reckoned.tree, evidence.capture.explain
    limit = limited_above(tree, number, None)
    once = executions_of(evidence.reckoned, number) <= 1 and limit is None
    if node.actual_total_time is None or explain is None:
        return not once and _blocks(node) >= _MOST * max(_blocks(tree.nodes[0]), 1.0)
    dear = tree.nodes[tree.parent[number]] if limit is not None and limit.sorts else node
    spent = float(dear.actual_total_time or 0.0) * dear.loops / evidence.reckoned.counts[number].participants
    whole = explain.execution_time or float(tree.nodes[0].actual_total_time or 0.0) * tree.nodes[0].loops
    return spent >= _MOST * whole and (spent >= _FELT_MS or not once)


def _blocks(node: PlanNode) -> float:
    return float((node.shared_hit_blocks or 0) + (node.shared_read_blocks or 0))
