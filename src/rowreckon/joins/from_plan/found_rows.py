"""Rows that an inner scan's index finds for one outer row, and the share that the scan's own filter keeps."""

from __future__ import annotations

from math import floor

from rowreckon.cost.units import clamp_row_est
from rowreckon.counts.reckon import ReckonedTree
from rowreckon.joins.facts.sides import JoinFacts
from rowreckon.joins.from_plan.candidate_counts import evenly_between, widening
from rowreckon.plan.nodes import BitmapHeapScanNode, ScanNode

_ENOUGH_OUTPUT = 4.0
_LEAST_KEPT = 0.01
_MOST_MATCHES = 20.0
"""How many times more rows a key may have than were read until the first match (common practice, no source)."""


def expected_found(reckoned: ReckonedTree, facts: JoinFacts, rows: float) -> list[float]:
    """How many rows the planner can have expected the index to find for one outer row, the likely number first.

    Without a filter of the scan's own these are its rows. With one, what was found and what it removed tell roughly.
    """
    tree = reckoned.tree
    scan = tree.nodes[facts.inner.scan] if facts.inner.scan is not None else None
    if facts.inner_unique or not isinstance(scan, ScanNode):
        return [1.0]
    if isinstance(scan, BitmapHeapScanNode) and tree.inputs(facts.inner.scan or 0):
        below = tree.nodes[tree.inputs(facts.inner.scan or 0)[0]]
        return [clamp_row_est(float(below.plan_rows or rows))]
    if not scan.filter:
        return [clamp_row_est(rows)]
    came, gone = float(scan.actual_rows or 0.0), float(scan.rows_removed_by_filter or 0.0)
    if facts.kind in ("Semi", "Anti"):  # a scan ends at the first row that matches: what came tells the fewest
        likely = max(clamp_row_est(came + gone), rows)
        return [likely, *(n for n in widening(_MOST_MATCHES * likely) if n >= rows and n != likely)]
    least = max(rows, float(floor(max(came - 0.5, 0.0) + max(gone - 0.5, 0.0))), 1.0)
    most = max(2.0 * (came + gone + 1.0), least)  # outer rows that find nothing halve the average, at most
    likely = min(max(clamp_row_est(came + gone), least), most)
    return [likely, *(n for n in evenly_between(least, most) if n != likely)]


def came_per_scan(facts: JoinFacts, scan: ScanNode) -> tuple[float, float]:
    """The rows that one execution looked at, at least and at most: averages are printed rounded."""
    came, gone = float(scan.actual_rows or 0.0), float(scan.rows_removed_by_filter or 0.0)
    rounding = 0.5 if scan.loops > 1 and came.is_integer() and gone.is_integer() else 0.0
    least, most = max(came - rounding, 0.0), came + rounding
    exact = facts.outer.actual_rows and facts.output_actual is not None and not facts.inner.memoized
    if exact and facts.kind in ("Inner", "Semi", "Anti") and all(c.place != "filter" for c in facts.clauses):
        put_out = (facts.output_actual or 0.0) / (facts.outer.actual_rows or 1.0)
        least = most = 1.0 - put_out if facts.kind == "Anti" else put_out  # a semijoin's scan ends with the first row
    return least + max(gone - rounding, 0.0), most + gone + (rounding if scan.filter else 0.0)


def share_kept(facts: JoinFacts, scan: ScanNode) -> float:
    """The share of the rows found that the scan's own filter keeps.

    Over a unique index the join's estimate tells it: each outer row finds one row. Elsewhere it is as it came, where
    rows per execution are printed rounded; the join's output tells them more exactly.
    """
    if facts.inner_unique and facts.output_rows >= _ENOUGH_OUTPUT:
        return min(max(facts.output_rows / max(facts.outer.planner_rows, 1.0), _LEAST_KEPT), 1.0)
    came, gone = float(scan.actual_rows or 0.0), float(scan.rows_removed_by_filter or 0.0)
    if facts.kind == "Inner" and facts.output_actual and facts.outer.actual_rows:
        came = max(facts.output_actual / facts.outer.actual_rows, came - 0.5)
    return max(came / (came + gone), _LEAST_KEPT) if came + gone > 0 else 1.0
